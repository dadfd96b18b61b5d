//! Points between two measured axes, with lines to compare them with.

use maud::html;

use super::frame::{Area, Frame};
use super::{Picture, n};

/// A point of a plot.
pub struct PlotPoint {
    /// What is told when one points at it.
    pub title: String,
    /// Along the level axis.
    pub x: f64,
    /// Along the upright axis.
    pub y: f64,
}

/// A set of points that belong together.
pub struct Series {
    /// What they are; written at the last point of a line.
    pub name: String,
    /// Drawn open, which the description explains.
    pub open: bool,
    /// Whether a line joins them in their order.
    pub joined: bool,
    /// The points.
    pub dots: Vec<PlotPoint>,
}

/// A line to compare points with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Guide {
    /// No line.
    None,
    /// Level, at a height.
    Level(f64),
    /// Where both axes have the same value.
    Equal,
}

/// A plot of one or several sets of points.
pub struct Plot {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Names of the axes, the level one first.
    pub axes: (String, String),
    /// The line to compare with.
    pub guide: Guide,
    /// The points.
    pub series: Vec<Series>,
}

impl Plot {
    /// Draws the points.
    pub fn draw(self) -> Picture {
        let area = Area {
            left: 56.0,
            top: 24.0,
            width: 460.0,
            height: 280.0,
        };
        let dots = || self.series.iter().flat_map(|s| &s.dots);
        let level = match self.guide {
            Guide::Level(y) => Some(y),
            _ => None,
        };
        let frame = Frame::over(area, dots().map(|d| d.x), dots().map(|d| d.y).chain(level));
        let side = match dots().count() {
            0..=60 => 8.0,
            61..=600 => 6.0,
            _ => 4.0,
        };
        let ends = self.series.iter().any(|s| s.joined && !s.name.is_empty());
        let body = html! {
            text.quiet x="4" y="14" { (self.axes.1) }
            (frame.grid())
            (frame.level(area.foot(), "axis"))
            (frame.plumb(area.left, "axis"))
            @for series in &self.series {
                @if series.joined && series.dots.len() > 1 {
                    polyline.line points=(frame.path(series.dots.iter().map(|d| (d.x, d.y)))) {}
                }
                @for dot in &series.dots {
                    @let (x, y) = frame.at(dot.x, dot.y);
                    rect class=(if series.open { "point open" } else { "point" })
                        x=(n(x - side / 2.0)) y=(n(y - side / 2.0))
                        width=(n(side)) height=(n(side)) {
                        title { (dot.title) }
                    }
                }
                @if series.joined && let Some(last) = series.dots.last() {
                    @let (x, y) = frame.at(last.x, last.y);
                    text.small x=(n(x + 8.0)) y=(n(y + 4.0)) { (series.name) }
                }
            }
            @match self.guide {
                Guide::None => {}
                Guide::Level(y) => (frame.level(frame.upright.at(y), "line dashed")),
                Guide::Equal => {
                    @let (from, to) = shared(dots());
                    polyline.line.dashed points=(frame.path([(from, from), (to, to)])) {}
                }
            }
            text.mid.quiet x=(n(area.middle())) y=(n(area.foot() + 36.0)) { (self.axes.0) }
        };
        Picture {
            width: area.right() + if ends { 130.0 } else { 16.0 },
            height: area.foot() + 46.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

/// The values that both axes reach.
fn shared<'a>(dots: impl Iterator<Item = &'a PlotPoint>) -> (f64, f64) {
    let (mut x, mut y) = (
        (f64::INFINITY, f64::NEG_INFINITY),
        (f64::INFINITY, f64::NEG_INFINITY),
    );
    for dot in dots {
        x = (x.0.min(dot.x), x.1.max(dot.x));
        y = (y.0.min(dot.y), y.1.max(dot.y));
    }
    let (from, to) = (x.0.max(y.0), x.1.min(y.1));
    if from < to { (from, to) } else { (0.0, 0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    fn plot(guide: Guide) -> Plot {
        let dot = |x: f64, y: f64| PlotPoint {
            title: format!("tree at {x} & {y}"),
            x,
            y,
        };
        Plot {
            key: "plot".into(),
            title: "Residuals".into(),
            description: "d".into(),
            axes: ("fitted".into(), "residual".into()),
            guide,
            series: vec![
                Series {
                    name: "along rows".into(),
                    open: false,
                    joined: true,
                    dots: vec![dot(1.0, 0.5), dot(2.0, -0.5), dot(3.0, 1.5)],
                },
                Series {
                    name: "along columns".into(),
                    open: true,
                    joined: false,
                    dots: vec![dot(1.5, 1.0)],
                },
            ],
        }
    }

    #[test]
    fn a_plot_tells_its_points_and_names_its_lines() {
        for guide in [Guide::None, Guide::Level(0.0), Guide::Equal] {
            let svg = plot(guide).draw().svg().into_string();
            let texts = texts(&svg);
            assert!(texts.iter().any(|t| t == "along rows"), "{svg}");
            assert!(texts.iter().any(|t| t.contains("tree at 2")), "{svg}");
            assert_eq!(svg.contains("dashed"), guide != Guide::None);
        }
    }

    #[test]
    fn a_plot_without_points_is_still_a_picture() {
        let mut empty = plot(Guide::Equal);
        empty.series.clear();
        texts(&empty.draw().svg().into_string());
    }
}
