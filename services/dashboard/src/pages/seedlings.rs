//! Seedlings in the field, and one of them.

use axum::extract::Path;
use contract::crossing::{GetCrossRequest, GetSeedlingRequest, ListSeedlingsRequest, Seedling};
use maud::html;

use super::Shown;
use super::germplasm::show_pedigree;
use crate::desk::Desk;
use crate::html::{
    Table, count, day, facts, field as form_field, link, maybe_percent, pager, text, warnings, word,
};
use crate::layout::Page;
use crate::picture::{Ground, Square, State};
use crate::words;

/// Seedlings on one page of a map.
const PAGE: u32 = 500;

/// Where a cross's seedlings stand.
pub async fn field(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut crossing = desk.crossing()?;
    let cross = crossing
        .get_cross(GetCrossRequest {
            cross_id: id.clone(),
        })
        .await?
        .into_inner();
    let asked = ListSeedlingsRequest {
        limit: PAGE,
        cursor: desk.ask.text("cursor"),
        cross_id: id,
        ..ListSeedlingsRequest::default()
    };
    let list = crossing.list_seedlings(asked).await?.into_inner();
    let blocks = by_block(&list.items);
    Ok(Page::new(
        format!("Seedlings of cross {}", cross.number),
        html! {
            p { a href={ "/crosses/" (cross.id) } { (cross.seed_parent_name) " × " (if cross.open_pollinated { "open-pollinated" } else { &cross.pollen_parent_name }) } ", season " (cross.season) }
            @if blocks.is_empty() { p.quiet { "No seedling has been planted." } }
            (maps(&blocks))
            (pager(&desk.ask, list.next_cursor.as_ref()))
        },
    ))
}

/// Seedlings of all crosses as they stand in the field, by season and block.
pub async fn ground(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let asked = ListSeedlingsRequest {
        limit: PAGE,
        cursor: ask.text("cursor"),
        season: ask.text("season"),
        block: ask.text("block"),
        row: ask.number("row"),
        ..ListSeedlingsRequest::default()
    };
    let list = desk.crossing()?.list_seedlings(asked).await?.into_inner();
    let blocks = by_block(&list.items);
    Ok(Page::new(
        "Seedlings in the field",
        html! {
            form.ask method="get" {
                (form_field("season", "Crossing year", "number", &ask.text("season")))
                (form_field("block", "Block", "text", &ask.text("block")))
                (form_field("row", "Row", "number", &ask.text("row")))
                button { "Show" }
            }
            @if blocks.is_empty() { p.quiet { "No seedling fits." } }
            (maps(&blocks))
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

/// Seedlings by site and block, in the order in which the blocks come.
fn by_block(all: &[Seedling]) -> Vec<(String, Vec<&Seedling>)> {
    let mut blocks: Vec<(String, Vec<&Seedling>)> = Vec::new();
    for seedling in all {
        let block = match seedling.site.is_empty() {
            true => seedling.block.clone(),
            false => format!("{}, {}", seedling.site, seedling.block),
        };
        match blocks.iter_mut().find(|(name, _)| *name == block) {
            Some((_, seedlings)) => seedlings.push(seedling),
            None => blocks.push((block, vec![seedling])),
        }
    }
    blocks
}

fn maps(blocks: &[(String, Vec<&Seedling>)]) -> maud::Markup {
    html! {
        @for (index, (block, seedlings)) in blocks.iter().enumerate() {
            h2 { "Block " (block) }
            (map(index, block, seedlings))
        }
    }
}

fn father(s: &Seedling) -> &str {
    if s.pollen_parent_name.is_empty() {
        "open-pollinated"
    } else {
        &s.pollen_parent_name
    }
}

/// How a seedling stands, and since when.
fn state(s: &Seedling) -> maud::Markup {
    match s.state.as_str() {
        "dead" => html! { "died " (day(&s.died_on)) },
        "discarded" => html! { "discarded " (day(&s.discarded_on)) },
        other => text(words::plain(other)),
    }
}

fn map(index: usize, block: &str, seedlings: &[&Seedling]) -> maud::Markup {
    let living = seedlings.iter().filter(|s| s.living).count() as u64;
    let picture = Ground {
        key: format!("field-{index}"),
        title: format!("Block {block}"),
        description: format!(
            "{} shown, {} of them living; the last part of each number is written in its square.",
            words::some(seedlings.len() as u64, "seedling", "seedlings"),
            words::count(living)
        ),
        unit: String::new(),
        squares: seedlings
            .iter()
            .map(|s| Square {
                row: s.row,
                column: s.position,
                text: s.number.rsplit('-').next().unwrap_or_default().to_owned(),
                title: format!(
                    "{}, {} × {}, {}",
                    s.number,
                    s.seed_parent_name,
                    father(s),
                    words::plain(&s.state)
                ),
                link: format!("/seedlings/{}", s.id),
                state: if s.living {
                    State::Standing
                } else {
                    State::Gone
                },
                value: None,
            })
            .collect(),
    };
    let table = Table::new(format!("Seedlings in block {block}"))
        .text("Seedling")
        .text("Cross")
        .number("Row")
        .number("Place")
        .text("Planted")
        .text("State")
        .number("Out-cross doubt")
        .rows(seedlings, |s| {
            vec![
                link("/seedlings", &s.id, &s.number),
                link("/crosses", &s.cross_id, &s.cross_number),
                count(s.row),
                count(s.position),
                day(&s.planted_on),
                state(s),
                maybe_percent(s.outcross_doubt),
            ]
        });
    picture.draw().figure(table.show())
}

/// One seedling with its line of descent.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = GetSeedlingRequest { seedling_id: id };
    let s = desk.crossing()?.get_seedling(request).await?.into_inner();
    Ok(Page::new(
        format!("Seedling {}", s.number),
        html! {
            (facts(vec![
                ("Cross", link("/crosses", &s.cross_id, &s.cross_number)),
                ("Season", link("/season", &s.season.to_string(), &s.season.to_string())),
                ("Seed parent", link("/germplasm", &s.seed_parent_id, &s.seed_parent_name)),
                ("Pollen parent", if s.pollen_parent_name.is_empty() { text("open-pollinated") } else { link("/germplasm", &s.pollen_parent_id, &s.pollen_parent_name) }),
                ("Species", html! { i { (text(&s.species)) } }),
                ("Stands", html! { @if !s.site.is_empty() { (s.site) ", " } "block " (s.block) ", row " (s.row) ", place " (s.position) }),
                ("Planted", day(&s.planted_on)),
                ("State", state(&s)),
                ("Out-cross doubt", maybe_percent(s.outcross_doubt)),
                ("Parentage by its loci", word(&s.parentage_finding)),
                ("Taken into the germplasm", if s.selected { html! { a href={ "/germplasm/" (s.id) } { "yes" } } } else { text("no") }),
                ("With its check character", text(&s.checked_number)),
            ]))
            (warnings(&s.warnings))
            @if let Some(descent) = &s.descent { h2 { "Descent" } (show_pedigree(descent)) }
            @if !s.loci.is_empty() {
                h2 { "Genotypes found" }
                (Table::new("Genotypes found").text("Locus").text("Genotype").rows(&s.loci, |(l, g)| vec![text(l), text(g)]).show())
            }
            h2 { "What happened to it" }
            (Table::new("History").text("Day").text("What").text("More").text("By").or_say("Nothing since it was planted.")
                .rows(&s.events, |e| vec![
                    day(&e.on),
                    word(&e.kind),
                    html! {
                        @if !e.locus.is_empty() { (e.locus) " " (e.genotype) ", " (words::plain(&e.finding)) " " }
                        @if !e.rootstock.is_empty() { "on " (e.rootstock) " " }
                        @if !e.block.is_empty() { "to block " (e.block) ", row " (e.row) ", place " (e.position) " " }
                        (e.note)
                    },
                    text(&e.by),
                ]).show())
        },
    ))
}
