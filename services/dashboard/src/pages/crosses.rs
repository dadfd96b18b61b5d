//! Crosses with their passes and what is to be expected of them.

use axum::extract::Path;
use contract::crossing::{
    Cross, CrossAdvice, CrossCounts, FruitCount, FruitOutlook, GetCrossRequest,
    GetSeedLedgerRequest, ListCrossesRequest, ListFruitCountsRequest, ListPassesRequest, Pass,
};
use maud::{Markup, html};

use super::Shown;
use super::corrections::{self, fruit_in_words};
use super::steps::Steps;
use crate::desk::Desk;
use crate::html::{
    Table, choice, count, day, facts, field, link, maybe_count, maybe_percent, notes, pager, part,
    stages, text, warnings, word,
};
use crate::layout::Page;
use crate::picture::{IntervalRow, Intervals};
use crate::trouble::Trouble;
use crate::words;

/// Crosses, of one season or all.
pub async fn list(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let request = ListCrossesRequest {
        limit: 0,
        cursor: ask.text("cursor"),
        season: ask.text("season"),
        seed_parent_id: ask.text("seed_parent_id"),
        pollen_parent_id: ask.text("pollen_parent_id"),
        standing: ask.text("standing"),
    };
    let list = desk.crossing()?.list_crosses(request).await?.into_inner();
    Ok(Page::new(
        "Crosses",
        html! {
            form.ask method="get" {
                (field("season", "Season", "number", &ask.text("season")))
                (choice("standing", "Standing", Some("any"), stages(&["planned", "worked", "harvested", "raised", "cancelled"]), &ask.text("standing")))
                button { "Show" }
            }
            (table(&list.items))
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

/// Crosses as a table.
pub fn table(crosses: &[Cross]) -> Markup {
    Table::new("Crosses")
        .text("Cross")
        .text("Seed parent")
        .text("Pollen parent")
        .text("Objective")
        .number("Passes")
        .number("Flowers pollinated")
        .number("Fruit wanted")
        .number("Fruit set")
        .number("Seedlings")
        .number("Out-cross doubt")
        .text("Standing")
        .stacking()
        .or_say("No cross fits.")
        .rows(crosses, |c| {
            let n = c.counts.clone().unwrap_or_default();
            vec![
                link("/crosses", &c.id, &c.number),
                link("/germplasm", &c.seed_parent_id, &c.seed_parent_name),
                pollen_parent(c),
                text(&c.objective),
                count(n.passes_n),
                count(n.flowers_pollinated_n),
                count(c.fruit_wanted_n),
                maybe_count(n.fruit_set_n),
                count(n.seedlings_n),
                maybe_percent(c.outcross_doubt),
                html! { (word(&c.standing)) @if !c.warnings.is_empty() { " " span.tag { (words::some(c.warnings.len() as u64, "warning", "warnings")) } } },
            ]
        })
        .show()
}

fn pollen_parent(c: &Cross) -> Markup {
    if c.open_pollinated {
        text("open-pollinated")
    } else {
        link("/germplasm", &c.pollen_parent_id, &c.pollen_parent_name)
    }
}

/// One cross.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut crossing = desk.crossing()?;
    let cross = crossing
        .get_cross(GetCrossRequest {
            cross_id: id.clone(),
        })
        .await?
        .into_inner();
    let asked = ListPassesRequest {
        cross_id: id.clone(),
        limit: 100,
        cursor: desk.ask.text("cursor"),
        ..Default::default()
    };
    let passes = crossing.list_passes(asked).await;
    let asked = ListFruitCountsRequest {
        cross_id: id.clone(),
        with_superseded: true,
    };
    let fruits = crossing.list_fruit_counts(asked).await?.into_inner().items;
    let entries = entries_ever(&desk, &id, &fruits).await;
    let counts = cross.counts.clone().unwrap_or_default();
    Ok(Page::new(
        format!("Cross {}", cross.number),
        html! {
            (facts(vec![
                ("Seed parent", link("/germplasm", &cross.seed_parent_id, &cross.seed_parent_name)),
                ("Pollen parent", pollen_parent(&cross)),
                ("Season", link("/season", &cross.season.to_string(), &cross.season.to_string())),
                ("Seedlings are", html! { i { (text(&cross.species)) } }),
                ("Objective", text(&cross.objective)),
                ("Standing", word(&cross.standing)),
                ("Fruit wanted", count(cross.fruit_wanted_n)),
                ("Mothers", count(cross.mother_ids.len() as u64)),
                ("Out-cross doubt", html! { (maybe_percent(cross.outcross_doubt)) }),
                ("Planned by", text(&cross.planned_by)),
                ("With its check character", text(&cross.checked_number)),
            ]))
            (warnings(&cross.warnings))
            @if let Some(outlook) = &cross.fruit_outlook { (fruit(&cross, outlook, &counts)) }
            h2 { "From flower to seedling" }
            (funnel(&counts))
            @if counts.stones_n > 0 || counts.seed_extracted_n > 0 {
                p { a href={ "/crosses/" (cross.id) "/seed" } { "Its seed from stone to seedling" } }
            }
            @if counts.seedlings_n > 0 {
                p { a href={ "/crosses/" (cross.id) "/seedlings" } { "Map of its " (words::some(counts.seedlings_n, "seedling", "seedlings")) " in the field" } }
            }
            h2 { "Passes" }
            (part(passes.map_err(Into::into), |reply| {
                let reply = reply.into_inner();
                html! { (passes_table(&reply.items)) (pager(&desk.ask, reply.next_cursor.as_ref())) }
            }))
            h2 { "Counts of fruit" }
            (fruits_table(&fruits))
            h2 { "Corrections" }
            (part(entries, |entries| corrections::kept(&entries)))
            @if let Some(advice) = &cross.advice { h2 { "Advice on the cross" } (advised(advice)) }
        },
    ))
}

/// Passes, counts of fruit and steps of seed, corrected ones too.
async fn entries_ever(
    desk: &Desk,
    cross: &str,
    fruits: &[FruitCount],
) -> Result<Vec<corrections::Entry>, Trouble> {
    let mut crossing = desk.crossing()?;
    let mut entries: Vec<corrections::Entry> = fruits.iter().map(Into::into).collect();
    let mut cursor = String::new();
    loop {
        let asked = ListPassesRequest {
            cross_id: cross.to_owned(),
            limit: 500,
            cursor,
            with_superseded: true,
        };
        let page = crossing.list_passes(asked).await?.into_inner();
        entries.extend(page.items.iter().map(Into::into));
        match page.next_cursor {
            Some(next) => cursor = next,
            None => break,
        }
    }
    let asked = GetSeedLedgerRequest {
        cross_id: cross.to_owned(),
    };
    let ledger = crossing.get_seed_ledger(asked).await?.into_inner();
    entries.extend(ledger.entries.iter().map(Into::into));
    Ok(entries)
}

fn fruits_table(fruits: &[FruitCount]) -> Markup {
    let standing = fruits
        .iter()
        .filter(|fruit| fruit.superseded_by.is_empty() && !fruit.withdrawn);
    Table::new("Counts of fruit")
        .text("Day")
        .text("Counted")
        .text("Reason and note")
        .text("By")
        .or_say("No fruit has been counted yet.")
        .rows(standing, |fruit| {
            let said = [&fruit.reason, &fruit.note];
            let said: Vec<&str> = said
                .into_iter()
                .filter(|said| !said.is_empty())
                .map(String::as_str)
                .collect();
            vec![
                day(&fruit.on),
                text(fruit_in_words(fruit)),
                text(said.join("; ")),
                text(&fruit.by),
            ]
        })
        .show()
}

fn fruit(cross: &Cross, outlook: &FruitOutlook, counts: &CrossCounts) -> Markup {
    let wanted = f64::from(cross.fruit_wanted_n);
    let picture = Intervals {
        key: "fruit".into(),
        title: "Fruit to expect".into(),
        description: "Fruits expected from the flowers pollinated so far, with the 90 % interval; the dashed line is the number wanted.".into(),
        axis: "fruits".into(),
        reference: Some((wanted, format!("wanted {}", words::count(cross.fruit_wanted_n)))),
        rows: vec![IntervalRow {
            label: format!("cross {}", cross.number),
            value: outlook.expected_n,
            interval: Some((outlook.low_n, outlook.high_n)),
            open: false,
            text: words::measure(outlook.expected_n),
        }],
    };
    let table = Table::new("Fruit to expect")
        .text("What")
        .number("Number")
        .rows(
            [
                ("fruits expected", words::measure(outlook.expected_n)),
                ("lower bound, 90 %", words::measure(outlook.low_n)),
                ("upper bound, 90 %", words::measure(outlook.high_n)),
                (
                    "chance of the wanted number",
                    words::percent(outlook.chance_of_wanted),
                ),
                (
                    "flowers still lacking",
                    words::count(outlook.flowers_lacking_n),
                ),
            ],
            |(what, number)| vec![text(what), text(number)],
        );
    let mends = mends(cross, outlook, counts);
    html! {
        h2 { "Fruit to expect" }
        ul.big {
            li { strong { (words::measure(outlook.expected_n)) } span { "fruits expected" } }
            li { strong { (words::measure(outlook.low_n)) " to " (words::measure(outlook.high_n)) } span { "90 % interval" } }
            li { strong { (words::percent(outlook.chance_of_wanted)) } span { "chance of " (words::count(cross.fruit_wanted_n)) " or more" } }
            li { strong { (words::count(outlook.flowers_lacking_n)) } span { "flowers still lacking" } }
        }
        (picture.draw().figure(table.show()))
        p {
            "From " (words::some(counts.flowers_pollinated_n, "flower", "flowers")) " pollinated on "
            (words::some(counts.passes_n, "pass", "passes")) ". " (outlook.note)
        }
        @if !mends.is_empty() {
            h3 { "What would mend it" }
            (notes(&mends))
        }
    }
}

/// What can still be done for a cross that is likely to miss its number, from what is known of its
/// passes, its mother's bloom and the pollen in store.
fn mends(cross: &Cross, outlook: &FruitOutlook, counts: &CrossCounts) -> Vec<String> {
    let over = counts.fruit_harvested_n > 0 || cross.standing == "cancelled";
    if over || outlook.flowers_lacking_n == 0 {
        return Vec::new();
    }
    let lacking = outlook.flowers_lacking_n;
    let mut mends = Vec::new();
    let per_pass = counts
        .flowers_pollinated_n
        .checked_div(counts.passes_n)
        .filter(|n| *n > 0);
    match per_pass {
        Some(per_pass) => mends.push(format!(
            "{} of {} flowers each, as on the passes so far, bring the {} that are lacking",
            words::some(lacking.div_ceil(per_pass), "more pass", "more passes"),
            words::count(per_pass),
            words::count(lacking)
        )),
        None => mends.push(format!(
            "pollinate {}",
            words::some(lacking, "flower", "flowers")
        )),
    }
    let pollen = cross
        .advice
        .as_ref()
        .and_then(|advice| advice.pollen.clone())
        .unwrap_or_default();
    if !pollen.seed_parent_last_on.is_empty() {
        mends.push(format!(
            "she blooms until {}; after that only a later mother of the same variety, or next season, can help",
            words::day(&pollen.seed_parent_last_on)
        ));
    }
    if cross.mother_ids.len() == 1 {
        mends.push("a second mother of the variety doubles the flowers of each pass".to_owned());
    }
    if let Some(best) = pollen
        .lots
        .iter()
        .max_by(|a, b| a.germination.total_cmp(&b.germination))
    {
        mends.push(format!(
            "the liveliest lot in store is {}, expected to germinate at {}, enough for {}",
            best.number,
            words::percent(best.germination),
            words::some(best.serves_flowers_n, "flower", "flowers")
        ));
    } else if !cross.open_pollinated {
        mends.push(
            "no usable lot of the pollen parent is in store; gather at balloon stage".to_owned(),
        );
    }
    mends
}

/// The counts of a cross as bars.
fn funnel(counts: &CrossCounts) -> Markup {
    let steps = [
        ("flowers emasculated", counts.flowers_emasculated_n),
        ("flowers pollinated", counts.flowers_pollinated_n),
        ("fruit set", counts.fruit_set_n.unwrap_or_default()),
        ("fruit harvested", counts.fruit_harvested_n),
        ("stones", counts.stones_n),
        ("seed extracted", counts.seed_extracted_n),
        ("seed stratified", counts.seed_stratified_n),
        ("seed rescued", counts.seed_rescued_n),
        ("seed germinated", counts.seed_germinated_n),
        ("seedlings planted", counts.seedlings_n),
    ];
    let way = Steps {
        key: "funnel",
        title: "From flower to seedling".into(),
        description: format!(
            "{} of {} became {}; {} seed were lost on the way, each with its cause.",
            words::some(
                counts.flowers_pollinated_n,
                "flower pollinated",
                "flowers pollinated"
            ),
            words::count(counts.flowers_emasculated_n),
            words::some(counts.seedlings_n, "seedling", "seedlings"),
            words::count(counts.seed_lost_n),
        ),
        powers_of_ten: false,
        steps: &steps,
    };
    if way.are_empty() {
        return html! { p.quiet { "No flower has been worked yet." } };
    }
    way.show()
}

fn passes_table(passes: &[Pass]) -> Markup {
    Table::new("Passes")
        .number("Pass")
        .text("Day")
        .text("Pollen lot")
        .number("Emasculated")
        .number("Pollinated")
        .number("Unfit")
        .number("Strays open")
        .number("Strays stripped")
        .number("Germination")
        .number("Doubt after it")
        .text("By")
        .text("Warnings and notes")
        .stacking()
        .or_say("No pass yet.")
        .rows(passes, |p| {
            vec![
                text(p.pass_n.to_string()),
                day(&p.on),
                text(&p.pollen_lot_number),
                count(p.flowers_emasculated_n),
                count(p.flowers_pollinated_n),
                count(p.unfit_n),
                count(p.stray_open_flowers_n),
                count(p.stray_stripped_n),
                maybe_percent(p.germination),
                maybe_percent(p.outcross_doubt),
                text(&p.by),
                html! {
                    @if p.warnings.is_empty() && p.note.is_empty() && p.reason.is_empty() { (crate::html::NOTHING) } @else {
                        div.wide {
                            (warnings(&p.warnings))
                            @for note in [&p.reason, &p.note].into_iter().filter(|n| !n.is_empty()) { p { (note) } }
                        }
                    }
                },
            ]
        })
        .show()
}

fn advised(a: &CrossAdvice) -> Markup {
    let compatibility = a.compatibility.clone().unwrap_or_default();
    let pollen = a.pollen.clone().unwrap_or_default();
    let bloom = |first: &str, last: &str| {
        if first.is_empty() {
            text("")
        } else {
            html! { (words::day(first)) " to " (words::day(last)) }
        }
    };
    html! {
        (facts(vec![
            ("Pollen accepted", word(&compatibility.verdict)),
            ("Kinship of the parents", crate::html::maybe_measure(a.kinship)),
            ("Inbreeding of the seedlings", crate::html::maybe_measure(a.progeny_inbreeding)),
            ("Ploidy", text(&a.ploidy_note)),
            ("Crossability", html! { (word(&a.crossability)) @if !a.crossability_note.is_empty() { ": " (a.crossability_note) } }),
            ("Flowers needed", html! {
                (count(a.flowers_needed)) " on average"
                @match a.flowers_needed_surely {
                    Some(surely) => { "; " (count(surely)) " to be nine tenths sure" },
                    None => "; no reasonable number is nine tenths sure",
                }
            }),
            ("Fruit set that rests on", html! {
                (words::percent(a.fruit_set_expected)) " (nine tenths: " (words::percent(a.fruit_set_low)) " to " (words::percent(a.fruit_set_high)) ")"
                @if !a.fruit_set_basis.is_empty() { ", " (a.fruit_set_basis) }
            }),
            ("Mother sets with her own pollen", word(&a.seed_parent_self_compatible)),
            ("Pollen can serve", word(&pollen.can_serve)),
            ("Days both bloom", maybe_count(pollen.shared_days_n)),
            ("Mother’s bloom covered", maybe_percent(pollen.share_covered)),
            ("Mother blooms", bloom(&pollen.seed_parent_first_on, &pollen.seed_parent_last_on)),
            ("Pollen parent blooms", bloom(&pollen.pollen_parent_first_on, &pollen.pollen_parent_last_on)),
            ("Bloom days rest on", text(&pollen.basis)),
        ]))
        (warnings(&a.warnings))
        (notes(&compatibility.notes))
        @if !compatibility.progeny.is_empty() {
            (Table::new("S genotypes of the seedlings").text("Genotype").number("Share")
                .rows(&compatibility.progeny, |p| vec![text(&p.genotype), text(words::percent(p.share))]).show())
        }
        @if !pollen.lots.is_empty() {
            (Table::new("Stored pollen that could serve").text("Lot").text("Gathered").text("Where").number("Germination").text("Verdict").number("Serves flowers")
                .rows(&pollen.lots, |l| vec![
                    text(&l.number), day(&l.gathered_on), word(&l.place), text(words::percent(l.germination)), word(&l.verdict), count(l.serves_flowers_n),
                ]).show())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use contract::crossing::{PollenChoice, PollenOutlook};

    #[test]
    fn a_cross_that_will_miss_its_number_says_what_would_mend_it() {
        let cross = Cross {
            number: "26-0004".into(),
            fruit_wanted_n: 100,
            mother_ids: vec!["m".into()],
            advice: Some(CrossAdvice {
                pollen: Some(PollenOutlook {
                    seed_parent_last_on: "2026-02-24".into(),
                    lots: vec![PollenChoice {
                        number: "P26-0034".into(),
                        germination: 0.6,
                        serves_flowers_n: 800,
                        ..PollenChoice::default()
                    }],
                    ..PollenOutlook::default()
                }),
                ..CrossAdvice::default()
            }),
            ..Cross::default()
        };
        let counts = CrossCounts {
            passes_n: 3,
            flowers_pollinated_n: 150,
            ..CrossCounts::default()
        };
        let outlook = FruitOutlook {
            expected_n: 30.0,
            low_n: 18.0,
            high_n: 44.0,
            chance_of_wanted: 0.001,
            flowers_lacking_n: 420,
            note: String::new(),
        };
        let shown = fruit(&cross, &outlook, &counts).into_string();
        for wanted in [
            "9 more passes of 50 flowers",
            "24 Feb 2026",
            "second mother",
            "P26-0034",
            "wanted 100",
        ] {
            assert!(shown.contains(wanted), "{wanted} in {shown}");
        }
        let reached = CrossCounts {
            fruit_harvested_n: 12,
            ..counts
        };
        assert!(
            mends(&cross, &outlook, &reached).is_empty(),
            "too late to mend"
        );
    }
}
