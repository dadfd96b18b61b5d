//! Two straight scales with their grid, on which points and lines are drawn.

use maud::{Markup, html};

use super::n;
use super::scale::Scale;

/// Marks wanted along each scale.
const MARKS: u32 = 6;

/// The part of a picture that the scales enclose, in pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Area {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// From left to right.
    pub width: f64,
    /// From top to bottom.
    pub height: f64,
}

impl Area {
    /// Lower edge.
    pub fn foot(self) -> f64 {
        self.top + self.height
    }

    /// Right edge.
    pub fn right(self) -> f64 {
        self.left + self.width
    }

    /// Half way from left to right.
    pub fn middle(self) -> f64 {
        self.left + self.width / 2.0
    }
}

/// An area with a level and an upright scale.
pub(super) struct Frame {
    /// Where it lies.
    pub area: Area,
    /// From left to right.
    pub across: Scale,
    /// From bottom to top.
    pub upright: Scale,
}

impl Frame {
    /// Scales that hold all values.
    pub fn over(
        area: Area,
        xs: impl IntoIterator<Item = f64>,
        ys: impl IntoIterator<Item = f64>,
    ) -> Self {
        Self {
            area,
            across: Scale::over(xs, area.left, area.right(), MARKS),
            upright: Scale::over(ys, area.foot(), area.top, MARKS),
        }
    }

    /// Where a point lies.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.across.at(x), self.upright.at(y))
    }

    /// The points of a line as SVG takes them.
    pub fn path(&self, points: impl IntoIterator<Item = (f64, f64)>) -> String {
        let texts: Vec<String> = points
            .into_iter()
            .map(|(x, y)| format!("{},{}", n(self.across.at(x)), n(self.upright.at(y))))
            .collect();
        texts.join(" ")
    }

    /// Grid lines at round values, with their texts.
    pub fn grid(&self) -> Markup {
        self.grid_at(&self.across.marks())
    }

    /// Grid lines, with those across at marks of one's own.
    pub fn grid_at(&self, across: &[(f64, String)]) -> Markup {
        let Area { left, top, .. } = self.area;
        let (foot, right) = (self.area.foot(), self.area.right());
        html! {
            @for (value, text) in across {
                @let x = n(self.across.at(*value));
                line.grid x1=(x) x2=(x) y1=(n(top)) y2=(n(foot)) {}
                text.mid.small.quiet x=(x) y=(n(foot + 15.0)) { (text) }
            }
            @for (value, text) in self.upright.marks() {
                @let y = self.upright.at(value);
                line.grid x1=(n(left)) x2=(n(right)) y1=(n(y)) y2=(n(y)) {}
                text.end.small.quiet x=(n(left - 6.0)) y=(n(y + 4.0)) { (text) }
            }
        }
    }

    /// A line straight through the area at a height.
    pub fn level(&self, y: f64, class: &str) -> Markup {
        self.line(self.area.left, y, self.area.right(), y, class)
    }

    /// A line from top to bottom.
    pub fn plumb(&self, x: f64, class: &str) -> Markup {
        self.line(x, self.area.top, x, self.area.foot(), class)
    }

    fn line(&self, x1: f64, y1: f64, x2: f64, y2: f64, class: &str) -> Markup {
        html! { line class=(class) x1=(n(x1)) y1=(n(y1)) x2=(n(x2)) y2=(n(y2)) {} }
    }
}
