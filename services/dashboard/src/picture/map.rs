//! Maps of ground with a square for each tree.

use maud::html;

use super::{Fill, Picture, n, paint, width_of};

/// How a tree stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// An entry under test, or a seedling.
    Standing,
    /// A check variety.
    Check,
    /// Dead, removed or replaced.
    Gone,
}

/// A tree on a map.
pub struct Square {
    /// Row, from 1.
    pub row: u32,
    /// Place in the row, from 1.
    pub column: u32,
    /// What is written in the square.
    pub text: String,
    /// What is told when one points at it.
    pub title: String,
    /// Where its page is; empty when it has none.
    pub link: String,
    /// How it stands.
    pub state: State,
    /// The value by which standing trees are toned; none when there is none.
    pub value: Option<f64>,
}

/// A piece of ground.
pub struct Ground {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Unit of the values, for the legend.
    pub unit: String,
    /// The trees.
    pub squares: Vec<Square>,
}

const CLASSES: u8 = 5;

impl Ground {
    /// Draws the map.
    pub fn draw(self) -> Picture {
        let longest = self
            .squares
            .iter()
            .map(|s| width_of(&s.text))
            .fold(18.0, f64::max);
        let (width, height) = ((longest * 0.86 + 8.0).clamp(24.0, 64.0), 26.0);
        let span = |of: fn(&Square) -> u32| {
            let all = self.squares.iter().map(of);
            (all.clone().min().unwrap_or(1), all.max().unwrap_or(1))
        };
        let ((first_row, last_row), (first_column, last_column)) =
            (span(|s| s.row), span(|s| s.column));
        let (left, top) = (44.0, 34.0);
        let x = |column: u32| left + width * f64::from(column - first_column);
        let y = |row: u32| top + height * f64::from(row - first_row);
        let limits = Limits::of(self.squares.iter().filter_map(|s| s.value));
        let body = html! {
            text.small.quiet x="2" y="14" { "row ↓ place →" }
            @for column in first_column..=last_column {
                @if column == first_column || column % 5 == 0 {
                    text.mid.small.quiet x=(n(x(column) + width / 2.0)) y=(n(top - 6.0)) { (column) }
                }
            }
            @for row in first_row..=last_row {
                text.end.small.quiet x=(n(left - 6.0)) y=(n(y(row) + 17.0)) { (row) }
            }
            @for square in &self.squares {
                @let fill = fill(square, limits.as_ref());
                @let (x, y) = (x(square.column), y(square.row));
                @let drawn = html! {
                    rect.edge.none[fill.is_none()] x=(n(x + 1.0)) y=(n(y + 1.0)) width=(n(width - 2.0)) height=(n(height - 2.0))
                        fill=[fill.map(|fill| paint(&self.key, fill))] { title { (square.title) } }
                    @if !square.text.is_empty() {
                        @let half = width_of(&square.text) * 0.43 + 1.0;
                        @let hatched = square.state != State::Standing;
                        @if hatched {
                            rect.plate x=(n(x + width / 2.0 - half)) y=(n(y + 6.0)) width=(n(half * 2.0)) height=(n(height - 12.0)) {}
                        }
                        text class={ "mid small " (if hatched { "" } else { fill.map_or("", Fill::text_class) }) }
                            x=(n(x + width / 2.0)) y=(n(y + 17.0)) { (square.text) }
                    }
                };
                @if square.link.is_empty() { (drawn) } @else { a href=(square.link) tabindex="-1" { (drawn) } }
            }
        };
        let mut legend: Vec<(Fill, String)> =
            limits.iter().flat_map(|l| l.legend(&self.unit)).collect();
        let has = |state| self.squares.iter().any(|s| s.state == state);
        if limits.is_none() && has(State::Standing) {
            legend.push((Fill::Plain, "standing".to_owned()));
        }
        if has(State::Check) {
            legend.push((Fill::Rising, "check variety".to_owned()));
        }
        if has(State::Gone) {
            legend.push((Fill::Crossed, "dead or removed".to_owned()));
        }
        Picture {
            width: x(last_column) + width + 6.0,
            height: y(last_row) + height + 6.0,
            body,
            legend,
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

fn fill(square: &Square, limits: Option<&Limits>) -> Option<Fill> {
    match (square.state, square.value, limits) {
        (State::Gone, _, _) => Some(Fill::Crossed),
        (State::Check, _, _) => Some(Fill::Rising),
        (State::Standing, Some(value), Some(limits)) => Some(limits.fill(value)),
        (State::Standing, None, Some(_)) => None,
        (State::Standing, _, None) => Some(Fill::Plain),
    }
}

struct Limits {
    low: f64,
    high: f64,
}

impl Limits {
    fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        (low <= high).then_some(Self { low, high })
    }

    fn step(&self) -> f64 {
        (self.high - self.low) / f64::from(CLASSES)
    }

    fn fill(&self, value: f64) -> Fill {
        if self.step() == 0.0 {
            return Fill::Value(2);
        }
        let class = ((value - self.low) / self.step())
            .floor()
            .clamp(0.0, f64::from(CLASSES - 1));
        Fill::Value(class as u8)
    }

    fn legend(&self, unit: &str) -> Vec<(Fill, String)> {
        let text = |value| crate::words::measure(value);
        if self.step() == 0.0 {
            return vec![(Fill::Value(2), format!("{} {unit}", text(self.low)))];
        }
        (0..CLASSES)
            .map(|class| {
                let from = self.low + self.step() * f64::from(class);
                (
                    Fill::Value(class),
                    format!("{} to {} {unit}", text(from), text(from + self.step())),
                )
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn a_map_writes_values_and_names_states_in_its_legend() {
        let square = |column, text: &str, state, value| Square {
            row: 3,
            column,
            text: text.into(),
            title: format!("tree {column}"),
            link: String::new(),
            state,
            value,
        };
        let picture = Ground {
            key: "map".into(),
            title: "Map".into(),
            description: "d".into(),
            unit: "mm".into(),
            squares: vec![
                square(1, "61", State::Standing, Some(61.0)),
                square(2, "40", State::Standing, Some(40.0)),
                square(3, "55", State::Check, Some(55.0)),
                square(4, "", State::Gone, None),
                square(5, "–", State::Standing, None),
            ],
        }
        .draw();
        let legend: Vec<&str> = picture
            .legend
            .iter()
            .map(|(_, text)| text.as_str())
            .collect();
        assert_eq!(legend.len(), 7);
        assert!(legend.contains(&"check variety") && legend.contains(&"dead or removed"));
        assert!(legend[4].ends_with("61.0 mm"), "{legend:?}");
        let texts = texts(&picture.svg().into_string());
        assert!(
            ["61", "40", "55", "tree 4"]
                .iter()
                .all(|w| texts.iter().any(|t| t == w)),
            "{texts:?}"
        );
    }
}
