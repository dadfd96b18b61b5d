//! Values with their intervals, across or upright.

use maud::html;

use super::scale::Scale;
use super::{Fill, Picture, n, paint, shortened, width_of};

const ROW: f64 = 22.0;
const TOP: f64 = 10.0;
const LENGTH: f64 = 430.0;

/// A value with its interval.
pub struct IntervalRow {
    /// What it belongs to.
    pub label: String,
    /// The value.
    pub value: f64,
    /// Its interval, where there is one.
    pub interval: Option<(f64, f64)>,
    /// Drawn as an open point, which the description explains.
    pub open: bool,
    /// What is written after it.
    pub text: String,
}

/// Values with intervals, one to a row.
pub struct Intervals {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// What is measured, along the axis.
    pub axis: String,
    /// A value to compare with, and its name.
    pub reference: Option<(f64, String)>,
    /// The rows.
    pub rows: Vec<IntervalRow>,
}

impl Intervals {
    /// Draws the values.
    pub fn draw(self) -> Picture {
        let name = |row: &IntervalRow| shortened(&row.label, 28);
        let labels = self
            .rows
            .iter()
            .map(|row| width_of(&name(row)))
            .fold(40.0, f64::max)
            + 12.0;
        let values = self.rows.iter().flat_map(|row| {
            let (low, high) = row.interval.unwrap_or((row.value, row.value));
            [low, row.value, high]
        });
        let scale = Scale::over(
            values.chain(self.reference.iter().map(|(v, _)| *v)),
            labels,
            labels + LENGTH,
            5,
        );
        let foot = TOP + ROW * self.rows.len() as f64;
        let body = html! {
            @for (value, text) in scale.marks() {
                @let x = n(scale.at(value));
                line.grid x1=(x) x2=(x) y1="2" y2=(n(foot)) {}
                text.mid.small.quiet x=(x) y=(n(foot + 14.0)) { (text) }
            }
            @if let Some((value, name)) = &self.reference {
                @let x = n(scale.at(*value));
                line.line.dashed x1=(x) x2=(x) y1="2" y2=(n(foot)) { title { (name) } }
                text.mid.small x=(x) y=(n(foot + 28.0)) { (name) }
            }
            @for (index, row) in self.rows.iter().enumerate() {
                @let y = TOP + ROW * (index as f64 + 0.5);
                text.end x=(n(labels - 8.0)) y=(n(y + 4.0)) { (name(row)) }
                @if let Some((low, high)) = row.interval {
                    @let (a, b) = (n(scale.at(low)), n(scale.at(high)));
                    line.thin x1=(a) x2=(b) y1=(n(y)) y2=(n(y)) {}
                    line.thin x1=(a) x2=(a) y1=(n(y - 4.0)) y2=(n(y + 4.0)) {}
                    line.thin x1=(b) x2=(b) y1=(n(y - 4.0)) y2=(n(y + 4.0)) {}
                }
                rect class=(if row.open { "point open" } else { "point" }) x=(n(scale.at(row.value) - 4.5)) y=(n(y - 4.5)) width="9" height="9" {
                    title { (row.label) ": " (row.text) }
                }
                text.small x=(n(labels + LENGTH + 10.0)) y=(n(y + 4.0)) { (row.text) }
            }
            line.axis x1=(n(labels)) x2=(n(labels + LENGTH)) y1=(n(foot)) y2=(n(foot)) {}
            text.mid.quiet x=(n(labels + LENGTH / 2.0)) y=(n(foot + 44.0)) { (self.axis) }
        };
        let texts = self
            .rows
            .iter()
            .map(|row| width_of(&row.text))
            .fold(0.0, f64::max);
        Picture {
            width: labels + LENGTH + 20.0 + texts,
            height: foot + 52.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

/// A column of a forecast: the mean with the intervals that hold half and nine tenths.
pub struct IntervalColumn {
    /// The year.
    pub label: String,
    /// The mean.
    pub mean: f64,
    /// Holds half; none where it is not known.
    pub half: Option<(f64, f64)>,
    /// Holds nine tenths.
    pub nine_tenths: (f64, f64),
    /// What came in truth.
    pub observed: Option<f64>,
}

/// Intervals upright, one column to a year.
pub struct Columns {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// What is measured, along the axis.
    pub axis: String,
    /// The columns.
    pub columns: Vec<IntervalColumn>,
}

impl Columns {
    /// Draws the columns.
    pub fn draw(self) -> Picture {
        let (left, top, height, column) = (48.0, 24.0, 220.0, 52.0);
        let values = self.columns.iter().flat_map(|c| {
            [
                c.nine_tenths.0,
                c.nine_tenths.1,
                c.mean,
                c.observed.unwrap_or(c.mean),
            ]
        });
        let scale = Scale::over(values.chain([0.0]), top + height, top, 5);
        let width = left + column * self.columns.len() as f64 + 12.0;
        let observed = self.columns.iter().any(|c| c.observed.is_some());
        let halves = self.columns.iter().any(|c| c.half.is_some());
        let body = html! {
            text.quiet x="4" y="14" { (self.axis) }
            @for (value, text) in scale.marks() {
                @let y = scale.at(value);
                line.grid x1=(n(left)) x2=(n(width - 8.0)) y1=(n(y)) y2=(n(y)) {}
                text.end.small.quiet x=(n(left - 6.0)) y=(n(y + 4.0)) { (text) }
            }
            @for (index, c) in self.columns.iter().enumerate() {
                @let x = left + column * (index as f64 + 0.5);
                @let (low, high) = (scale.at(c.nine_tenths.0), scale.at(c.nine_tenths.1));
                line.thin x1=(n(x)) x2=(n(x)) y1=(n(low)) y2=(n(high)) {}
                @for y in [low, high] { line.thin x1=(n(x - 5.0)) x2=(n(x + 5.0)) y1=(n(y)) y2=(n(y)) {} }
                @if let Some((from, to)) = c.half {
                    @let (a, b) = (scale.at(to), scale.at(from));
                    rect.edge x=(n(x - 8.0)) y=(n(a)) width="16" height=(n((b - a).max(1.0))) fill=(paint(&self.key, Fill::Rising)) {}
                }
                rect.point x=(n(x - 4.0)) y=(n(scale.at(c.mean) - 4.0)) width="8" height="8" {
                    title { (c.label) ": mean " (crate::words::measure(c.mean)) }
                }
                @if let Some(observed) = c.observed {
                    rect.point.open x=(n(x + 9.0)) y=(n(scale.at(observed) - 4.5)) width="9" height="9" {
                        title { (c.label) ": came " (crate::words::measure(observed)) }
                    }
                }
                text.mid.small x=(n(x)) y=(n(top + height + 18.0)) { (c.label) }
            }
            line.axis x1=(n(left)) x2=(n(width - 8.0)) y1=(n(scale.at(0.0))) y2=(n(scale.at(0.0))) {}
        };
        let mut legend = Vec::new();
        if halves {
            legend.push((Fill::Rising, "holds half of the runs".to_owned()));
        }
        let mut description = self.description;
        description.push_str(" Filled squares are means; lines hold nine tenths of the runs.");
        if observed {
            description.push_str(" Open squares are what came.");
        }
        Picture {
            width: width.max(320.0),
            height: top + height + 30.0,
            body,
            legend,
            key: self.key,
            title: self.title,
            description,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn intervals_tell_their_values_and_checks() {
        let row = |label: &str, value, open| IntervalRow {
            label: label.into(),
            value,
            interval: Some((value - 1.0, value + 1.0)),
            open,
            text: format!("{value} ± 0.5"),
        };
        let picture = Intervals {
            key: "means".into(),
            title: "Means".into(),
            description: "d".into(),
            axis: "°Brix".into(),
            reference: Some((12.0, "mean".into())),
            rows: vec![
                row("A & B", 13.5, false),
                row("Standard (check)", 11.0, true),
            ],
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        for wanted in ["13.5 ± 0.5", "Standard (check)", "°Brix", "mean"] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
    }

    #[test]
    fn columns_tell_their_years() {
        let picture = Columns {
            key: "forecast".into(),
            title: "Releases".into(),
            description: "d".into(),
            axis: "releases".into(),
            columns: vec![IntervalColumn {
                label: "2031".into(),
                mean: 1.4,
                half: Some((1.0, 2.0)),
                nine_tenths: (0.0, 4.0),
                observed: Some(2.0),
            }],
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        assert!(
            texts.iter().any(|t| t == "2031: mean 1.40")
                && texts.iter().any(|t| t == "2031: came 2.00")
        );
    }
}
