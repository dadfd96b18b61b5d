//! Lines between two axes, each named at its end.

use maud::html;

use super::frame::{Area, Frame};
use super::scale::Scale;
use super::{Picture, n, shortened, width_of};

/// How a line is drawn; what it means is written at its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// The line that the picture is about.
    Strong,
    /// A line to compare with.
    Faint,
    /// A mean or a rule.
    Dashed,
}

impl Stroke {
    fn class(self) -> &'static str {
        match self {
            Self::Strong => "line heavy",
            Self::Faint => "line faint",
            Self::Dashed => "line dashed",
        }
    }
}

/// One line.
pub struct Line {
    /// Its name.
    pub label: String,
    /// Points from left to right.
    pub points: Vec<(f64, f64)>,
    /// How it is drawn.
    pub stroke: Stroke,
}

/// A point beside the lines.
pub struct Dot {
    /// Its name.
    pub label: String,
    /// Along the axis below.
    pub x: f64,
    /// Along the upright axis.
    pub y: f64,
    /// Drawn open.
    pub open: bool,
}

/// Lines between two axes.
pub struct Lines {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Names of the axes: below, and upright.
    pub axes: (String, String),
    /// Marks of the axis below with their texts; round values when there are none.
    pub across: Vec<(f64, String)>,
    /// Whether the upright axis begins at 0.
    pub from_zero: bool,
    /// The lines.
    pub lines: Vec<Line>,
    /// Points.
    pub dots: Vec<Dot>,
}

const AREA: Area = Area {
    left: 56.0,
    top: 24.0,
    width: 560.0,
    height: 300.0,
};
const NAME: f64 = 13.0;

impl Lines {
    /// Draws the lines; none when there is no point.
    pub fn draw(self) -> Option<Picture> {
        let all = || {
            let of_lines = self
                .lines
                .iter()
                .flat_map(|line| line.points.iter().copied());
            of_lines.chain(self.dots.iter().map(|dot| (dot.x, dot.y)))
        };
        all().next()?;
        let xs = all().map(|(x, _)| x).chain(self.across.iter().map(|m| m.0));
        let floor = self.from_zero.then_some(0.0);
        let frame = Frame::over(AREA, xs, all().map(|(_, y)| y).chain(floor));
        let names = self.names(&frame.upright);
        let room = names
            .iter()
            .map(|(name, _)| width_of(name))
            .fold(20.0, f64::max);
        let foot = AREA.foot();
        let body = html! {
            text.quiet x="4" y="14" { "↑ " (self.axes.1) }
            @if self.across.is_empty() { (frame.grid()) } @else { (frame.grid_at(&self.across)) }
            @for line in &self.lines {
                polyline class=(line.stroke.class()) points=(frame.path(line.points.iter().copied())) { title { (line.label) } }
            }
            @for (place, dot) in self.dots.iter().enumerate() {
                @let (x, y) = frame.at(dot.x, dot.y);
                rect class=(if dot.open { "point open" } else { "point" }) x=(n(x - 4.5)) y=(n(y - 4.5)) width="9" height="9" { title { (dot.label) } }
                // Points that lie together are named above and below.
                @let base = if place % 2 == 0 { y + 19.0 } else { y - 9.0 };
                text.small x=(n(x + 8.0)) y=(n(base)) { (shortened(&dot.label, 34)) }
            }
            @for (name, y) in &names {
                text.small x=(n(AREA.right() + 8.0)) y=(n(y + 4.0)) { (name) }
            }
            (frame.level(foot, "axis"))
            text.mid.quiet x=(n(AREA.middle())) y=(n(foot + 34.0)) { (self.axes.0) " →" }
        };
        Some(Picture {
            width: AREA.right() + 16.0 + room,
            height: foot.max(names.last().map_or(0.0, |(_, y)| *y)) + 44.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        })
    }

    /// Names at the ends of the lines; lines that end at one height share a name.
    fn names(&self, upright: &Scale) -> Vec<(String, f64)> {
        let mut ends: Vec<(&Line, f64)> = self
            .lines
            .iter()
            .filter(|line| !line.label.is_empty())
            .filter_map(|line| Some((line, upright.at(line.points.last()?.1))))
            .collect();
        ends.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut names: Vec<(String, f64)> = Vec::new();
        for group in ends.chunk_by(|a, b| b.1 - a.1 < NAME) {
            let mut lines: Vec<&Line> = group.iter().map(|(line, _)| *line).collect();
            lines.sort_by_key(|line| (line.stroke != Stroke::Strong, line.label.clone()));
            let labels: Vec<&str> = lines.iter().map(|line| line.label.as_str()).collect();
            let name = match labels.as_slice() {
                [first, _, _, _, ..] => format!("{first} and {} others", labels.len() - 1),
                few => few.join(", "),
            };
            let middle = group.iter().map(|(_, y)| y).sum::<f64>() / group.len() as f64;
            names.push((shortened(&name, 34), middle));
        }
        names
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    fn line(label: &str, points: &[(f64, f64)], stroke: Stroke) -> Line {
        Line {
            label: label.into(),
            points: points.into(),
            stroke,
        }
    }

    #[test]
    fn lines_are_named_at_their_ends_and_share_a_name_where_they_meet() {
        let picture = Lines {
            key: "chill".into(),
            title: "Chill".into(),
            description: "d".into(),
            axes: ("day".into(), "hours".into()),
            across: vec![(0.0, "Oct".into()), (31.0, "Nov".into())],
            from_zero: true,
            lines: vec![
                line("2025", &[(0.0, 0.0), (31.0, 300.0)], Stroke::Faint),
                line("2026 & now", &[(0.0, 0.0), (31.0, 302.0)], Stroke::Strong),
            ],
            dots: vec![Dot {
                label: "planned".into(),
                x: 10.0,
                y: 200.0,
                open: true,
            }],
        };
        let scale = Scale::over([0.0, 302.0], AREA.foot(), AREA.top, 6);
        let names = picture.names(&scale);
        assert_eq!(names.len(), 1, "{names:?}");
        assert_eq!(
            names[0].0, "2026 & now, 2025",
            "the strong line comes first"
        );
        let texts = texts(&picture.draw().unwrap().svg().into_string());
        for wanted in ["2025", "2026 & now", "Oct", "planned", "300"] {
            assert!(
                texts.iter().any(|t| t == wanted || t == "2026 "),
                "{wanted} in {texts:?}"
            );
        }
    }

    #[test]
    fn no_point_is_no_picture() {
        let nothing = Lines {
            key: "k".into(),
            title: String::new(),
            description: String::new(),
            axes: (String::new(), String::new()),
            across: Vec::new(),
            from_zero: true,
            lines: Vec::new(),
            dots: Vec::new(),
        };
        assert!(nothing.draw().is_none());
    }
}
