//! What keeping different numbers at each stage would bring, under places and money.

use contract::evaluation::{PlanSelectionRequest, SelectionOutcome, SelectionPlan, SelectionStage};
use maud::{Markup, html};

use super::Shown;
use crate::desk::{Ask, Desk};
use crate::html::{Table, count, field, part, text};
use crate::layout::Page;
use crate::picture::{IntervalRow, Intervals};
use crate::words;

/// Stages with the figures that the form begins with: error standard deviation of an entry's mean
/// in genetic standard deviations, and cost of one entry.
const STAGES: [(&str, &str, &str); 3] = [
    ("own_root", "2", "5"),
    ("budded", "1", "60"),
    ("multi_site", "0.5", "900"),
];

/// Asks for the numbers and shows the best choices.
pub async fn show(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let plan = if ask.text("candidates_n").is_empty() {
        None
    } else {
        let plan = desk.evaluation()?.plan_selection(request(ask)).await;
        Some(plan.map(tonic::Response::into_inner).map_err(Into::into))
    };
    let or = |name: &str, begin: &str| match ask.text(name) {
        asked if asked.is_empty() => begin.to_owned(),
        asked => asked,
    };
    let (trial_id, code) = (ask.text("trial_id"), ask.text("trait"));
    let of_trial = !trial_id.is_empty() && !code.is_empty();
    Ok(Page::new(
        "What if",
        html! {
            p { "Selection over several stages is simulated: entries have true values, each stage sees them with error, the best go on, and the last are released. Compared are the numbers kept that places and money allow." }
            form.ask method="get" {
                (field("candidates_n", "Entries in the first stage", "number", &or("candidates_n", "5000")))
                (field("released_n", "Released in the end", "number", &or("released_n", "2")))
                @if of_trial {
                    input type="hidden" name="trial_id" value=(trial_id);
                    input type="hidden" name="trait" value=(code);
                    (field("genetic_sd", "Genetic standard deviation; empty for that of the trial’s figures", "text", &ask.text("genetic_sd")))
                    p.quiet { "Of " (words::plain(&code)) " in " a href={ "/trials/" (trial_id) "?trait=" (code) } { "this trial" } "; error standard deviations are in the trait’s unit." }
                } @else {
                    (field("genetic_sd", "Genetic standard deviation", "text", &or("genetic_sd", "1")))
                }
                (field("budget", "Money for all stages; empty for no limit", "text", &ask.text("budget")))
                @for (stage, error_sd, cost) in STAGES {
                    fieldset {
                        legend { (words::title(stage)) }
                        (field(&format!("error_{stage}"), "Error standard deviation", "text", &or(&format!("error_{stage}"), error_sd)))
                        (field(&format!("cost_{stage}"), "Cost of one entry", "text", &or(&format!("cost_{stage}"), cost)))
                        (field(&format!("places_{stage}"), "Places; empty for no limit", "number", &ask.text(&format!("places_{stage}"))))
                    }
                }
                (field("seed", "Seed of the draws", "number", &or("seed", "1")))
                button { "Simulate" }
            }
            @if let Some(plan) = plan {
                h2 { "Best choices" }
                @if let Ok(plan) = &plan { p { "With a genetic standard deviation of " (words::measure(plan.genetic_sd)) "." } }
                (part(plan, |plan| outcomes(&plan)))
            }
        },
    ))
}

fn request(ask: &Ask) -> PlanSelectionRequest {
    PlanSelectionRequest {
        candidates_n: ask.number("candidates_n").unwrap_or_default(),
        genetic_sd: ask.number("genetic_sd"),
        analysis_id: ask.text("analysis_id"),
        stages: STAGES
            .iter()
            .map(|(stage, _, _)| SelectionStage {
                name: (*stage).to_owned(),
                error_sd: ask.number(&format!("error_{stage}")).unwrap_or(f64::NAN),
                cost_per_candidate: ask.number(&format!("cost_{stage}")).unwrap_or(f64::NAN),
                places: ask.number(&format!("places_{stage}")),
            })
            .collect(),
        released_n: ask.number("released_n").unwrap_or_default(),
        budget: ask.number("budget"),
        kept_n: Vec::new(),
        draws_n: 0,
        seed: ask.number("seed").unwrap_or(1),
        trial_id: ask.text("trial_id"),
        r#trait: ask.text("trait"),
    }
}

fn numbers(outcome: &SelectionOutcome) -> String {
    let kept: Vec<String> = outcome.kept_n.iter().map(|&n| words::count(n)).collect();
    kept.join(" → ")
}

fn outcomes(plan: &SelectionPlan) -> Markup {
    let rows = plan
        .outcomes
        .iter()
        .map(|outcome| IntervalRow {
            label: numbers(outcome),
            value: outcome.gain,
            interval: Some((outcome.gain_low, outcome.gain_high)),
            open: false,
            text: words::measure(outcome.gain),
        })
        .collect();
    let mut table = Table::new("Choices, the best first");
    for (stage, _, _) in STAGES {
        table = table.number(words::title(stage));
    }
    let table = table
        .number("Cost")
        .number("Gain")
        .number("From")
        .number("To")
        .number("The best of all is released")
        .stacking()
        .or_say("No choice fits the places and the money.")
        .rows(&plan.outcomes, |o| {
            let mut cells: Vec<Markup> = o.kept_n.iter().map(|&n| count(n)).collect();
            cells.extend([
                text(words::measure(o.cost)),
                text(words::measure(o.gain)),
                text(words::measure(o.gain_low)),
                text(words::measure(o.gain_high)),
                text(words::percent(o.best_is_released)),
            ]);
            cells
        });
    if plan.outcomes.is_empty() {
        return table.show();
    }
    Intervals {
        key: "gains".into(),
        title: "Gain of those released by entries in each stage".into(),
        description: "Mean true value of those released less that of all, with the interval that holds 95 % of simulated courses.".into(),
        axis: "gain".into(),
        reference: None,
        rows,
    }
    .draw()
    .figure(table.show())
}
