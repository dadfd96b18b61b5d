//! Days of bloom, from this season's notes or the mean of past seasons.

use std::collections::BTreeMap;

use jiff::ToSpan as _;
use jiff::civil::Date;
use phenology::overlap::BloomWindow;

use super::ledger::days_between;

/// Days that bloom lasts when its end was not noted (common practice, no source).
const USUAL_DAYS: i64 = 10;
/// Days from balloon stage to the first open flowers.
const BALLOON_TO_OPEN_DAYS: i64 = 2;

/// A note of bloom.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Note {
    /// The day.
    pub on: Date,
    /// BBCH code.
    pub stage: u8,
}

fn plus(day: Date, days: i64) -> Date {
    day.checked_add(days.days()).unwrap_or(Date::MAX)
}

/// The days of bloom that one season's notes tell; none when no flower stage was noted.
pub fn observed(notes: &[Note]) -> Option<BloomWindow> {
    let first_of = |stages: std::ops::RangeInclusive<u8>| {
        notes
            .iter()
            .filter(|note| stages.contains(&note.stage))
            .map(|note| note.on)
            .min()
    };
    let first = first_of(60..=66)
        .or_else(|| first_of(57..=59).map(|day| plus(day, BALLOON_TO_OPEN_DAYS)))
        .or_else(|| first_of(67..=69).map(|day| plus(day, -USUAL_DAYS)))?;
    let last_open = notes
        .iter()
        .filter(|note| (60..=66).contains(&note.stage))
        .map(|note| note.on)
        .max()
        .unwrap_or(first);
    let last = first_of(67..=69).unwrap_or_else(|| plus(first, USUAL_DAYS - 1).max(last_open));
    BloomWindow::new(first, last.max(first)).ok()
}

/// The days of bloom to expect in a year from those of other years: their mean.
pub fn expected(past: &[BloomWindow], year: i16) -> Option<BloomWindow> {
    let mean = |day_of: fn(&BloomWindow) -> Date| {
        let sum: i64 = past
            .iter()
            .map(|window| {
                let day = day_of(window);
                // Days before New Year count as negative days of the year of the bloom's end.
                days_between(Date::new(window.last().year(), 1, 1).unwrap_or(day), day)
            })
            .sum();
        let first_of_year = Date::new(year, 1, 1).ok()?;
        let days = (sum as f64 / past.len() as f64).round() as i64;
        Some(plus(first_of_year, days))
    };
    if past.is_empty() {
        return None;
    }
    BloomWindow::new(mean(BloomWindow::first)?, mean(BloomWindow::last)?).ok()
}

/// A plant's days of bloom in a year, and what they rest on.
#[derive(Debug, Clone, PartialEq)]
pub struct Bloom {
    /// The days.
    pub window: BloomWindow,
    /// Past seasons that they are the mean of; 0 for this season's own notes.
    pub seasons_n: usize,
}

/// A plant's days of bloom in a year from all its notes.
pub fn bloom(notes: &[Note], year: i16) -> Option<Bloom> {
    let mut by_year: BTreeMap<i16, Vec<Note>> = BTreeMap::new();
    for note in notes {
        by_year.entry(note.on.year()).or_default().push(*note);
    }
    if let Some(window) = by_year.get(&year).and_then(|notes| observed(notes)) {
        return Some(Bloom {
            window,
            seasons_n: 0,
        });
    }
    let past: Vec<BloomWindow> = by_year
        .iter()
        .filter(|(of, _)| **of < year)
        .filter_map(|(_, notes)| observed(notes))
        .collect();
    expected(&past, year).map(|window| Bloom {
        window,
        seasons_n: past.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn note(on: Date, stage: u8) -> Note {
        Note { on, stage }
    }

    #[test]
    fn notes_of_the_season_come_before_the_mean_of_others() {
        let notes = [
            note(date(2024, 2, 10), 61),
            note(date(2024, 2, 20), 67),
            note(date(2025, 2, 14), 61),
            note(date(2025, 2, 24), 67),
        ];
        let expected = bloom(&notes, 2026).unwrap();
        assert_eq!(expected.seasons_n, 2);
        assert_eq!(expected.window.first(), date(2026, 2, 12));
        let mut noted = notes.to_vec();
        noted.push(note(date(2026, 2, 1), 59));
        let observed = bloom(&noted, 2026).unwrap();
        assert_eq!(
            (observed.seasons_n, observed.window.first()),
            (0, date(2026, 2, 3))
        );
    }

    #[test]
    fn without_notes_nothing_is_known() {
        assert_eq!(bloom(&[], 2026), None);
        assert_eq!(bloom(&[note(date(2026, 1, 3), 51)], 2026), None);
    }
}
