//! A winter as models need it: hours without gaps, each with where it comes from.

use jiff::ToSpan as _;
use jiff::civil::{Date, DateTime};
use phenology::daylength::Latitude;
use phenology::hourly::{DailyExtremes, hourly_from_daily};
use phenology::series::{CompleteHours, Fill, HourlySeries, Origin};
use phenology::temperature::{Celsius, TemperatureUnit};

use super::weather::{Days, HOURS};

/// Longest gaps that are bridged, hours: by a straight line, and by the days around them.
const STRAIGHT_LINE_H: usize = 3;
const NEIGHBOURING_DAYS_H: usize = 72;

/// Hours that were not measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Filled {
    /// First hour.
    pub from: DateTime,
    /// How many.
    pub hours_n: usize,
    /// By what means.
    pub how: Origin,
}

/// The word for a way of filling.
pub fn origin_word(origin: Origin) -> &'static str {
    match origin {
        Origin::Measured => "measured",
        Origin::StraightLine => "straight_line",
        Origin::NeighbouringDays => "neighbouring_days",
        Origin::OtherSeries => "other_series",
        Origin::DailyExtremes => "daily_extremes",
    }
}

/// A station's hours without gaps, as far as they go.
#[derive(Debug, Clone)]
pub struct Winter {
    /// The hours.
    pub hours: CompleteHours,
    /// Where each comes from.
    pub origins: Vec<Origin>,
    /// The gap that they end at, when something is known after it.
    pub ends_at_gap: Option<DateTime>,
    /// Whether the first hours asked for are missing.
    pub begins_late: bool,
}

impl Winter {
    /// Builds hours from `from` to `until` (both whole days): measured ones, then short gaps by a
    /// straight line, the day's extremes, other stations of the site, and the days around. None
    /// when there is nothing.
    pub fn build(
        days: &Days,
        others: &[Days],
        latitude: Latitude,
        from: Date,
        until: Date,
    ) -> Option<Self> {
        let series = measured(days, from, until);
        let extremes = reconstructed(days, latitude, from, until);
        let start = [series.as_ref(), extremes.as_ref()]
            .into_iter()
            .flatten()
            .map(HourlySeries::start)
            .min()?;
        let end = [series.as_ref(), extremes.as_ref()]
            .into_iter()
            .flatten()
            .map(|s| {
                s.start()
                    .saturating_add(i64::try_from(s.hours().len()).unwrap_or(0).hours())
            })
            .max()?;
        let hours_n = usize::try_from(end.duration_since(start).as_hours()).ok()?;
        let open = vec![None; hours_n];
        let mut whole =
            HourlySeries::from_hours(start, &open, TemperatureUnit::CelsiusConfirmed).ok()?;
        if let Some(series) = &series {
            whole = whole.filled_from(series);
        }
        // What was measured here is no other series: only origins after this point are told.
        let own: Vec<bool> = whole.hours().iter().map(Option::is_some).collect();
        whole = whole.filled(Fill::StraightLine {
            longest_h: STRAIGHT_LINE_H,
        });
        if let Some(extremes) = &extremes {
            whole = whole.filled_from(extremes);
        }
        for other in others {
            for series in [
                measured(other, from, until),
                reconstructed(other, latitude, from, until),
            ]
            .into_iter()
            .flatten()
            {
                whole = whole.filled_from(&series);
            }
        }
        whole = whole.filled(Fill::NeighbouringDays {
            longest_h: NEIGHBOURING_DAYS_H,
        });
        let gap = whole.gaps().first().copied();
        let usable = gap.map_or(hours_n, |gap| {
            usize::try_from(gap.from.duration_since(start).as_hours()).unwrap_or(0)
        });
        let readings = whole
            .hours()
            .iter()
            .take(usable)
            .copied()
            .map_while(|reading| reading);
        let (hours, origins): (Vec<Celsius>, Vec<Origin>) = readings
            .zip(own)
            .map(|(reading, own)| {
                (
                    reading.temperature,
                    if own {
                        Origin::Measured
                    } else {
                        reading.origin
                    },
                )
            })
            .unzip();
        Some(Self {
            hours: CompleteHours::new(start, hours),
            origins,
            ends_at_gap: gap.map(|gap| gap.from),
            begins_late: start.date() > from,
        })
    }

    /// The part up to the end of a day.
    #[must_use]
    pub fn until(&self, day: Date) -> Self {
        let end = day.tomorrow().unwrap_or(day).at(0, 0, 0, 0);
        let hours = self.hours.until(end);
        let origins = self.origins[..hours.hours().len()].to_vec();
        Self {
            ends_at_gap: self.ends_at_gap.filter(|gap| *gap < end),
            hours,
            origins,
            ..*self
        }
    }

    /// Hours that were not measured.
    pub fn filled_n(&self) -> usize {
        self.origins
            .iter()
            .filter(|origin| **origin != Origin::Measured)
            .count()
    }

    /// Runs of hours that were not measured.
    pub fn fills(&self) -> Vec<Filled> {
        let mut fills = Vec::new();
        let mut index = 0;
        for run in self.origins.chunk_by(|a, b| a == b) {
            if run[0] != Origin::Measured {
                fills.push(Filled {
                    from: self.hours.at(index),
                    hours_n: run.len(),
                    how: run[0],
                });
            }
            index += run.len();
        }
        fills
    }
}

fn measured(days: &Days, from: Date, until: Date) -> Option<HourlySeries> {
    let with_hours = || {
        days.range(from..=until)
            .filter(|(_, day)| day.hours.iter().any(Option::is_some))
    };
    let (first, last) = (*with_hours().next()?.0, *with_hours().next_back()?.0);
    let mut hours: Vec<Option<f64>> = Vec::new();
    let mut day = first;
    while day <= last {
        hours.extend(days.get(&day).map_or([None; HOURS], |day| day.hours));
        day = day.tomorrow().ok()?;
    }
    let lead = hours.iter().take_while(|hour| hour.is_none()).count();
    while hours.last().is_some_and(Option::is_none) {
        hours.pop();
    }
    let start = first
        .at(0, 0, 0, 0)
        .checked_add(i64::try_from(lead).ok()?.hours())
        .ok()?;
    HourlySeries::from_hours(start, &hours[lead..], TemperatureUnit::CelsiusConfirmed).ok()
}

fn reconstructed(days: &Days, latitude: Latitude, from: Date, until: Date) -> Option<HourlySeries> {
    let extremes: Vec<DailyExtremes> = days
        .range(from..=until)
        .filter_map(|(&date, day)| {
            day.extremes
                .map(|(min_c, max_c)| DailyExtremes { date, min_c, max_c })
        })
        .collect();
    hourly_from_daily(&extremes, latitude, TemperatureUnit::CelsiusConfirmed).ok()
}

/// First and last day of the winter and spring that lead to the bloom of a year.
pub fn season_days(year: i16, latitude: Latitude) -> Option<(Date, Date)> {
    if latitude.degrees() >= 0.0 {
        Some((
            Date::new(year.checked_sub(1)?, 10, 1).ok()?,
            Date::new(year, 6, 30).ok()?,
        ))
    } else {
        Some((Date::new(year, 4, 1).ok()?, Date::new(year, 12, 31).ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::weather::DayRecord;
    use jiff::civil::{date, datetime};

    #[test]
    fn gaps_are_filled_by_the_nearest_means_and_flagged() {
        let mut days: Days = Days::new();
        for d in 1..=10 {
            let hours = std::array::from_fn(|h| Some(5.0 + (h as f64 - 12.0) / 6.0));
            days.insert(
                date(2026, 1, d),
                DayRecord {
                    hours,
                    extremes: None,
                },
            );
        }
        days.get_mut(&date(2026, 1, 3)).unwrap().hours[5] = None;
        let fifth = days.get_mut(&date(2026, 1, 5)).unwrap();
        fifth.hours = [None; 24];
        fifth.extremes = Some((2.0, 9.0));
        days.get_mut(&date(2026, 1, 7)).unwrap().hours[0..12].fill(None);
        let latitude = Latitude::new(45.0).unwrap();
        let winter =
            Winter::build(&days, &[], latitude, date(2025, 10, 1), date(2026, 6, 30)).unwrap();
        assert_eq!(winter.hours.hours().len(), 240);
        let how: Vec<_> = winter
            .fills()
            .iter()
            .map(|fill| (fill.how, fill.hours_n))
            .collect();
        assert_eq!(
            how,
            [
                (Origin::StraightLine, 1),
                (Origin::DailyExtremes, 24),
                (Origin::NeighbouringDays, 12),
            ]
        );
        assert!(winter.begins_late && winter.ends_at_gap.is_none());
        let mut broken = days.clone();
        for d in 4..=8 {
            broken.remove(&date(2026, 1, d));
        }
        let cut =
            Winter::build(&broken, &[], latitude, date(2025, 10, 1), date(2026, 6, 30)).unwrap();
        assert_eq!(cut.ends_at_gap, Some(datetime(2026, 1, 4, 0, 0, 0, 0)));
        let helped = Winter::build(
            &broken,
            &[days],
            latitude,
            date(2025, 10, 1),
            date(2026, 6, 30),
        )
        .unwrap();
        assert_eq!(helped.hours.hours().len(), 240);
        assert!(
            helped
                .fills()
                .iter()
                .any(|fill| fill.how == Origin::OtherSeries)
        );
    }
}
