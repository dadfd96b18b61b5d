//! Days that are not certain: a stretch for each, with its middle and what was seen.

use jiff::civil::Date;
use maud::html;

use super::days::{BELOW, Days, TOP};
use super::{Fill, Picture, n, paint, width_of};
use crate::words;

const BAR: f64 = 11.0;
const APART: f64 = 4.0;
const BETWEEN: f64 = 10.0;
const LENGTH: f64 = 600.0;

/// A day that is not certain.
pub struct UncertainDay {
    /// What comes on it.
    pub what: String,
    /// The stretch that holds it with the probability told in the description.
    pub from: Date,
    /// End of the stretch; none when it may not come within the picture.
    pub to: Option<Date>,
    /// The day that is as likely passed as not.
    pub middle: Option<Date>,
    /// The day on which it was seen.
    pub seen: Option<Date>,
    /// How the stretch is filled.
    pub fill: Fill,
}

/// What a row is about with its days.
pub struct UncertainRow {
    /// What it is about.
    pub label: String,
    /// Written at the end of the row.
    pub note: String,
    /// Its days, one below the other.
    pub days: Vec<UncertainDay>,
}

/// Rows of days that are not certain.
pub struct UncertainDays {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// The day up to which all is known, drawn across.
    pub known_until: Option<Date>,
    /// The rows.
    pub rows: Vec<UncertainRow>,
    /// What the fills mean.
    pub legend: Vec<(Fill, String)>,
}

impl UncertainDays {
    /// Draws the rows; none when there is no day.
    pub fn draw(self) -> Option<Picture> {
        let days = || {
            self.rows.iter().flat_map(|row| &row.days).flat_map(|day| {
                [Some(day.from), day.to, day.middle, day.seen]
                    .into_iter()
                    .flatten()
            })
        };
        let (first, last) = (days().min()?, days().max()?);
        let labels = self.rows.iter().map(|row| row.label.as_str());
        let axis = Days::new(first, last, LENGTH, labels);
        let at = |day: Date| axis.at(day);
        let mut y = TOP;
        let mut placed = Vec::new();
        for row in &self.rows {
            let height = (BAR + APART) * row.days.len().max(1) as f64 - APART;
            placed.push((row, y, height));
            y += height + BETWEEN;
        }
        let foot = y;
        let known_until = self.known_until.filter(|day| (first..=last).contains(day));
        let body = html! {
            (axis.grid(foot))
            @if let Some(day) = known_until {
                (axis.through(day, foot, "known until here", "Temperatures known until "))
            }
            @for (row, y, height) in &placed {
                (axis.label(&row.label, y + height / 2.0 + 4.0))
                text.small.quiet x=(n(axis.right() + 10.0)) y=(n(y + height / 2.0 + 4.0)) { (row.note) }
                @for (place, day) in row.days.iter().enumerate() {
                    @let y = y + (BAR + APART) * place as f64;
                    @let x = at(day.from);
                    @let end = day.to.map_or(axis.right(), &at);
                    rect.edge x=(n(x)) y=(n(y)) width=(n((end - x).max(3.0))) height=(n(BAR)) fill=(paint(&self.key, day.fill)) {
                        title { (row.label) ", " (day.what) ": " (words::day(&day.from.to_string())) " to " (day.to.map_or("beyond the season".to_owned(), |to| words::day(&to.to_string()))) }
                    }
                    @if let Some(middle) = day.middle {
                        @let x = n(at(middle));
                        line.line x1=(x) x2=(x) y1=(n(y - 2.0)) y2=(n(y + BAR + 2.0)) { title { (row.label) ", " (day.what) ": " (words::day(&middle.to_string())) } }
                    }
                    @if let Some(seen) = day.seen {
                        rect.point.open x=(n(at(seen) - 4.5)) y=(n(y + BAR / 2.0 - 4.5)) width="9" height="9" {
                            title { (row.label) ", " (day.what) " seen on " (words::day(&seen.to_string())) }
                        }
                    }
                }
            }
            (axis.base(foot))
        };
        let notes = self
            .rows
            .iter()
            .map(|row| width_of(&row.note) * 0.9)
            .fold(0.0, f64::max);
        Some(Picture {
            width: axis.right() + 20.0 + notes,
            height: foot + BELOW,
            body,
            legend: self.legend,
            key: self.key,
            title: self.title,
            description: self.description,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;
    use jiff::civil::date;

    #[test]
    fn uncertain_days_tell_their_stretch_their_middle_and_what_was_seen() {
        let picture = UncertainDays {
            key: "bloom".into(),
            title: "Bloom".into(),
            description: "d".into(),
            known_until: Some(date(2026, 2, 6)),
            rows: vec![UncertainRow {
                label: "Amber & Ash".into(),
                note: "6 passes".into(),
                days: vec![
                    UncertainDay {
                        what: "BBCH 59".into(),
                        from: date(2026, 2, 1),
                        to: Some(date(2026, 2, 9)),
                        middle: Some(date(2026, 2, 5)),
                        seen: Some(date(2026, 2, 6)),
                        fill: Fill::Plain,
                    },
                    UncertainDay {
                        what: "BBCH 69".into(),
                        from: date(2026, 2, 14),
                        to: None,
                        middle: None,
                        seen: None,
                        fill: Fill::Falling,
                    },
                ],
            }],
            legend: vec![],
        };
        let texts = texts(&picture.draw().unwrap().svg().into_string()).join("|");
        for wanted in [
            "1 Feb 2026 to 9 Feb 2026",
            "seen on",
            "14 Feb 2026 to beyond the season",
            "6 passes",
            "known until here",
        ] {
            assert!(
                texts.contains(wanted) || texts.replace('|', "").contains(wanted),
                "{wanted} in {texts}"
            );
        }
    }
}
