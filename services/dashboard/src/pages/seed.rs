//! Seed from stone to seedling: what stands at each step, what was lost and why, lots and batches with
//! their dates and germination; of one cross, and of a season.

use axum::extract::Path;
use contract::crossing::{
    Cross, GetCrossRequest, GetSeedLedgerRequest, ListCrossesRequest, ListSeedDueRequest,
    SeedBatch, SeedCount, SeedLoss, SeedStage,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, count, day, facts, maybe_count, maybe_measure, notes, pager, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Bar, Bars, Dot, Fill, Line, Lines, StackedBars, Stroke};
use crate::trouble::Trouble;
use crate::words;

/// Crosses on one page of a season's seed.
const PAGE: u32 = 100;

/// The seed of one cross.
pub async fn of_cross(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut crossing = desk.crossing()?;
    let asked = GetCrossRequest {
        cross_id: id.clone(),
    };
    let cross = crossing.get_cross(asked).await?.into_inner();
    let asked = GetSeedLedgerRequest { cross_id: id };
    let ledger = crossing.get_seed_ledger(asked).await?.into_inner();
    let counts = cross.counts.clone().unwrap_or_default();
    let cracked: u32 = standing(&ledger.entries)
        .filter_map(|entry| entry.stones_n)
        .sum();
    Ok(Page::new(
        format!("Seed of cross {}", cross.number),
        html! {
            p {
                a href={ "/crosses/" (cross.id) } { (parents(&cross)) }
                ", season " a href={ "/season/" (cross.season) "/seed" } { (cross.season) }
            }
            (facts(vec![
                ("Fruit harvested", count(counts.fruit_harvested_n)),
                ("Stones counted", count(counts.stones_n)),
                ("Stones cracked", count(cracked)),
                ("Seed extracted", count(counts.seed_extracted_n)),
                ("Seed lost", count(counts.seed_lost_n)),
                ("Seedlings planted", count(ledger.seedlings_planted_n)),
                ("Seedlings living", count(ledger.seedlings_living_n)),
            ]))
            (notes(&ledger.notes))
            h2 { "Where the seed is" }
            (stages(&ledger.stages))
            h2 { "Losses" }
            (losses(&ledger.losses))
            h2 { "Lots and batches" }
            (batches(&ledger.batches))
            @for (index, batch) in ledger.batches.iter().enumerate() { (germination(index, batch)) }
            h2 { "Every entry" }
            (entries(&ledger.entries))
        },
    ))
}

fn parents(cross: &Cross) -> String {
    let father = if cross.open_pollinated {
        "open-pollinated"
    } else {
        &cross.pollen_parent_name
    };
    format!("{} × {father}", cross.seed_parent_name)
}

/// Entries that count.
fn standing(entries: &[SeedCount]) -> impl Iterator<Item = &SeedCount> {
    entries
        .iter()
        .filter(|entry| entry.superseded_by.is_empty() && !entry.withdrawn)
}

/// What came to each step, and what became of it, which must come to the same.
fn stages(stages: &[SeedStage]) -> Markup {
    let table = Table::new("Where the seed is")
        .text("Step")
        .number("Came in")
        .number("Found")
        .number("Went on")
        .number("Lost")
        .number("Left")
        .text("Reconciles")
        .stacking()
        .or_say("No seed has been extracted yet.")
        .rows(stages, |stage| {
            vec![
                word(&stage.step),
                count(stage.into_n),
                count(stage.found_n),
                count(stage.on_n),
                count(stage.lost_n),
                count(stage.left_n),
                text(reconciling(stage)),
            ]
        });
    if table.is_empty() {
        return table.show();
    }
    let picture = StackedBars {
        key: "seed".into(),
        title: "Where the seed is".into(),
        description: "For each step, the seed that went on, that was lost and that is left there; together they are what came in and what was found.".into(),
        axis: "seeds".into(),
        series: vec![
            ("went on".into(), Fill::Rising),
            ("lost".into(), Fill::Crossed),
            ("left".into(), Fill::Plain),
        ],
        rows: stages
            .iter()
            .map(|stage| {
                let parts = vec![stage.on_n, stage.lost_n, stage.left_n];
                (words::plain(&stage.step), parts)
            })
            .collect(),
    };
    picture.draw().figure(table.show())
}

/// The balance of a step, written out.
fn reconciling(stage: &SeedStage) -> String {
    let came = u64::from(stage.into_n) + u64::from(stage.found_n);
    let gone = u64::from(stage.on_n) + u64::from(stage.lost_n) + u64::from(stage.left_n);
    let sum = format!(
        "{} + {} found = {} on + {} lost + {} left",
        words::count(stage.into_n),
        words::count(stage.found_n),
        words::count(stage.on_n),
        words::count(stage.lost_n),
        words::count(stage.left_n)
    );
    if came == gone {
        sum
    } else {
        format!("does not: {sum}")
    }
}

fn losses(losses: &[SeedLoss]) -> Markup {
    let mut losses: Vec<&SeedLoss> = losses.iter().collect();
    losses.sort_by(|a, b| b.seed_n.cmp(&a.seed_n).then(a.cause.cmp(&b.cause)));
    let table = Table::new("Losses by cause")
        .text("Cause")
        .text("After it was")
        .number("Number")
        .or_say("Nothing has been lost.")
        .rows(&losses, |loss| {
            vec![word(&loss.cause), word(&loss.from_step), count(loss.seed_n)]
        });
    if table.is_empty() {
        return table.show();
    }
    let picture = Bars {
        key: "losses".into(),
        title: "Losses by cause".into(),
        description: "Seeds and seedlings lost, by cause and by the step that they had taken last."
            .into(),
        axis: "lost".into(),
        powers_of_ten: false,
        bars: losses
            .iter()
            .map(|loss| Bar {
                label: format!(
                    "{}, {}",
                    words::plain(&loss.cause),
                    words::plain(&loss.from_step)
                ),
                value: f64::from(loss.seed_n),
                text: words::count(loss.seed_n),
                fill: Fill::Crossed,
            })
            .collect(),
    };
    picture.draw().figure(table.show())
}

fn batches(batches: &[SeedBatch]) -> Markup {
    Table::new("Lots and batches")
        .text("Number")
        .text("Step")
        .text("Day")
        .number("Seed")
        .number("Stones cracked")
        .number("Went on")
        .number("Lost")
        .number("Left")
        .text("Out of")
        .text("Due to be sown")
        .number("Cold or culture, °C")
        .text("Medium")
        .stacking()
        .or_say("No lot has been made yet.")
        .rows(batches, |batch| {
            let source = batches.iter().find(|of| of.id == batch.source_id);
            vec![
                text(&batch.number),
                word(&batch.step),
                day(&batch.on),
                count(batch.seed_n),
                maybe_count(batch.stones_n),
                count(batch.on_n),
                count(batch.lost_n),
                count(batch.left_n),
                text(source.map(|of| of.number.as_str()).unwrap_or_default()),
                day(&batch.due_on),
                maybe_measure(batch.temperature_c),
                text(&batch.medium),
            ]
        })
        .show()
}

/// The germination of a batch by day, beside the curve fitted to it.
fn germination(index: usize, batch: &SeedBatch) -> Markup {
    let Some(curve) = &batch.germination else {
        return html! {};
    };
    let table = Table::new(format!("Germination of {}", batch.number))
        .text("Day")
        .number("Days since")
        .number("Germinated")
        .number("By the curve")
        .rows(&curve.points, |point| {
            vec![
                day(&point.on),
                count(point.day),
                count(point.germinated_n),
                text(words::measure(point.fitted_n)),
            ]
        });
    let last = curve.points.iter().map(|point| point.day).max();
    let picture = Lines {
        key: format!("germination-{index}"),
        title: format!("Germination of {}", batch.number),
        description: "Squares are the counts of each look; the line is the curve fitted to them, through 0 on the day on which the batch was made.".into(),
        axes: ("days".into(), "germinated".into()),
        across: Vec::new(),
        from_zero: true,
        lines: vec![Line {
            label: "curve".into(),
            points: std::iter::once((0.0, 0.0))
                .chain(curve.points.iter().map(|p| (f64::from(p.day), p.fitted_n)))
                .collect(),
            stroke: Stroke::Strong,
        }],
        dots: curve
            .points
            .iter()
            .map(|point| Dot {
                label: if Some(point.day) == last { "counted".into() } else { String::new() },
                x: f64::from(point.day),
                y: f64::from(point.germinated_n),
                open: false,
            })
            .collect(),
    };
    html! {
        h3 { "Germination of " (batch.number) }
        p {
            (words::count(curve.germinated_n)) " of " (words::some(curve.seeds_n, "seed", "seeds")) " are up; in the end "
            strong { (words::percent(curve.final_share)) } " are expected (95 % interval " (words::percent(curve.final_low)) " to " (words::percent(curve.final_high))
            "), half of them after " strong { (words::measure(curve.days_to_half)) } " days (" (words::measure(curve.days_to_half_low)) " to " (words::measure(curve.days_to_half_high)) ")."
        }
        @match picture.draw() {
            Some(picture) => (picture.figure(table.show())),
            None => (table.show()),
        }
    }
}

fn entries(entries: &[SeedCount]) -> Markup {
    Table::new("Every entry")
        .text("Day")
        .text("Step")
        .number("Seed")
        .text("Out of")
        .text("Lot or batch")
        .text("Why")
        .text("Stands")
        .text("By")
        .stacking()
        .or_say("Nothing has been entered yet.")
        .rows(entries, |entry| {
            let source = entries.iter().find(|of| of.id == entry.source_id);
            let out_of = match source {
                Some(of) => of.batch_number.clone(),
                None => words::plain(&entry.from_step),
            };
            let why = [
                words::plain(&entry.cause),
                entry.reason.clone(),
                entry.note.clone(),
                entry.correction.clone(),
            ];
            let why: Vec<String> = why.into_iter().filter(|said| !said.is_empty()).collect();
            let stands = match () {
                () if !entry.superseded_by.is_empty() => "no, corrected",
                () if entry.withdrawn => "withdraws an entry",
                () if !entry.supersedes.is_empty() => "yes, a correction",
                () => "yes",
            };
            vec![
                day(&entry.on),
                word(&entry.step),
                count(entry.seed_n),
                text(out_of),
                text(&entry.batch_number),
                text(why.join("; ")),
                text(stands),
                text(&entry.by),
            ]
        })
        .show()
}

/// The seed of a season: each cross's counts, and what is due to be sown.
pub async fn of_season(desk: Desk, Path(year): Path<String>) -> Shown {
    let year: i32 = year
        .parse()
        .map_err(|_| Trouble::not_found("season", &year))?;
    let mut crossing = desk.crossing()?;
    let asked = ListCrossesRequest {
        limit: PAGE,
        season: year.to_string(),
        cursor: desk.ask.text("cursor"),
        ..ListCrossesRequest::default()
    };
    let crosses = crossing.list_crosses(asked).await?.into_inner();
    let asked = ListSeedDueRequest {
        season: Some(year),
        ..ListSeedDueRequest::default()
    };
    let due = crossing.list_seed_due(asked).await;
    Ok(Page::new(
        format!("Seed of season {year}"),
        html! {
            p { a href={ "/season/" (year) } { "Season " (year) } }
            h2 { "Due to be sown" }
            (part(due.map_err(Into::into), |reply| due_table(&reply.into_inner().items)))
            h2 { "By cross" }
            (by_cross(&crosses.items))
            (pager(&desk.ask, crosses.next_cursor.as_ref()))
        },
    ))
}

fn due_table(due: &[SeedBatch]) -> Markup {
    Table::new("Stratified seed that is due to be sown")
        .text("Batch")
        .text("Cross")
        .text("Species")
        .text("In the cold since")
        .text("Due")
        .number("Seed left")
        .stacking()
        .or_say("No stratified seed of this season waits to be sown.")
        .rows(due, |batch| {
            vec![
                text(&batch.number),
                html! { a.nowrap href={ "/crosses/" (batch.cross_id) "/seed" } { (batch.cross_number) } },
                html! { i { (batch.species) } },
                day(&batch.on),
                day(&batch.due_on),
                count(batch.left_n),
            ]
        })
        .show()
}

fn by_cross(crosses: &[Cross]) -> Markup {
    let counts: Vec<(&Cross, contract::crossing::CrossCounts)> = crosses
        .iter()
        .map(|cross| (cross, cross.counts.clone().unwrap_or_default()))
        .filter(|(_, n)| n.stones_n > 0 || n.seed_extracted_n > 0)
        .collect();
    let table = Table::new("Seed by cross")
        .text("Cross")
        .text("Parents")
        .number("Stones")
        .number("Extracted")
        .number("Stratified")
        .number("Rescued")
        .number("Germinated")
        .number("Lost")
        .number("Seedlings")
        .stacking()
        .or_say("No stone of this season has been counted yet.")
        .rows(&counts, |(cross, n)| {
            vec![
                html! { a.nowrap href={ "/crosses/" (cross.id) "/seed" } { (cross.number) } },
                text(parents(cross)),
                count(n.stones_n),
                count(n.seed_extracted_n),
                count(n.seed_stratified_n),
                count(n.seed_rescued_n),
                count(n.seed_germinated_n),
                count(n.seed_lost_n),
                count(n.seedlings_n),
            ]
        });
    if table.is_empty() {
        return table.show();
    }
    let sum = |of: fn(&contract::crossing::CrossCounts) -> u32| -> u32 {
        counts.iter().map(|(_, n)| of(n)).sum()
    };
    let steps = [
        ("stones", sum(|n| n.stones_n)),
        ("seed extracted", sum(|n| n.seed_extracted_n)),
        ("seed stratified", sum(|n| n.seed_stratified_n)),
        ("seed rescued", sum(|n| n.seed_rescued_n)),
        ("seed germinated", sum(|n| n.seed_germinated_n)),
        ("seed lost", sum(|n| n.seed_lost_n)),
        ("seedlings planted", sum(|n| n.seedlings_n)),
    ];
    let picture = Bars {
        key: "season-seed".into(),
        title: "From stone to seedling".into(),
        description: "Sums over the crosses in the table.".into(),
        axis: "number".into(),
        powers_of_ten: false,
        bars: steps
            .into_iter()
            .map(|(label, n)| Bar {
                label: label.to_owned(),
                value: f64::from(n),
                text: words::count(n),
                fill: if label == "seed lost" {
                    Fill::Crossed
                } else {
                    Fill::Rising
                },
            })
            .collect(),
    };
    picture.draw().figure(table.show())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_that_does_not_reconcile_says_so() {
        let mut stage = SeedStage {
            step: "extracted".into(),
            into_n: 180,
            found_n: 2,
            on_n: 160,
            lost_n: 20,
            left_n: 2,
        };
        assert_eq!(
            reconciling(&stage),
            "180 + 2 found = 160 on + 20 lost + 2 left"
        );
        stage.left_n = 1;
        assert!(reconciling(&stage).starts_with("does not"));
    }
}
