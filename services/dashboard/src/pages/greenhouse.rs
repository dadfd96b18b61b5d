//! Pollen lots and mothers, each with what was done to it.

use axum::extract::Path;
use contract::crossing::{GetMotherRequest, GetPollenLotRequest};
use maud::html;

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, count, day, facts, link, maybe_count, maybe_measure, text, warnings, word,
};
use crate::layout::Page;
use crate::words;

/// One pollen lot with its ledger.
pub async fn pollen_lot(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = GetPollenLotRequest { pollen_lot_id: id };
    let l = desk.crossing()?.get_pollen_lot(request).await?.into_inner();
    Ok(Page::new(
        format!("Pollen lot {}", l.number),
        html! {
            (facts(vec![
                ("Variety", link("/germplasm", &l.germplasm_id, &l.name)),
                ("Gathered", day(&l.gathered_on)),
                ("Flowers", count(l.flowers_n)),
                ("Stage", html! { "BBCH " (l.stage_bbch) ", " (l.stage) }),
                ("Dry", html! { (day(&l.dry_on)) (if l.dried { ", found dry" } else { ", expected" }) }),
                ("Where", word(&l.place)),
                ("Germination today", html! { (words::percent(l.germination)) ", 90 % interval " (words::percent(l.germination_low)) " to " (words::percent(l.germination_high)) }),
                ("Rests on", if l.own_tests_n == 0 { text("published curves alone") } else { text(words::some(l.own_tests_n, "own test", "own tests")) }),
                ("Verdict", word(&l.verdict)),
                ("Usable", text(if l.usable { "yes" } else { "no" })),
                ("Discard due", day(&l.discard_due_on)),
                ("With its check character", text(&l.checked_number)),
                ("Flowers pollinated with it", count(l.flowers_pollinated_n)),
                ("Can still serve", html! { (words::some(l.serves_flowers_n, "flower", "flowers")) @if let Some(mg) = l.left_mg { ", " (words::measure(mg)) " mg" } }),
                ("Gathered at", text(&l.site)),
                ("By", text(&l.by)),
                ("Note", text(&l.note)),
            ]))
            (warnings(&l.warnings))
            h2 { "Ledger" }
            (Table::new("Ledger").text("Day").text("What").text("Where to").number("Weight, mg").number("Flowers").text("Germination test").text("More").text("By").stacking()
                .rows(&l.events, |e| vec![
                    day(&e.on),
                    word(&e.kind),
                    word(&e.place),
                    maybe_measure(e.quantity_mg),
                    maybe_count(e.flowers_n),
                    html! {
                        @if let (Some(germinated), Some(tested), Some(share)) = (e.germinated_n, e.tested_n, e.germination) {
                            (germinated) " of " (tested) ": " (words::percent(share))
                            @if let (Some(low), Some(high)) = (e.germination_low, e.germination_high) { " (95 % interval " (words::percent(low)) " to " (words::percent(high)) ")" }
                        } @else { (crate::html::NOTHING) }
                    },
                    text(&e.reason),
                    text(&e.by),
                ]).show())
        },
    ))
}

/// One mother with what was done to her.
pub async fn mother(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = GetMotherRequest { mother_id: id };
    let m = desk.crossing()?.get_mother(request).await?.into_inner();
    Ok(Page::new(
        format!("Mother {}", m.number),
        html! {
            (facts(vec![
                ("Variety", link("/germplasm", &m.germplasm_id, &m.name)),
                ("Stands", html! { (m.house) ", row " (m.row) ", place " (m.position) }),
                ("Container", html! { @if let Some(l) = m.container_l { (words::measure(l)) " L" } }),
                ("State", text(if m.living { "living" } else { "dead" })),
                ("Cover", text(if m.covered { "covered" } else { "not covered" })),
                ("Sets with her own pollen", word(&m.self_compatible)),
                ("Last pass", day(&m.last_pass_on)),
                ("Last stripped", day(&m.last_stripped_on)),
                ("Note", text(&m.note)),
                ("With its check character", text(&m.checked_number)),
            ]))
            h2 { "What was done to her" }
            (Table::new("History").text("Day").text("What").number("Flowers").text("Note").text("By")
                .rows(&m.events, |e| vec![day(&e.on), word(&e.kind), maybe_count(e.flowers_n), text(&e.note), text(&e.by)]).show())
        },
    ))
}
