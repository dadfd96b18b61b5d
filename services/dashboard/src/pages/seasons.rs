//! What each crossing season came to.

use axum::extract::Path;
use contract::crossing::{
    BloomRecord, ListBloomRecordsRequest, ListCrossesRequest, ListPollenLotsRequest,
    ListSeasonsRequest, PollenLot, SeasonSummary, SummariseSeasonsRequest,
};
use jiff::civil::Date;
use maud::{Markup, html};

use super::Shown;
use super::steps::Steps;
use crate::desk::Desk;
use crate::html::{
    Table, count, day, facts, link, maybe_measure, maybe_percent, pager, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Mark, Timeline, TimelineRow};
use crate::trouble::Trouble;
use crate::words;

/// All seasons.
pub async fn list(desk: Desk) -> Shown {
    let summaries = desk
        .crossing()?
        .summarise_seasons(SummariseSeasonsRequest {})
        .await?
        .into_inner();
    Ok(Page::new("Seasons", html! { (table(&summaries.items)) }))
}

/// Seasons side by side.
pub fn table(seasons: &[SeasonSummary]) -> Markup {
    Table::new("Crossing seasons")
        .text("Season")
        .text("Site")
        .number("Crosses")
        .number("Mothers")
        .number("Pollen lots")
        .number("Passes")
        .number("Flowers pollinated")
        .number("Fruit harvested")
        .number("Fruit set")
        .number("Seed germinated")
        .number("Seedlings")
        .number("Living")
        .number("Of them discarded")
        .number("Out-cross doubt")
        .number("Warnings")
        .stacking()
        .or_say("No season is open yet.")
        .rows(seasons, |s| {
            vec![
                link("/season", &s.season.to_string(), &s.season.to_string()),
                text(&s.site),
                count(s.crosses_n),
                count(s.mothers_n),
                count(s.pollen_lots_n),
                count(s.passes_n),
                count(s.flowers_pollinated_n),
                count(s.fruit_harvested_n),
                maybe_percent(s.fruit_set),
                count(s.seed_germinated_n),
                count(s.seedlings_n),
                count(s.seedlings_living_n),
                count(s.seedlings_discarded_n),
                maybe_percent(s.outcross_doubt),
                count(s.warnings_n),
            ]
        })
        .show()
}

/// One season with its bloom, pollen and crosses.
pub async fn show(desk: Desk, Path(year): Path<String>) -> Shown {
    let year: i32 = year
        .parse()
        .map_err(|_| Trouble::not_found("season", &year))?;
    let mut crossing = desk.crossing()?;
    let summaries = crossing
        .summarise_seasons(SummariseSeasonsRequest {})
        .await?
        .into_inner();
    let season = summaries
        .items
        .into_iter()
        .find(|s| s.season == year)
        .ok_or_else(|| Trouble::not_found("season", &year.to_string()))?;
    let seasons = crossing
        .list_seasons(ListSeasonsRequest {})
        .await?
        .into_inner();
    let about = seasons
        .items
        .into_iter()
        .find(|s| s.year == year)
        .unwrap_or_default();
    let bloom = ListBloomRecordsRequest {
        limit: 500,
        season: Some(year),
        ..Default::default()
    };
    let bloom = crossing.list_bloom_records(bloom).await;
    let lots = ListPollenLotsRequest {
        limit: 200,
        season: Some(year),
        ..Default::default()
    };
    let lots = crossing.list_pollen_lots(lots).await;
    let crosses = ListCrossesRequest {
        season: year.to_string(),
        cursor: desk.ask.text("cursor"),
        ..ListCrossesRequest::default()
    };
    let crosses = crossing.list_crosses(crosses).await;
    Ok(Page::new(
        format!("Season {year}"),
        html! {
            (facts(vec![
                ("Site", text(&season.site)),
                ("Open", html! { (words::day(&about.opens_on)) " to " (words::day(&about.closes_on)) }),
                ("First pass", day(&season.first_pass_on)),
                ("Last pass", day(&season.last_pass_on)),
                ("Fruit for each flower", maybe_percent(season.fruit_set)),
                ("Mean out-cross doubt", maybe_percent(season.outcross_doubt)),
                ("Warnings", count(season.warnings_n)),
            ]))
            p {
                a href={ "/winter?season=" (year) } { "Winter before it" } ", "
                a href={ "/bloom-forecast?season=" (year) } { "bloom forecast" } ", "
                a href={ "/pollinizer-trials?season=" (year) } { "pollinizer trials" } ", "
                a href={ "/season-plan?season=" (year) } { "plan of its crosses" } ", "
                a href={ "/season/" (year) "/seed" } { "its seed" } ", "
                a href={ "/seedlings?season=" (year) } { "its seedlings in the field" } "."
            }
            h2 { "From flower to seedling" }
            (funnel(&season))
            h2 { "Bloom" }
            (part(bloom.map_err(Into::into), |reply| blooming(&reply.into_inner().items)))
            h2 { "Pollen" }
            (part(lots.map_err(Into::into), |reply| pollen(&reply.into_inner().items)))
            h2 { "Crosses" }
            (part(crosses.map_err(Into::into), |reply| {
                let reply = reply.into_inner();
                html! { (super::crosses::table(&reply.items)) (pager(&desk.ask, reply.next_cursor.as_ref())) }
            }))
        },
    ))
}

fn funnel(s: &SeasonSummary) -> Markup {
    let steps = [
        ("flowers emasculated", s.flowers_emasculated_n),
        ("flowers pollinated", s.flowers_pollinated_n),
        ("fruit set", s.fruit_set_n),
        ("fruit harvested", s.fruit_harvested_n),
        ("seed extracted", s.seed_extracted_n),
        ("seed germinated", s.seed_germinated_n),
        ("seedlings planted", s.seedlings_n),
        ("seedlings living", s.seedlings_living_n),
    ];
    Steps {
        key: "season",
        title: format!("Season {}, from flower to seedling", s.season),
        description: format!(
            "{} in {}.",
            words::some(s.passes_n, "pass", "passes"),
            words::some(s.crosses_n, "cross", "crosses")
        ),
        powers_of_ten: true,
        steps: &steps,
    }
    .show()
}

fn blooming(records: &[BloomRecord]) -> Markup {
    let mut rows: Vec<TimelineRow> = Vec::new();
    for record in records {
        let Ok(on) = record.on.parse::<Date>() else {
            continue;
        };
        let mark = Mark {
            on,
            text: record.stage_bbch.to_string(),
            open: record.stage_bbch < 60,
        };
        match rows.iter_mut().find(|row| row.label == record.name) {
            Some(row) => row.marks.push(mark),
            None => rows.push(TimelineRow {
                label: record.name.clone(),
                marks: vec![mark],
                ..TimelineRow::default()
            }),
        }
    }
    rows.sort_by_key(|row| row.marks.iter().map(|m| m.on).min());
    let table = Table::new("Notes of bloom")
        .text("Variety")
        .text("Day")
        .number("BBCH")
        .text("Stage")
        .number("Percent open")
        .text("By")
        .or_say("No bloom has been noted.")
        .rows(records, |r| {
            vec![
                link("/germplasm", &r.germplasm_id, &r.name),
                day(&r.on),
                count(r.stage_bbch),
                text(&r.stage),
                maybe_measure(r.percent_open),
                text(&r.by),
            ]
        });
    let picture = Timeline {
        key: "bloom".into(),
        title: "Bloom by variety".into(),
        description: "Each square is a note of bloom with its BBCH stage; open squares are before the first open flower (60).".into(),
        today: None,
        rows,
        legend: Vec::new(),
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

fn pollen(lots: &[PollenLot]) -> Markup {
    Table::new("Pollen lots")
        .text("Lot")
        .text("Variety")
        .text("Gathered")
        .number("Flowers")
        .text("Where")
        .number("Germination today")
        .text("Verdict")
        .text("Usable")
        .text("Discard due")
        .stacking()
        .or_say("No pollen has been gathered.")
        .rows(lots, |l| {
            vec![
                link("/pollen-lots", &l.id, &l.number),
                link("/germplasm", &l.germplasm_id, &l.name),
                day(&l.gathered_on),
                count(l.flowers_n),
                word(&l.place),
                html! { (words::percent(l.germination)) " (" (words::percent(l.germination_low)) " to " (words::percent(l.germination_high)) ")" },
                word(&l.verdict),
                text(if l.usable { "yes" } else { "no" }),
                day(&l.discard_due_on),
            ]
        })
        .show()
}
