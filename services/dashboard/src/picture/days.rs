//! An axis of days, with what every picture along it shows: marks, labels of rows and a day that
//! stands out.

use jiff::civil::Date;
use maud::{Markup, html};

use super::{n, shortened, width_of};
use crate::words;

/// Upper edge of the first row.
pub(super) const TOP: f64 = 10.0;
/// Longest label of a row, in letters.
const LETTERS: usize = 26;
/// From the rows' foot to the picture's.
pub(super) const BELOW: f64 = 34.0;

/// Days from left to right, beside labels of rows.
pub(super) struct Days {
    axis: Axis,
    left: f64,
    length: f64,
}

impl Days {
    /// From a first to a last day over `length` pixels, right of the labels.
    pub fn new<'a>(
        first: Date,
        last: Date,
        length: f64,
        labels: impl IntoIterator<Item = &'a str>,
    ) -> Self {
        let widest = labels
            .into_iter()
            .map(|label| width_of(&shortened(label, LETTERS)))
            .fold(30.0, f64::max);
        Self {
            axis: Axis::new(first, last),
            left: widest + 14.0,
            length,
        }
    }

    /// Where a day lies.
    pub fn at(&self, day: Date) -> f64 {
        self.left + self.axis.share(day) * self.length
    }

    /// Right end of the axis.
    pub fn right(&self) -> f64 {
        self.left + self.length
    }

    /// Round days, down to the rows' foot.
    pub fn grid(&self, foot: f64) -> Markup {
        html! {
            @for (day, text) in self.axis.marks() {
                @let x = n(self.at(day));
                line.grid x1=(x) x2=(x) y1="4" y2=(n(foot)) {}
                text.mid.small.quiet x=(x) y=(n(foot + 14.0)) { (text) }
            }
        }
    }

    /// A day drawn through all rows, with its name below and what is said when it is pointed at.
    pub fn through(&self, day: Date, foot: f64, name: &str, said: &str) -> Markup {
        let x = n(self.at(day));
        html! {
            line.line.dashed x1=(x) x2=(x) y1="4" y2=(n(foot)) { title { (said) (words::day(&day.to_string())) } }
            text.mid.small x=(x) y=(n(foot + 28.0)) { (name) }
        }
    }

    /// A row's label at a height.
    pub fn label(&self, text: &str, y: f64) -> Markup {
        html! { text.end x=(n(self.left - 10.0)) y=(n(y)) { (shortened(text, LETTERS)) } }
    }

    /// The line below the rows.
    pub fn base(&self, foot: f64) -> Markup {
        html! { line.axis x1=(n(self.left)) x2=(n(self.right())) y1=(n(foot)) y2=(n(foot)) {} }
    }
}

/// A stretch of days along a picture.
struct Axis {
    first: Date,
    days: f64,
}

impl Axis {
    /// From a first to a last day.
    fn new(first: Date, last: Date) -> Self {
        let days = f64::from((last - first).get_days()).max(1.0);
        Self { first, days }
    }

    /// Where a day lies, as a share of the stretch.
    fn share(&self, day: Date) -> f64 {
        f64::from((day - self.first).get_days()) / self.days
    }

    /// Beginnings of years, of months when the whole is short, or of weeks when it is a season.
    fn marks(&self) -> Vec<(Date, String)> {
        let last = self
            .first
            .saturating_add(jiff::Span::new().days(self.days as i64));
        if self.days < 110.0 {
            let step = if self.days < 30.0 { 5 } else { 14 };
            return (0..=self.days as i64 / step)
                .map(|part| {
                    self.first
                        .saturating_add(jiff::Span::new().days(part * step))
                })
                .map(|day| (day, day.strftime("%-d %b").to_string()))
                .collect();
        }
        if self.days < 800.0 {
            let step = if self.days < 400.0 { 1 } else { 3 };
            let mut month = self.first.first_of_month();
            let mut marks = Vec::new();
            while month <= last {
                if month >= self.first && (month.month() - 1) % step == 0 {
                    marks.push((month, month.strftime("%b %y").to_string()));
                }
                month = month
                    .saturating_add(jiff::Span::new().months(1))
                    .first_of_month();
            }
            return marks;
        }
        let years = i32::from(last.year() - self.first.year());
        let step = i16::try_from((years / 9).max(1)).unwrap_or(1);
        (self.first.year() + 1..=last.year())
            .filter(|year| (year - self.first.year() - 1) % step == 0)
            .filter_map(|year| Some((Date::new(year, 1, 1).ok()?, year.to_string())))
            .collect()
    }
}
