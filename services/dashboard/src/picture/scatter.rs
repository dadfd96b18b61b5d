//! Points between two axes, with directions from the middle.

use maud::html;

use super::frame::{Area, Frame};
use super::{Picture, n, shortened};

/// A point or the end of a direction.
pub struct Spot {
    /// Its name.
    pub label: String,
    /// Along the first axis.
    pub x: f64,
    /// Along the second axis.
    pub y: f64,
}

/// Entries as points and environments as directions.
pub struct Biplot {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Names of the axes.
    pub axes: (String, String),
    /// Points.
    pub points: Vec<Spot>,
    /// Directions from the middle.
    pub directions: Vec<Spot>,
}

impl Biplot {
    /// Draws the points.
    pub fn draw(self) -> Picture {
        let area = Area {
            left: 52.0,
            top: 10.0,
            width: 520.0,
            height: 400.0,
        };
        let all = || self.points.iter().chain(&self.directions);
        let frame = Frame::over(
            area,
            all().map(|s| s.x).chain([0.0]),
            all().map(|s| s.y).chain([0.0]),
        );
        let origin = frame.at(0.0, 0.0);
        let labelled = self.points.len() <= 40;
        let body = html! {
            (frame.grid())
            (frame.plumb(origin.0, "axis"))
            (frame.level(origin.1, "axis"))
            @for spot in &self.directions {
                @let (x, y) = frame.at(spot.x, spot.y);
                line.line x1=(n(origin.0)) y1=(n(origin.1)) x2=(n(x)) y2=(n(y)) { title { (spot.label) } }
                text.strong x=(n(x + 5.0)) y=(n(y - 4.0)) { (shortened(&spot.label, 20)) }
            }
            @for spot in &self.points {
                @let (x, y) = frame.at(spot.x, spot.y);
                rect.point x=(n(x - 3.5)) y=(n(y - 3.5)) width="7" height="7" { title { (spot.label) } }
                @if labelled { text.small x=(n(x + 6.0)) y=(n(y + 4.0)) { (shortened(&spot.label, 16)) } }
            }
            text.mid.quiet x=(n(area.middle())) y=(n(area.foot() + 34.0)) { (self.axes.0) " →" }
            text.quiet x="4" y=(n(area.foot() + 34.0)) { "↑ " (self.axes.1) }
        };
        Picture {
            width: area.right() + 110.0,
            height: area.foot() + 44.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn a_biplot_names_points_and_directions() {
        let spot = |label: &str, x, y| Spot {
            label: label.into(),
            x,
            y,
        };
        let picture = Biplot {
            key: "gge".into(),
            title: "Biplot".into(),
            description: "d".into(),
            axes: ("first".into(), "second".into()),
            points: vec![spot("entry 1", 0.4, -0.2)],
            directions: vec![spot("north 2025", -0.5, 0.7)],
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        assert!(texts.iter().any(|t| t == "entry 1") && texts.iter().any(|t| t == "north 2025"));
    }
}
