//! What decides who goes on: the selection board with its decisions, stability and assessors.

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse as _, Redirect, Response};
use contract::evaluation::{
    AdvanceList, AdvanceSuggestion, AssessorComparison, BiplotAxis, CompareAssessorsRequest,
    DecideEntriesRequest, EntryDecision, ExpectedTraitResponse, GetStabilityRequest,
    GetTrialRequest, ListDecisionsRequest, SuggestAdvanceRequest, Trial, TrialStability,
};
use maud::{Markup, html};
use platform::{Fault, FieldError, Permission, reading};

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, choice, count, day, field, link, maybe_measure, maybe_percent, notes, part, stages,
    text, word,
};
use crate::layout::Page;
use crate::picture::{Biplot, IntervalRow, Intervals, Spot};
use crate::trouble::Trouble;
use crate::words;

/// Entries suggested to go on, beside what a person decided.
pub async fn board(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut evaluation = desk.evaluation()?;
    let trial = evaluation
        .get_trial(GetTrialRequest {
            trial_id: id.clone(),
        })
        .await?
        .into_inner();
    let asked = Asked::of(&desk, &trial);
    let suggested = evaluation
        .suggest_advance(asked.request(&id))
        .await
        .map(tonic::Response::into_inner);
    let request = ListDecisionsRequest {
        trial_id: id,
        limit: 200,
        ..Default::default()
    };
    let decisions = evaluation
        .list_decisions(request)
        .await
        .map(|r| r.into_inner().items);
    Ok(Page::new(
        format!("Selection board of {}", trial.number),
        html! {
            p { a href={ "/trials/" (trial.id) } { (trial.name) } ", " (words::plain(&trial.stage)) ", season " (trial.season) }
            form.ask method="get" {
                (field("keep_n", "Entries that may go on", "number", &asked.keep_n.to_string()))
                (field("cost_per_entry", "Cost of one in the next stage", "text", &asked.cost_per_entry.map(|c| c.to_string()).unwrap_or_default()))
                (field("seed", "Seed of the draws", "number", &asked.seed.to_string()))
                button { "Show" }
            }
            (part(suggested.map_err(Into::into), |list| suggestions(&desk, &trial, &asked, &list)))
            h2 id="decisions" { "Decisions" }
            (part(decisions.map_err(Into::into), |all| {
                Table::new("Decisions, the newest first").text("Day").text("Entry").text("Decision").text("To").text("Reason").text("By").stacking().or_say("Nothing has been decided.")
                    .rows(&all, |d| vec![day(&d.on), link("/germplasm", &d.germplasm_id, if d.name.is_empty() { &d.number } else { &d.name }), word(&d.decision), word(&d.to_stage), text(&d.reason), text(&d.by)]).show()
            }))
        },
    ))
}

/// What the board was asked for.
struct Asked {
    keep_n: u32,
    seed: u64,
    cost_per_entry: Option<f64>,
}

impl Asked {
    fn of(desk: &Desk, trial: &Trial) -> Self {
        Self {
            keep_n: desk
                .ask
                .number("keep_n")
                .unwrap_or_else(|| (trial.entries_n / 10).max(1)),
            seed: desk.ask.number("seed").unwrap_or(1),
            cost_per_entry: desk.ask.number("cost_per_entry"),
        }
    }

    fn request(&self, trial_id: &str) -> SuggestAdvanceRequest {
        SuggestAdvanceRequest {
            trial_id: trial_id.to_owned(),
            keep_n: self.keep_n,
            seed: self.seed,
            cost_per_entry: self.cost_per_entry,
            ..SuggestAdvanceRequest::default()
        }
    }
}

/// Entries below the line that are listed with those above it.
const BELOW_THE_LINE: usize = 100;
/// Entries drawn with their chances.
const MOST_DRAWN: usize = 60;

fn name_of(item: &AdvanceSuggestion) -> &str {
    if item.name.is_empty() {
        &item.number
    } else {
        &item.name
    }
}

fn suggestions(desk: &Desk, trial: &Trial, asked: &Asked, list: &AdvanceList) -> Markup {
    let listed = (list.suggested_n as usize + BELOW_THE_LINE).min(list.items.len());
    let items = &list.items[..listed];
    let rows: Vec<IntervalRow> = items
        .iter()
        .take(MOST_DRAWN)
        .filter_map(|item| {
            let chance = item.top_probability?;
            Some(IntervalRow {
                label: name_of(item).to_owned(),
                value: chance,
                interval: None,
                open: item.suggestion != "advance",
                text: format!(
                    "{} {}",
                    words::percent(chance),
                    words::plain(&item.suggestion)
                ),
            })
        })
        .collect();
    let confirming = desk.may(Permission::SelectTrees);
    let mut table = Table::new("Suggestions, the best first");
    if confirming {
        table = table.text("Goes on");
    }
    let table = table
        .number("Rank")
        .text("Entry")
        .text("Suggestion")
        .text("Reason")
        .number("Score")
        .number("Truly among the best")
        .text("Decided")
        .number("Out-cross doubt")
        .stacking()
        .rows(items, |i| {
            let mut cells = vec![
                count(i.rank),
                link("/germplasm", &i.germplasm_id, name_of(i)),
                word(&i.suggestion),
                text(&i.reason),
                maybe_measure(i.score),
                maybe_percent(i.top_probability),
                word(&i.decision),
                maybe_percent(i.outcross_doubt),
            ];
            if confirming {
                cells.insert(0, html! {
                    input type="checkbox" name="entry" value=(i.germplasm_id) checked[i.suggestion == "advance"]
                        aria-label={ (name_of(i)) " goes on" };
                });
            }
            cells
        });
    html! {
        p { (words::some(list.suggested_n, "entry is", "entries are")) " suggested to go on. A person decides." }
        @if let Some(cost) = list.next_stage_cost {
            p { "The next stage costs " strong { (words::measure(cost)) } " with them." }
        }
        (Table::new("Traits that count").text("Trait").number("Weight of one standard deviation").number("Mean").number("Standard deviation").number("Heritability").number("Repeatability, an upper bound")
            .rows(&list.traits, |t| vec![html! { (words::plain(&t.r#trait)) @if !t.unit.is_empty() { ", " (t.unit) } }, text(words::measure(t.weight)), text(words::measure(t.mean)), text(words::measure(t.sd)), maybe_measure(t.heritability), maybe_measure(t.repeatability)]).show())
        @for source in list.traits.iter().filter_map(|t| t.source.as_ref()) { (super::figures::named(source)) }
        (notes(&list.notes))
        (responses(&list.responses, list.suggested_n))
        @if !rows.is_empty() {
            (Intervals {
                key: "board".into(),
                title: "Probability of truly being among the best".into(),
                description: "Filled squares are suggested to go on, open ones to be discarded; the first sixty.".into(),
                axis: "probability".into(),
                reference: None,
                rows,
            }.draw().figure(chances(items).show()))
        }
        h2 { "Who goes on" }
        @if listed < list.items.len() {
            p.quiet { "Those suggested and the next " (BELOW_THE_LINE) " of " (words::count(list.items.len() as u64)) " entries." }
        }
        @if confirming {
            form method="post" action={ "/trials/" (trial.id) "/decisions" } {
                input type="hidden" name="id" value=(uuid::Uuid::now_v7());
                input type="hidden" name="keep_n" value=(asked.keep_n);
                input type="hidden" name="seed" value=(asked.seed);
                (table.show())
                (choice("to_stage", "Those ticked go to", None, stages(later_stages(&trial.stage)), ""))
                (choice("others", "The others in this list", Some("stay undecided"), [("hold".to_owned(), "are held".to_owned()), ("discard".to_owned(), "are discarded".to_owned())], ""))
                (field("note", "Why, in your own words", "text", ""))
                button { "Decide" }
            }
        } @else {
            (table.show())
        }
    }
}

fn chances(items: &[AdvanceSuggestion]) -> Table {
    Table::new("Probability of truly being among the best")
        .number("Rank")
        .text("Entry")
        .number("Probability")
        .rows(items.iter().take(MOST_DRAWN), |i| {
            vec![
                count(i.rank),
                text(name_of(i)),
                maybe_percent(i.top_probability),
            ]
        })
}

fn later_stages(stage: &str) -> &'static [&'static str] {
    const LATER: [&str; 3] = ["budded", "multi_site", "pre_release"];
    match stage {
        "budded" => &LATER[1..],
        "multi_site" => &LATER[2..],
        _ => &LATER,
    }
}

/// Expected responses with their intervals, in percent of the mean so that traits stand on one
/// axis; the table tells them in their units.
fn responses(all: &[ExpectedTraitResponse], kept_n: u32) -> Markup {
    let rows: Vec<IntervalRow> = all
        .iter()
        .filter_map(|r| {
            let expected = r.response?;
            let percent = |x: f64| 100.0 * x / r.mean.abs();
            (r.mean != 0.0).then(|| IntervalRow {
                label: words::plain(&r.r#trait),
                value: percent(expected),
                interval: r.low.zip(r.high).map(|(l, h)| (percent(l), percent(h))),
                open: false,
                text: format!("{} {}", words::measure(expected), r.unit),
            })
        })
        .collect();
    let table = Table::new("Expected response")
        .text("Trait")
        .number("Mean of all")
        .number("Mean of those kept")
        .number("Expected response")
        .number("From")
        .number("To")
        .text("Unit")
        .stacking()
        .rows(all, |r| {
            vec![
                word(&r.r#trait),
                text(words::measure(r.mean)),
                text(words::measure(r.kept_mean)),
                maybe_measure(r.response),
                maybe_measure(r.low),
                maybe_measure(r.high),
                text(&r.unit),
            ]
        });
    html! {
        @if !all.is_empty() {
            h2 { "Expected response" }
            @if rows.is_empty() {
                (table.show())
            } @else {
                (Intervals {
                    key: "response".into(),
                    title: format!("Expected response when {} kept", words::some(kept_n, "entry is", "entries are")),
                    description: "True mean of those kept less that of all, with the interval that holds 95 % of posterior draws.".into(),
                    axis: "% of the mean of all".into(),
                    reference: Some((0.0, "no change".into())),
                    rows,
                }.draw().figure(table.show()))
            }
        }
    }
}

/// Decides as the form says; reasons come from the same suggestion that the form showed.
pub async fn decide(
    desk: Desk,
    Path(id): Path<String>,
    form: Result<Form<Vec<(String, String)>>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    const NAMES: [&str; 7] = [
        "entry", "id", "keep_n", "note", "others", "seed", "to_stage",
    ];
    let unknown: Vec<FieldError> = form
        .iter()
        .filter(|(name, _)| !NAMES.contains(&name.as_str()))
        .map(|(name, _)| reading::unknown(name, format!("/{name}"), &NAMES))
        .collect();
    if !unknown.is_empty() {
        return Err(Fault::invalid(unknown).into());
    }
    let one = |name: &str| {
        form.iter()
            .find(|(n, _)| n == name)
            .map(|(_, value)| value.trim())
            .unwrap_or_default()
    };
    let number = |name: &str| {
        one(name).parse::<u64>().map_err(|_| {
            Fault::field(
                format!("/{name}"),
                format!("{:?} is no whole number", one(name)),
            )
        })
    };
    let ticked: Vec<&str> = form
        .iter()
        .filter(|(name, _)| name == "entry")
        .map(|(_, value)| value.as_str())
        .collect();
    let asked = Asked {
        keep_n: u32::try_from(number("keep_n")?).unwrap_or(u32::MAX),
        seed: number("seed")?,
        cost_per_entry: None,
    };
    let mut evaluation = desk.evaluation()?;
    let list = evaluation
        .suggest_advance(asked.request(&id))
        .await?
        .into_inner();
    let others = one("others");
    let listed = (list.suggested_n as usize + BELOW_THE_LINE).min(list.items.len());
    let decisions: Vec<EntryDecision> = list.items[..listed]
        .iter()
        .filter_map(|item| {
            let decision = if ticked.contains(&item.germplasm_id.as_str()) {
                "advance"
            } else if others.is_empty() {
                return None;
            } else {
                others
            };
            let reason = match one("note") {
                "" => item.reason.clone(),
                note => format!("{note} ({})", item.reason),
            };
            Some(EntryDecision {
                germplasm_id: item.germplasm_id.clone(),
                decision: decision.to_owned(),
                reason: reason.chars().take(500).collect(),
            })
        })
        .collect();
    let request = DecideEntriesRequest {
        trial_id: id.clone(),
        id: one("id").to_owned(),
        decisions,
        to_stage: if ticked.is_empty() {
            String::new()
        } else {
            one("to_stage").to_owned()
        },
        on: String::new(),
    };
    evaluation.decide_entries(request).await?;
    Ok(Redirect::to(&format!("/trials/{id}/selection#decisions")).into_response())
}

/// Stability of entries over environments.
pub async fn stability(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = GetStabilityRequest {
        trial_id: id.clone(),
        r#trait: desk.ask.text("trait"),
    };
    let s = desk
        .evaluation()?
        .get_stability(request)
        .await?
        .into_inner();
    let title = format!("Stability of {}", words::plain(&s.r#trait));
    Ok(Page::new(
        title,
        html! {
            p { a href={ "/trials/" (id) "?trait=" (s.r#trait) } { "To the trial" } }
            @if s.ammi.len() > 1 { h2 { "Interaction alone (AMMI)" } (biplot("ammi", "Entries and environments by their interaction", &s, &s.ammi)) }
            @if s.gge.len() > 1 { h2 { "Entries and interaction together (GGE)" } (biplot("gge", "Entries and environments by entry and interaction", &s, &s.gge)) }
            h2 { "Entry by entry" }
            (Table::new("Stability").text("Entry").number("Mean").number("Slope").number("Standard error").number("R²").number("Deviation").number("Ecovalence").number("Stability variance").number("CV, %").number("Superiority").stacking()
                .rows(&s.items, |i| vec![
                    link("/germplasm", &i.germplasm_id, if i.name.is_empty() { &i.number } else { &i.name }),
                    text(words::measure(i.mean)), text(words::measure(i.slope)), text(words::measure(i.slope_se)), maybe_measure(i.r_squared),
                    text(words::measure(i.deviation_ms)), text(words::measure(i.wricke_ecovalence)), text(words::measure(i.shukla_variance)),
                    text(words::measure(i.cv_percent)), text(words::measure(i.superiority)),
                ]).show())
            p.quiet { "Slope on the environment index (Finlay and Wilkinson), deviation from the line (Eberhart and Russell), ecovalence (Wricke), stability variance (Shukla), superiority (Lin and Binns; smaller is better)." }
            (Table::new("Environments").text("Environment").number("Difference from the grand mean")
                .rows(s.environments.iter().zip(&s.environment_indices), |(name, index)| vec![text(name), text(words::measure(*index))]).show())
            @if !s.left_out.is_empty() { p { "Left out for want of a value in some environment: " (s.left_out.join(", ")) } }
        },
    ))
}

fn biplot(key: &str, title: &str, s: &TrialStability, axes: &[BiplotAxis]) -> Markup {
    let name = |i: usize| {
        s.items.get(i).map_or(String::new(), |e| {
            if e.name.is_empty() {
                e.number.clone()
            } else {
                e.name.clone()
            }
        })
    };
    let (first, second) = (&axes[0], &axes[1]);
    let pairs = |a: &[f64], b: &[f64]| a.iter().copied().zip(b.iter().copied()).collect::<Vec<_>>();
    let points: Vec<Spot> = pairs(&first.entry_scores, &second.entry_scores)
        .into_iter()
        .enumerate()
        .map(|(i, (x, y))| Spot {
            label: name(i),
            x,
            y,
        })
        .collect();
    let directions: Vec<Spot> = pairs(&first.environment_scores, &second.environment_scores)
        .into_iter()
        .enumerate()
        .map(|(i, (x, y))| Spot {
            label: s.environments.get(i).cloned().unwrap_or_default(),
            x,
            y,
        })
        .collect();
    let table = Table::new("Scores")
        .text("Entry or environment")
        .number("First axis")
        .number("Second axis")
        .rows(points.iter().chain(&directions), |p| {
            vec![
                text(&p.label),
                text(words::measure(p.x)),
                text(words::measure(p.y)),
            ]
        });
    Biplot {
        key: key.to_owned(),
        title: title.to_owned(),
        description: "Squares are entries; lines from the middle are environments.".into(),
        axes: (
            format!(
                "first axis, {} % of the sum of squares",
                words::measure(first.percent)
            ),
            format!("second axis, {} %", words::measure(second.percent)),
        ),
        points,
        directions,
    }
    .draw()
    .figure(table.show())
}

/// How assessors differ.
pub async fn assessors(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = CompareAssessorsRequest {
        trial_id: id.clone(),
        r#trait: desk.ask.text("trait"),
    };
    let c = desk
        .evaluation()?
        .compare_assessors(request)
        .await?
        .into_inner();
    Ok(Page::new(
        format!("Assessors of {}", words::plain(&c.r#trait)),
        html! {
            p { a href={ "/trials/" (id) "?trait=" (c.r#trait) } { "To the trial" } }
            (notes(&c.notes))
            (compared(&c))
        },
    ))
}

fn compared(c: &AssessorComparison) -> Markup {
    let rows: Vec<IntervalRow> = c
        .items
        .iter()
        .filter_map(|a| {
            let bias = a.bias?;
            Some(IntervalRow {
                label: a.by.clone(),
                value: bias,
                interval: a.se.map(|se| (bias - 1.96 * se, bias + 1.96 * se)),
                open: false,
                text: words::measure(bias),
            })
        })
        .collect();
    let table = Table::new("Assessors")
        .text("Assessor")
        .number("Records")
        .number("Shared")
        .number("Difference from the others")
        .number("Standard error")
        .number("p")
        .or_say("Nobody has taken records of this trait.")
        .rows(&c.items, |a| {
            vec![
                text(&a.by),
                count(a.records_n),
                count(a.shared_n),
                maybe_measure(a.bias),
                maybe_measure(a.se),
                maybe_measure(a.p),
            ]
        });
    if rows.is_empty() {
        return table.show();
    }
    Intervals {
        key: "assessors".into(),
        title: "Difference of each assessor from the others on the same trees".into(),
        description: "With 95 % intervals; nought is no difference.".into(),
        axis: if c.unit.is_empty() {
            "difference".into()
        } else {
            format!("difference, {}", c.unit)
        },
        reference: Some((0.0, "no difference".into())),
        rows,
    }
    .draw()
    .figure(table.show())
}
