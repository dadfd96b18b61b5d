//! Forecast counts against what came.

use maud::html;

use super::frame::{Area, Frame};
use super::{Picture, n};
use crate::words;

/// One count forecast and come.
pub struct Held {
    /// What was forecast and when.
    pub label: String,
    /// The mean forecast.
    pub mean: f64,
    /// Holds nine tenths.
    pub nine_tenths: (f64, f64),
    /// What came.
    pub came: f64,
    /// Drawn as an open square, which the description explains.
    pub open: bool,
}

/// Forecasts along, what came upright; where both agree lies on the line.
pub struct Calibration {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// What is counted.
    pub counted: String,
    /// The cases.
    pub cases: Vec<Held>,
}

impl Calibration {
    /// Draws the cases.
    pub fn draw(self) -> Picture {
        let area = Area {
            left: 52.0,
            top: 10.0,
            width: 400.0,
            height: 400.0,
        };
        let values = || {
            self.cases
                .iter()
                .flat_map(|c| [c.nine_tenths.1, c.mean, c.came])
                .chain([0.0, 1.0])
        };
        let frame = Frame::over(area, values(), values());
        let Frame {
            across, upright, ..
        } = &frame;
        let end = across.marks().last().map_or(1.0, |(value, _)| *value);
        let body = html! {
            (frame.grid())
            line.line.dashed x1=(n(across.at(0.0))) y1=(n(upright.at(0.0))) x2=(n(across.at(end))) y2=(n(upright.at(end))) {
                title { "forecast and outcome agree" }
            }
            @for c in &self.cases {
                @let y = n(upright.at(c.came));
                line.thin x1=(n(across.at(c.nine_tenths.0))) x2=(n(across.at(c.nine_tenths.1))) y1=(y) y2=(y) {}
            }
            @for c in &self.cases {
                @let (x, y) = frame.at(c.mean, c.came);
                rect class=(if c.open { "point open" } else { "point" }) x=(n(x - 3.5)) y=(n(y - 3.5)) width="7" height="7" {
                    title { (c.label) ": forecast " (words::measure(c.mean)) ", came " (words::measure(c.came)) }
                }
            }
            text.mid.quiet x=(n(area.middle())) y=(n(area.foot() + 34.0)) { (self.counted) ", forecast →" }
            text.quiet x="4" y=(n(area.foot() + 34.0)) { "↑ came" }
        };
        Picture {
            width: area.right() + 24.0,
            height: area.foot() + 44.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: format!(
                "{} Level lines hold nine tenths of a forecast's runs; on the dashed line forecast and outcome agree.",
                self.description
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn each_case_tells_what_was_forecast_and_what_came() {
        let picture = Calibration {
            key: "c".into(),
            title: "Forecasts".into(),
            description: "d.".into(),
            counted: "releases".into(),
            cases: vec![Held {
                label: "2019".into(),
                mean: 1.2,
                nine_tenths: (0.0, 3.0),
                came: 2.0,
                open: true,
            }],
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        for wanted in [
            "2019: forecast 1.20, came 2.00",
            "releases, forecast →",
            "↑ came",
        ] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
    }
}
