//! Points between two axes, with directions from the middle.

use maud::html;

use super::scale::Scale;
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
        let (left, top, width, height) = (52.0, 10.0, 520.0, 400.0);
        let all = || self.points.iter().chain(&self.directions);
        let across = Scale::over(all().map(|s| s.x).chain([0.0]), left, left + width, 6);
        let upright = Scale::over(all().map(|s| s.y).chain([0.0]), top + height, top, 6);
        let labelled = self.points.len() <= 40;
        let body = html! {
            @for (value, text) in across.marks() {
                @let x = n(across.at(value));
                line.grid x1=(x) x2=(x) y1=(n(top)) y2=(n(top + height)) {}
                text.mid.small.quiet x=(x) y=(n(top + height + 15.0)) { (text) }
            }
            @for (value, text) in upright.marks() {
                @let y = upright.at(value);
                line.grid x1=(n(left)) x2=(n(left + width)) y1=(n(y)) y2=(n(y)) {}
                text.end.small.quiet x=(n(left - 6.0)) y=(n(y + 4.0)) { (text) }
            }
            line.axis x1=(n(across.at(0.0))) x2=(n(across.at(0.0))) y1=(n(top)) y2=(n(top + height)) {}
            line.axis x1=(n(left)) x2=(n(left + width)) y1=(n(upright.at(0.0))) y2=(n(upright.at(0.0))) {}
            @for spot in &self.directions {
                @let (x, y) = (across.at(spot.x), upright.at(spot.y));
                line.line x1=(n(across.at(0.0))) y1=(n(upright.at(0.0))) x2=(n(x)) y2=(n(y)) { title { (spot.label) } }
                text.strong x=(n(x + 5.0)) y=(n(y - 4.0)) { (shortened(&spot.label, 20)) }
            }
            @for spot in &self.points {
                @let (x, y) = (across.at(spot.x), upright.at(spot.y));
                rect.point x=(n(x - 3.5)) y=(n(y - 3.5)) width="7" height="7" { title { (spot.label) } }
                @if labelled { text.small x=(n(x + 6.0)) y=(n(y + 4.0)) { (shortened(&spot.label, 16)) } }
            }
            text.mid.quiet x=(n(left + width / 2.0)) y=(n(top + height + 34.0)) { (self.axes.0) " →" }
            text.quiet x="4" y=(n(top + height + 34.0)) { "↑ " (self.axes.1) }
        };
        Picture {
            width: left + width + 110.0,
            height: top + height + 44.0,
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
