//! What lasted from when to when, and what happened on a day.

use jiff::civil::Date;
use maud::html;

use super::days::{BELOW, Days, TOP};
use super::{Fill, Picture, n, paint, width_of};
use crate::words;

const ROW: f64 = 30.0;
const LENGTH: f64 = 620.0;

/// A stretch of time.
pub struct Span {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// What it was.
    pub text: String,
    /// How it is filled.
    pub fill: Fill,
}

/// A day on which something happened or is due.
pub struct Mark {
    /// The day.
    pub on: Date,
    /// What it was.
    pub text: String,
    /// Drawn open: not yet come.
    pub open: bool,
}

/// A line of the picture.
#[derive(Default)]
pub struct TimelineRow {
    /// What it is about.
    pub label: String,
    /// What lasted.
    pub spans: Vec<Span>,
    /// What happened.
    pub marks: Vec<Mark>,
}

/// Lines of time, one above the other.
pub struct Timeline {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// The present day, drawn across.
    pub today: Option<Date>,
    /// The lines.
    pub rows: Vec<TimelineRow>,
    /// What the fills mean.
    pub legend: Vec<(Fill, String)>,
}

impl Timeline {
    /// Draws the lines; none when nothing happened on any day.
    pub fn draw(self) -> Option<Picture> {
        let days = || {
            self.rows
                .iter()
                .flat_map(|row| {
                    let spans = row.spans.iter().flat_map(|s| [s.from, s.to]);
                    spans.chain(row.marks.iter().map(|m| m.on))
                })
                .chain(self.today)
        };
        let (first, last) = (days().min()?, days().max()?);
        if self
            .rows
            .iter()
            .all(|row| row.spans.is_empty() && row.marks.is_empty())
        {
            return None;
        }
        let labels = self.rows.iter().map(|row| row.label.as_str());
        let days = Days::new(first, last, LENGTH, labels);
        let at = |day: Date| days.at(day);
        let foot = TOP + ROW * self.rows.len() as f64;
        let body = html! {
            (days.grid(foot))
            @if let Some(today) = self.today {
                (days.through(today, foot, "today", "Today, "))
            }
            @for (index, row) in self.rows.iter().enumerate() {
                @let y = TOP + ROW * index as f64;
                (days.label(&row.label, y + 16.0))
                @for span in &row.spans {
                    @let (x, end) = (at(span.from), at(span.to));
                    rect.edge x=(n(x)) y=(n(y + 2.0)) width=(n((end - x).max(2.0))) height="20" fill=(paint(&self.key, span.fill)) {
                        title { (span.text) ", " (words::day(&span.from.to_string())) " to " (words::day(&span.to.to_string())) }
                    }
                }
                @for (mark, room) in with_room(&row.marks, &at, days.right()) {
                    @let x = at(mark.on);
                    rect class=(if mark.open { "point open" } else { "point" }) x=(n(x - 4.5)) y=(n(y + 7.5)) width="9" height="9" {
                        title { (mark.text) ", " (words::day(&mark.on.to_string())) }
                    }
                    @if width_of(&mark.text) * 0.85 + 10.0 < room {
                        rect.plate x=(n(x + 6.0)) y=(n(y + 6.0)) width=(n(width_of(&mark.text) * 0.85 + 6.0)) height="13" {}
                        text.small x=(n(x + 8.0)) y=(n(y + 16.0)) { (mark.text) }
                    }
                }
            }
            (days.base(foot))
        };
        Some(Picture {
            width: days.right() + 60.0,
            height: foot + BELOW,
            body,
            legend: self.legend,
            key: self.key,
            title: self.title,
            description: self.description,
        })
    }
}

/// Marks with the room up to the next one.
fn with_room<'a>(marks: &'a [Mark], at: &dyn Fn(Date) -> f64, end: f64) -> Vec<(&'a Mark, f64)> {
    let mut sorted: Vec<&Mark> = marks.iter().collect();
    sorted.sort_by_key(|mark| mark.on);
    let next = sorted
        .iter()
        .skip(1)
        .map(|mark| at(mark.on) - 6.0)
        .chain([end + 60.0]);
    sorted
        .iter()
        .zip(next)
        .map(|(mark, next)| (*mark, next - at(mark.on)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;
    use jiff::civil::date;

    #[test]
    fn a_timeline_tells_what_lasted_and_what_happened() {
        let picture = Timeline {
            key: "life".into(),
            title: "Life".into(),
            description: "d".into(),
            today: Some(date(2026, 2, 14)),
            rows: vec![TimelineRow {
                label: "stages".into(),
                spans: vec![Span {
                    from: date(2012, 3, 1),
                    to: date(2019, 6, 30),
                    text: "budded".into(),
                    fill: Fill::Rising,
                }],
                marks: vec![Mark {
                    on: date(2024, 5, 2),
                    text: "filed & paid".into(),
                    open: false,
                }],
            }],
            legend: vec![],
        }
        .draw()
        .unwrap();
        let texts = texts(&picture.svg().into_string()).join("|");
        for wanted in [
            "budded, 1 Mar 2012 to 30 Jun 2019",
            "filed",
            "2 May 2024",
            "today",
        ] {
            assert!(texts.contains(wanted), "{wanted} in {texts}");
        }
    }

    #[test]
    fn nothing_is_not_drawn() {
        let empty = Timeline {
            key: "life".into(),
            title: String::new(),
            description: String::new(),
            today: Some(date(2026, 2, 14)),
            rows: vec![TimelineRow::default()],
            legend: vec![],
        };
        assert!(empty.draw().is_none());
    }
}
