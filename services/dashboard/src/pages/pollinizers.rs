//! Pollinizer trials: several pollens on one variety in isolation, and what they showed.

use axum::extract::Path;
use contract::crossing::{
    GetPollinizerTrialRequest, JudgePollinizerTrialRequest, ListPollinizerTrialsRequest,
    PollinizerResult, PollinizerTrial,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, choice, count, day, facts, field, link, maybe_percent, notes, pager, part, text, word,
};
use crate::layout::Page;
use crate::picture::{IntervalRow, Intervals};
use crate::words;

/// All trials, of one season or of all.
pub async fn list(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let request = ListPollinizerTrialsRequest {
        limit: 0,
        cursor: ask.text("cursor"),
        season: ask.text("season"),
    };
    let list = desk
        .crossing()?
        .list_pollinizer_trials(request)
        .await?
        .into_inner();
    let table = Table::new("Pollinizer trials")
        .text("Variety")
        .number("Season")
        .number("Pollens")
        .text("Isolation")
        .text("Objective")
        .text("Result")
        .stacking()
        .or_say("No pollinizer trial fits.")
        .rows(&list.items, |t| {
            vec![
                link("/germplasm", &t.germplasm_id, &t.name),
                text(t.season.to_string()),
                count(t.pollen_parent_ids.len() as u64),
                text(&t.isolation),
                text(&t.objective),
                link("/pollinizer-trials", &t.id, "set by pollen"),
            ]
        });
    Ok(Page::new(
        "Pollinizer trials",
        html! {
            form.ask method="get" {
                (field("season", "Season", "number", &ask.text("season")))
                button { "Show" }
            }
            (table.show())
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

/// One trial with its judgment.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut crossing = desk.crossing()?;
    let trial = crossing
        .get_pollinizer_trial(GetPollinizerTrialRequest {
            pollinizer_trial_id: id.clone(),
        })
        .await?
        .into_inner();
    let confidence = desk.ask.number::<f64>("confidence").unwrap_or(0.95);
    let weigh_bloom = desk.ask.text("bloom") == "weighed";
    let judged = crossing
        .judge_pollinizer_trial(JudgePollinizerTrialRequest {
            pollinizer_trial_id: id,
            confidence: Some(confidence),
            weigh_bloom,
        })
        .await;
    let levels = ["0.8", "0.9", "0.95", "0.99"];
    Ok(Page::new(
        format!("Pollens on {}, {}", trial.name, trial.season),
        html! {
            (facts(vec![
                ("Variety", link("/germplasm", &trial.germplasm_id, &trial.name)),
                ("Season", link("/season", &trial.season.to_string(), &trial.season.to_string())),
                ("Isolation", text(&trial.isolation)),
                ("Objective", text(&trial.objective)),
                ("Difference in set that matters", text(words::percent(trial.least_difference))),
            ]))
            form.ask method="get" {
                (choice("confidence", "Confidence", None, levels.map(|l| (l.to_owned(), l.to_owned())), &confidence.to_string()))
                (choice("bloom", "Bloom overlap", None, [("".to_owned(), "beside the set".to_owned()), ("weighed".to_owned(), "weighed with the set".to_owned())], &desk.ask.text("bloom")))
                button { "Judge" }
            }
            (part(judged.map_err(Into::into), |reply| judgment(&reply.into_inner(), &trial, confidence)))
        },
    ))
}

fn judgment(result: &PollinizerResult, trial: &PollinizerTrial, confidence: f64) -> Markup {
    html! {
        h2 { "Recommendation" }
        p.lead { strong { (words::sentence(&result.recommendation)) } }
        (notes(&result.notes))
        h2 { "Set by pollen" }
        (sets(result, confidence))
        h2 { "Pollens compared in pairs" }
        p {
            "Exact test that all pollens set alike, with " (result.unit) " as units: p = " (p_value(result.p_overall)) "."
            @if let Some(rho) = result.intraclass_correlation {
                " Flowers of one branch are alike with a correlation of " (words::measure(rho)) ", which every interval and comparison allows for."
            }
        }
        (Table::new("Pairs").text("First").text("Second").number("p").number("p, corrected").or_say("There are not two pollens with counts.")
            .rows(&result.pairs, |p| vec![text(&p.first), text(&p.second), text(p_value(p.p)), text(p_value(p.p_corrected))]).show())
        h2 { "Counts by branch" }
        (counts(trial, result))
    }
}

fn p_value(p: f64) -> String {
    if p < 0.0001 {
        "below 0.0001".to_owned()
    } else {
        format!("{p:.4}")
    }
}

fn sets(result: &PollinizerResult, confidence: f64) -> Markup {
    let level = words::percent(confidence);
    let interval = |low: Option<f64>, high: Option<f64>| match (low, high) {
        (Some(low), Some(high)) => text(format!(
            "{} to {}",
            words::percent(low),
            words::percent(high)
        )),
        _ => text(""),
    };
    let table = Table::new("Set by pollen")
        .text("Pollen")
        .number("Flowers")
        .number("Fruits")
        .number("Branches")
        .number("Set")
        .text(format!("Exact {level} interval, {} as units", result.unit))
        .number("Bloom overlap")
        .number("Chance to be best")
        .number("p against the best")
        .text("By S alleles")
        .stacking()
        .or_say("No flower has been counted yet.")
        .rows(&result.pollens, |p| {
            vec![
                link("/germplasm", &p.pollen_parent_id, &p.name),
                count(p.flowers_n),
                count(p.fruit_n),
                count(p.branches_n),
                text(words::percent(p.set)),
                interval(Some(p.low), Some(p.high)),
                maybe_percent(p.bloom_overlap),
                text(words::percent(p.probability_best)),
                text(p_value(p.p_against_leader)),
                word(&p.compatibility),
            ]
        });
    if result.pollens.is_empty() {
        return table.show();
    }
    let picture = Intervals {
        key: "set".into(),
        title: "Fruit set by pollen".into(),
        description: format!(
            "Fruits for each flower with the exact {level} interval; open squares are pollens that are not recommended."
        ),
        axis: "fruits for 100 flowers".into(),
        reference: None,
        rows: result
            .pollens
            .iter()
            .map(|p| IntervalRow {
                label: p.name.clone(),
                value: p.set * 100.0,
                interval: Some((p.low * 100.0, p.high * 100.0)),
                open: !result
                    .recommended
                    .iter()
                    .any(|r| *r == p.name || *r == p.pollen_parent_id),
                text: format!(
                    "{}: {} of {}",
                    words::percent(p.set),
                    words::count(p.fruit_n),
                    words::count(p.flowers_n)
                ),
            })
            .collect(),
    };
    picture.draw().figure(table.show())
}

fn counts(trial: &PollinizerTrial, result: &PollinizerResult) -> Markup {
    let name = |id: &str| {
        let of = result.pollens.iter().find(|p| p.pollen_parent_id == id);
        of.map_or("pollen parent", |p| p.name.as_str())
    };
    Table::new("Counts by branch")
        .text("Pollen")
        .text("Branch")
        .number("Flowers")
        .number("Set")
        .number("Share")
        .text("Counted")
        .text("By")
        .or_say("No branch has been counted yet.")
        .rows(&trial.counts, |c| {
            let share = (c.flowers_n > 0).then(|| f64::from(c.set_n) / f64::from(c.flowers_n));
            vec![
                link("/germplasm", &c.pollen_parent_id, name(&c.pollen_parent_id)),
                text(&c.branch),
                count(c.flowers_n),
                count(c.set_n),
                maybe_percent(share),
                day(&c.on),
                text(&c.by),
            ]
        })
        .show()
}
