//! A pedigree from left to right: the plant first, its ancestors after it, the mother above.

use contract::crossing::PedigreeNode;
use maud::{Markup, html};

use super::{Picture, n, shortened};
use crate::words;

const BOX_WIDTH: f64 = 176.0;
const BOX_HEIGHT: f64 = 46.0;
const COLUMN: f64 = BOX_WIDTH + 34.0;
const SLOT: f64 = BOX_HEIGHT + 8.0;

/// A plant with its ancestors.
pub struct Pedigree<'a> {
    /// Names the picture within its page.
    pub key: &'a str,
    /// The plant.
    pub root: &'a PedigreeNode,
}

struct Placed<'a> {
    node: &'a PedigreeNode,
    column: u32,
    y: f64,
    /// Middle of the offspring's box.
    offspring: Option<f64>,
}

impl Pedigree<'_> {
    /// Draws the pedigree.
    pub fn draw(self) -> Picture {
        let mut placed = Vec::new();
        let mut next_slot = 0.0;
        place(self.root, 0, &mut next_slot, &mut placed);
        let columns = placed.iter().map(|p| p.column).max().unwrap_or(0) + 1;
        let left = |column: u32| 4.0 + COLUMN * f64::from(column);
        let body = html! {
            @for p in &placed {
                @if let Some(offspring) = p.offspring {
                    @let from = left(p.column - 1) + BOX_WIDTH;
                    @let turn = from + 17.0;
                    path class=(if p.node.probability < 1.0 { "line dashed" } else { "line" })
                        d={ "M" (n(from)) "," (n(offspring)) " H" (n(turn)) " V" (n(p.y)) " H" (n(left(p.column))) } {}
                }
            }
            @for p in &placed { (card(p, left(p.column))) }
        };
        let known = placed.len() - 1;
        Picture {
            key: self.key.to_owned(),
            title: format!("Pedigree of {}", self.root.name),
            description: format!(
                "{}; its inbreeding coefficient is {:.4}. Seed parents stand above pollen parents; a dashed line is a parent that is only probable.",
                words::some(known as u64, "ancestor is shown", "ancestors are shown"),
                self.root.inbreeding
            ),
            width: left(columns - 1) + BOX_WIDTH + 6.0,
            height: next_slot * SLOT + 4.0,
            body,
            legend: Vec::new(),
        }
    }
}

/// Places a plant in the middle of its parents, who come first; gives where it stands.
fn place<'a>(
    node: &'a PedigreeNode,
    column: u32,
    next_slot: &mut f64,
    placed: &mut Vec<Placed<'a>>,
) -> f64 {
    let first = placed.len();
    let parents: Vec<(usize, f64)> = node
        .parents
        .iter()
        .map(|parent| {
            let y = place(parent, column + 1, next_slot, placed);
            (placed.len() - 1, y)
        })
        .collect();
    let y = match (parents.first(), parents.last()) {
        (Some((_, top)), Some((_, foot))) => f64::midpoint(*top, *foot),
        _ => {
            let y = 4.0 + *next_slot * SLOT + BOX_HEIGHT / 2.0;
            *next_slot += 1.0;
            y
        }
    };
    debug_assert!(placed.len() >= first);
    for (index, _) in parents {
        placed[index].offspring = Some(y);
    }
    placed.push(Placed {
        node,
        column,
        y,
        offspring: None,
    });
    y
}

fn card(placed: &Placed<'_>, x: f64) -> Markup {
    let node = placed.node;
    let top = placed.y - BOX_HEIGHT / 2.0;
    let name = if node.name.is_empty() {
        &node.number
    } else {
        &node.name
    };
    let mut about = if node.role.is_empty() {
        words::plain(&node.kind)
    } else {
        words::plain(&node.role)
    };
    if node.probability < 1.0 && !node.role.is_empty() {
        about.push_str(&format!(", p {:.2}", node.probability));
    }
    let mut inbreeding = format!("F {:.4}", node.inbreeding);
    if node.cut {
        inbreeding.push_str(" · more");
    }
    html! {
        rect class=(if placed.column == 0 { "card strong" } else { "card" }) x=(n(x)) y=(n(top)) width=(n(BOX_WIDTH)) height=(n(BOX_HEIGHT)) rx="3" {
            title { (name) " " (node.number) ", " (node.species) ", " (about) ", " (inbreeding) }
        }
        a href={ "/germplasm/" (node.id) } {
            text x=(n(x + 8.0)) y=(n(top + 18.0)) { (shortened(name, 22)) }
        }
        text.small.quiet x=(n(x + 8.0)) y=(n(top + 36.0)) { (about) }
        text.small.end x=(n(x + BOX_WIDTH - 8.0)) y=(n(top + 36.0)) { (inbreeding) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    fn node(name: &str, role: &str, parents: Vec<PedigreeNode>) -> PedigreeNode {
        PedigreeNode {
            id: name.to_lowercase(),
            name: name.into(),
            role: role.into(),
            kind: "variety".into(),
            probability: 1.0,
            inbreeding: if parents.is_empty() { 0.0 } else { 0.25 },
            parents,
            ..PedigreeNode::default()
        }
    }

    #[test]
    fn a_pedigree_shows_every_ancestor_once_for_each_line() {
        let mother = node(
            "Amber",
            "seed_parent",
            vec![node("Old <Plum>", "seed_parent", vec![])],
        );
        let father = node("Dusk", "pollen_parent", vec![]);
        let root = node("Young", "", vec![mother, father]);
        let picture = Pedigree {
            key: "pedigree",
            root: &root,
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        for wanted in ["Young", "Amber", "Dusk", "F 0.2500", "pollen parent"] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
        assert!(picture.description.starts_with("3 ancestors are shown"));
        assert_eq!(picture.height, 2.0 * SLOT + 4.0);
    }
}
