//! Varieties, selections, seedlings and wild plants.

use std::collections::BTreeMap;

use axum::extract::Path;
use contract::crossing::{
    Germplasm, GetGermplasmRequest, ListCrossesRequest, ListGermplasmRequest, PedigreeNode,
    PedigreeRequest, RelativeList, RelativesRequest,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::{Ask, Desk};
use crate::html::{
    Table, choice, count, day, facts, field, link, maybe_measure, pager, part, stages, text,
    warnings, word,
};
use crate::layout::Page;
use crate::picture::{Bar, Bars, Fill, Pedigree};
use crate::words;

const KINDS: [&str; 4] = ["variety", "selection", "seedling", "wild"];

/// Generations that contributions of founders are followed through.
const ALL_GENERATIONS: u32 = 12;
/// Ancestors and descendants on one page of their lists.
const RELATIVES: u32 = 50;
/// Founders in the picture; the table has them all.
const DRAWN: usize = 25;

/// The germplasm by name.
pub async fn list(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let request = ListGermplasmRequest {
        limit: 0,
        cursor: ask.text("cursor"),
        q: ask.text("q"),
        kind: ask.text("kind"),
        species: ask.text("species"),
    };
    let list = desk.crossing()?.list_germplasm(request).await?.into_inner();
    let table = Table::new("Germplasm")
        .text("Name")
        .text("Number")
        .text("Kind")
        .text("Species")
        .text("Seed parent")
        .text("Pollen parent")
        .text("S alleles")
        .text("Rights")
        .stacking()
        .or_say("No plant of the germplasm fits.")
        .rows(&list.items, |g| {
            vec![
                link("/germplasm", &g.id, &g.name),
                text(&g.number),
                word(&g.kind),
                html! { i { (text(&g.species)) } },
                link("/germplasm", &g.seed_parent_id, &g.seed_parent_name),
                pollen_parent(g),
                text(g.s_alleles.join(" ")),
                word(&g.rights_standing),
            ]
        });
    Ok(Page::new(
        "Germplasm",
        html! {
            form.ask method="get" {
                (field("q", "Name or number", "search", &ask.text("q")))
                (choice("kind", "Kind", Some("any"), stages(&KINDS), &ask.text("kind")))
                (field("species", "Species", "text", &ask.text("species")))
                button { "Show" }
            }
            (table.show())
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

fn pollen_parent(g: &Germplasm) -> Markup {
    if g.open_pollinated {
        text("open-pollinated")
    } else {
        link("/germplasm", &g.pollen_parent_id, &g.pollen_parent_name)
    }
}

/// One plant with its pedigree.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let generations = desk.ask.number::<u32>("generations").unwrap_or(3).min(6);
    let mut crossing = desk.crossing()?;
    let plant = crossing
        .get_germplasm(GetGermplasmRequest {
            germplasm_id: id.clone(),
        })
        .await?
        .into_inner();
    let asked = PedigreeRequest {
        germplasm_id: id.clone(),
        generations: Some(generations),
    };
    let pedigree = crossing.get_pedigree(asked).await;
    let whole = PedigreeRequest {
        germplasm_id: id.clone(),
        generations: Some(ALL_GENERATIONS),
    };
    let whole = crossing.get_pedigree(whole).await;
    let relatives = |cursor: &str| RelativesRequest {
        germplasm_id: id.clone(),
        limit: RELATIVES,
        cursor: desk.ask.text(cursor),
    };
    let ancestors = crossing.list_ancestors(relatives("ancestors")).await;
    let descendants = crossing.list_descendants(relatives("descendants")).await;
    let as_mother = ListCrossesRequest {
        seed_parent_id: id.clone(),
        ..ListCrossesRequest::default()
    };
    let as_mother = crossing.list_crosses(as_mother).await;
    let as_father = ListCrossesRequest {
        pollen_parent_id: id,
        ..ListCrossesRequest::default()
    };
    let as_father = crossing.list_crosses(as_father).await;
    Ok(Page::new(
        plant.name.clone(),
        html! {
            (about(&plant))
            (warnings(&plant.warnings))
            h2 { "Pedigree" }
            form.ask method="get" {
                (choice("generations", "Generations of ancestors", None, (1..=6).map(|g| (g.to_string(), g.to_string())), &generations.to_string()))
                button { "Show" }
            }
            (part(pedigree.map_err(Into::into), |reply| show_pedigree(&reply.into_inner())))
            (part(whole.map_err(Into::into), |reply| contributions(&reply.into_inner())))
            @if !plant.pollen_candidates.is_empty() {
                h3 { "Possible pollen parents" }
                ul { @for c in &plant.pollen_candidates { li { a href={ "/germplasm/" (c.germplasm_id) } { "a plant of the germplasm" } ", probability " (words::measure(c.share)) } } }
            }
            h2 { "Ancestors to any depth" }
            (part(ancestors.map_err(Into::into), |reply| straight_line(&desk.ask, "Ancestors", "ancestors", &reply.into_inner())))
            h2 { "Descendants to any depth" }
            (part(descendants.map_err(Into::into), |reply| straight_line(&desk.ask, "Descendants", "descendants", &reply.into_inner())))
            h2 { "Crosses" }
            (part(as_mother.map_err(Into::into), |reply| crossed("As seed parent", &reply.into_inner().items)))
            (part(as_father.map_err(Into::into), |reply| crossed("As pollen parent", &reply.into_inner().items)))
        },
    ))
}

/// Ancestors or descendants, page by page, the nearest first.
fn straight_line(ask: &Ask, title: &str, cursor: &str, list: &RelativeList) -> Markup {
    html! {
        p.quiet { (words::some(list.total_n, "plant", "plants")) " in all." }
        (Table::new(title).number("Steps").text("Plant").text("Number").text("Kind").text("Species").stacking()
            .or_say("None is known.")
            .rows(&list.items, |r| vec![
                count(r.generation),
                link(if r.kind == "seedling" && r.name == r.number { "/seedlings" } else { "/germplasm" }, &r.id, &r.name),
                text(&r.number),
                word(&r.kind),
                html! { i { (r.species) } },
            ]).show())
        @if let Some(next) = &list.next_cursor {
            p { a href=(ask.with(cursor, next)) { "Further " (cursor) } }
        }
        @if !ask.text(cursor).is_empty() {
            p { a href=(ask.with(cursor, "")) { "From the nearest on" } }
        }
    }
}

fn about(g: &Germplasm) -> Markup {
    let passport = g.passport.clone().unwrap_or_default();
    html! {
        (facts(vec![
            ("Number", html! { (g.number) @if !g.checked_number.is_empty() { " (with its check: " (g.checked_number) ")" } }),
            ("Kind", word(&g.kind)),
            ("Species", html! { i { (g.species) } @if !g.common_name.is_empty() { ", " (g.common_name) } }),
            ("Seed parent", link("/germplasm", &g.seed_parent_id, &g.seed_parent_name)),
            ("Pollen parent", pollen_parent(g)),
            ("Inbreeding", maybe_measure(g.inbreeding)),
            ("S alleles", text(g.s_alleles.join(" "))),
            ("Incompatibility group", text(&g.incompatibility_group)),
            ("Sets with its own pollen", word(&g.self_compatible)),
            ("Rights", html! { (word(&g.rights_standing)) @if !g.protected_by.is_empty() { ", " (g.protected_by) } }),
            ("Cross", link("/crosses", &g.cross_id, if g.cross_id.is_empty() { "" } else { "the cross it came from" })),
            ("Sport or clone of", link("/germplasm", &g.clone_of_id, if g.clone_of_id.is_empty() { "" } else { "another plant" })),
            ("Accession", text(&passport.accession_number)),
            ("Country of origin", text(&passport.origin_country)),
            ("Acquired", day(&passport.acquisition_date)),
            ("Breeder", text(&passport.breeder_name)),
            ("Donor", text(&passport.donor_code)),
            ("Ancestry", text(&passport.ancestry)),
            ("Remarks", text(&passport.remarks)),
            ("Notes", text(&g.notes)),
        ]))
        @if !g.loci.is_empty() || !g.traits.is_empty() {
            div.columns {
                @if !g.loci.is_empty() {
                    div { (Table::new("Genotype by locus").text("Locus").text("Genotype").rows(&g.loci, |(l, v)| vec![text(l), text(v)]).show()) }
                }
                @if !g.traits.is_empty() {
                    div { (Table::new("Notes on traits").text("Trait").text("Note").rows(&g.traits, |(l, v)| vec![word(l), text(v)]).show()) }
                }
            }
        }
    }
}

/// A pedigree as a picture with its table.
pub fn show_pedigree(root: &PedigreeNode) -> Markup {
    let mut lines = Vec::new();
    flatten(root, 0, &mut lines);
    let table = Table::new("Pedigree")
        .text("Plant")
        .text("Number")
        .text("Role")
        .number("Generation back")
        .number("Probability")
        .number("Inbreeding")
        .rows(lines, |(node, depth): (&PedigreeNode, u32)| {
            vec![
                link(
                    "/germplasm",
                    &node.id,
                    if node.name.is_empty() {
                        &node.number
                    } else {
                        &node.name
                    },
                ),
                text(&node.number),
                word(&node.role),
                text(depth.to_string()),
                if depth == 0 {
                    text("")
                } else {
                    text(words::measure(node.probability))
                },
                text(format!("{:.4}", node.inbreeding)),
            ]
        });
    html! {
        @if root.parents.is_empty() { p.quiet { "No parent is known; it counts as a founder." } }
        (Pedigree { key: "pedigree", root }.draw().figure(table.show()))
    }
}

fn flatten<'a>(node: &'a PedigreeNode, depth: u32, lines: &mut Vec<(&'a PedigreeNode, u32)>) {
    lines.push((node, depth));
    for parent in &node.parents {
        flatten(parent, depth + 1, lines);
    }
}

/// What each founder gave: a half from each parent, weighed by the probability that it is one.
#[derive(Default)]
struct Contributions<'a> {
    founders: BTreeMap<&'a str, (&'a PedigreeNode, f64)>,
    not_known: f64,
}

impl<'a> Contributions<'a> {
    fn of(root: &'a PedigreeNode) -> Self {
        let mut all = Self::default();
        all.follow(root, 1.0);
        all
    }

    fn follow(&mut self, node: &'a PedigreeNode, share: f64) {
        if node.parents.is_empty() {
            self.founders.entry(&node.id).or_insert((node, 0.0)).1 += share;
            return;
        }
        let mut known = 0.0;
        for parent in &node.parents {
            known += parent.probability / 2.0;
            self.follow(parent, share * parent.probability / 2.0);
        }
        self.not_known += share * (1.0 - known).max(0.0);
    }

    /// Founders, the largest contribution first.
    fn sorted(&self) -> Vec<(&'a PedigreeNode, f64)> {
        let mut sorted: Vec<_> = self.founders.values().copied().collect();
        sorted.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.name.cmp(&b.0.name)));
        sorted
    }
}

fn contributions(root: &PedigreeNode) -> Markup {
    if root.parents.is_empty() {
        return html! {};
    }
    let all = Contributions::of(root);
    let sorted = all.sorted();
    let not_known = (all.not_known > 1e-9).then_some(all.not_known);
    let mut rows: Vec<(Markup, &str, f64)> = sorted
        .iter()
        .map(|(node, share)| {
            let note = if node.cut {
                "its own parents are further back"
            } else {
                ""
            };
            (link("/germplasm", &node.id, &node.name), note, *share)
        })
        .collect();
    rows.extend(not_known.map(|share| (text("not known"), "unknown parents", share)));
    let table = Table::new("Contributions of founders")
        .text("Founder")
        .number("Contribution")
        .text("Note")
        .rows(rows, |(name, note, share)| {
            vec![name, text(words::percent(share)), text(note)]
        });
    let bar = |label: &str, share: f64| Bar {
        label: label.to_owned(),
        value: share * 100.0,
        text: words::percent(share),
        fill: Fill::Rising,
    };
    let picture = Bars {
        key: "founders".into(),
        title: format!("Contributions of founders to {}", root.name),
        description: format!(
            "{} without known parents; each parent gives a half.",
            words::some(sorted.len() as u64, "founder", "founders")
        ),
        axis: "percent of the genes expected".into(),
        powers_of_ten: false,
        bars: sorted
            .iter()
            .take(DRAWN)
            .map(|(node, share)| bar(&node.name, *share))
            .chain(not_known.map(|share| bar("not known", share)))
            .collect(),
    };
    html! {
        h3 { "Contributions of founders" }
        (picture.draw().figure(table.show()))
    }
}

fn crossed(title: &str, crosses: &[contract::crossing::Cross]) -> Markup {
    html! {
        h3 { (title) }
        (Table::new(title).text("Cross").number("Season").text("Seed parent").text("Pollen parent").number("Seedlings").or_say("None.")
            .rows(crosses, |c| vec![
                link("/crosses", &c.id, &c.number),
                text(c.season.to_string()),
                link("/germplasm", &c.seed_parent_id, &c.seed_parent_name),
                link("/germplasm", &c.pollen_parent_id, &c.pollen_parent_name),
                crate::html::count(c.counts.as_ref().map_or(0, |n| n.seedlings_n)),
            ]).show())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(id: &str, probability: f64, parents: Vec<PedigreeNode>) -> PedigreeNode {
        PedigreeNode {
            id: id.into(),
            name: id.into(),
            probability,
            parents,
            ..PedigreeNode::default()
        }
    }

    #[test]
    fn founders_give_a_half_from_each_parent_and_the_rest_is_not_known() {
        // A grandparent on both sides, a second founder, and a probable pollen parent.
        let mother = node(
            "mother",
            1.0,
            vec![node("old", 1.0, vec![]), node("other", 1.0, vec![])],
        );
        let father = node("father", 0.8, vec![node("old", 1.0, vec![])]);
        let root = node("root", 1.0, vec![mother, father]);
        let all = Contributions::of(&root);
        let share = |id: &str| all.founders[id].1;
        assert!((share("old") - (0.25 + 0.2)).abs() < 1e-12);
        assert!((share("other") - 0.25).abs() < 1e-12);
        assert!((all.not_known - (0.1 + 0.2)).abs() < 1e-12);
        let whole: f64 = all.founders.values().map(|f| f.1).sum::<f64>() + all.not_known;
        assert!((whole - 1.0).abs() < 1e-12);
        let shown = contributions(&root).into_string();
        assert!(
            shown.contains("45 %") && shown.contains("not known"),
            "{shown}"
        );
    }
}
