//! What decides who goes on: the selection board, stability, assessors and analyses.

use axum::extract::Path;
use contract::evaluation::{
    AdvanceList, Analysis, AssessorComparison, BiplotAxis, CompareAssessorsRequest,
    GetAnalysisRequest, GetStabilityRequest, GetTrialRequest, ListDecisionsRequest,
    SuggestAdvanceRequest, TrialStability,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, count, day, facts, field, link, maybe_measure, maybe_percent, notes, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Biplot, IntervalRow, Intervals, Spot};
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
    let keep_n = desk
        .ask
        .number::<u32>("keep_n")
        .unwrap_or_else(|| (trial.entries_n / 10).max(1));
    let seed = desk.ask.number::<u64>("seed").unwrap_or(1);
    let asked = SuggestAdvanceRequest {
        trial_id: id.clone(),
        keep_n,
        seed,
        ..SuggestAdvanceRequest::default()
    };
    let suggested = evaluation
        .suggest_advance(asked)
        .await
        .map(tonic::Response::into_inner);
    let asked = ListDecisionsRequest {
        trial_id: id,
        limit: 200,
        ..Default::default()
    };
    let decisions = evaluation
        .list_decisions(asked)
        .await
        .map(|r| r.into_inner().items);
    Ok(Page::new(
        format!("Selection board of {}", trial.number),
        html! {
            p { a href={ "/trials/" (trial.id) } { (trial.name) } ", " (words::plain(&trial.stage)) ", season " (trial.season) }
            form.ask method="get" {
                (field("keep_n", "Entries that may go on", "number", &keep_n.to_string()))
                (field("seed", "Seed of the draws", "number", &seed.to_string()))
                button { "Show" }
            }
            (part(suggested.map_err(Into::into), |list| suggestions(&list)))
            h2 { "Decisions" }
            (part(decisions.map_err(Into::into), |all| {
                Table::new("Decisions, the newest first").text("Day").text("Entry").text("Decision").text("To").text("Reason").text("By").stacking().or_say("Nothing has been decided.")
                    .rows(&all, |d| vec![day(&d.on), link("/germplasm", &d.germplasm_id, if d.name.is_empty() { &d.number } else { &d.name }), word(&d.decision), word(&d.to_stage), text(&d.reason), text(&d.by)]).show()
            }))
        },
    ))
}

fn suggestions(list: &AdvanceList) -> Markup {
    let rows = list
        .items
        .iter()
        .take(60)
        .filter_map(|item| {
            Some(IntervalRow {
                label: if item.name.is_empty() {
                    item.number.clone()
                } else {
                    item.name.clone()
                },
                value: item.top_probability?,
                interval: None,
                open: item.suggestion != "advance",
                text: format!(
                    "{} {}",
                    words::percent(item.top_probability?),
                    words::plain(&item.suggestion)
                ),
            })
        })
        .collect::<Vec<_>>();
    let table = Table::new("Suggestions, the best first")
        .number("Rank")
        .text("Entry")
        .text("Suggestion")
        .text("Reason")
        .number("Score")
        .number("Truly among the best")
        .text("Decided")
        .number("Out-cross doubt")
        .stacking()
        .rows(&list.items, |i| {
            vec![
                count(i.rank),
                link(
                    "/germplasm",
                    &i.germplasm_id,
                    if i.name.is_empty() {
                        &i.number
                    } else {
                        &i.name
                    },
                ),
                word(&i.suggestion),
                text(&i.reason),
                maybe_measure(i.score),
                maybe_percent(i.top_probability),
                word(&i.decision),
                maybe_percent(i.outcross_doubt),
            ]
        });
    html! {
        p { (words::some(list.suggested_n, "entry is", "entries are")) " suggested to go on. A person decides." }
        (Table::new("Traits that count").text("Trait").number("Weight of one standard deviation").number("Mean").number("Standard deviation").number("Heritability")
            .rows(&list.traits, |t| vec![html! { (words::plain(&t.r#trait)) @if !t.unit.is_empty() { ", " (t.unit) } }, text(words::measure(t.weight)), text(words::measure(t.mean)), text(words::measure(t.sd)), maybe_measure(t.heritability)]).show())
        (notes(&list.notes))
        @if rows.is_empty() {
            (table.show())
        } @else {
            (Intervals {
                key: "board".into(),
                title: "Probability of truly being among the best".into(),
                description: "Filled squares are suggested to go on, open ones to be discarded.".into(),
                axis: "probability".into(),
                reference: None,
                rows,
            }.draw().beside(table.show()))
        }
    }
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

/// One mixed-model analysis.
pub async fn analysis(desk: Desk, Path(id): Path<String>) -> Shown {
    let request = GetAnalysisRequest { analysis_id: id };
    let a = desk.evaluation()?.get_analysis(request).await?.into_inner();
    Ok(Page::new(
        format!("Analysis of {}", words::plain(&a.r#trait)),
        html! {
            p { a href={ "/trials/" (a.trial_id) "?trait=" (a.r#trait) } { "To the trial" } }
            (model(&a))
            @if !a.problem.is_empty() { p.caution { (a.problem) } }
            h2 { "Variance components" }
            (Table::new("Variance components").text("Term").number("Variance").number("Standard error").text("Note").or_say("None.")
                .rows(&a.components, |c| vec![text(&c.name), text(words::measure(c.variance)), maybe_measure(c.se), text(if c.boundary { "at zero" } else { "" })]).show())
            @if !a.tests.is_empty() {
                h2 { "Tests" }
                (Table::new("Tests").text("Term").text("Kind").number("Statistic").number("df").number("Denominator df").number("p")
                    .rows(&a.tests, |t| vec![text(&t.term), word(&t.kind), text(words::measure(t.statistic)), text(words::measure(t.df)), maybe_measure(t.denominator_df), text(words::measure(t.p))]).show())
            }
            @if !a.fixed.is_empty() {
                h2 { "Fixed effects (BLUE)" }
                (Table::new("Fixed effects").text("Effect").number("Estimate").number("Standard error")
                    .rows(&a.fixed, |f| vec![text(&f.name), text(words::measure(f.estimate)), text(words::measure(f.se))]).show())
            }
            @if !a.random.is_empty() { h2 { "Predictions (BLUP)" } (predictions(&a)) }
            @if let Some(d) = &a.diagnostics {
                h2 { "Diagnostics" }
                (facts(vec![
                    ("Iterations", count(d.iterations)),
                    ("Gradient at the end", text(format!("{:.1e}", d.gradient))),
                    ("Correlation along rows", maybe_measure(d.row_correlation)),
                    ("Correlation along columns", maybe_measure(d.column_correlation)),
                    ("Skewness of residuals", text(words::measure(d.residual_skewness))),
                    ("Excess kurtosis", text(words::measure(d.residual_kurtosis))),
                    ("Sets of entries that can be compared", count(d.connected_sets_n)),
                    ("Terms at zero", text(d.boundary.join(", "))),
                    ("Seconds", text(words::measure(d.seconds))),
                ]))
                (Table::new("Records that stand out").text("Tree").number("Year").number("Observed").number("Fitted").number("Standardised residual").number("Cook’s distance").or_say("No record stands out.")
                    .rows(&d.influential, |r| vec![text(&r.number), text(r.year.to_string()), text(words::measure(r.observed)), text(words::measure(r.fitted)), text(words::measure(r.standardised_residual)), maybe_measure(r.cook)]).show())
            }
        },
    ))
}

fn model(a: &Analysis) -> Markup {
    facts(vec![
        (
            "Status",
            html! { (words::plain(&a.status)) @if a.status == "done" { (if a.converged { ", converged" } else { ", did not converge" }) } },
        ),
        ("Fixed terms", text(a.fixed_terms.join(", "))),
        ("Random terms", text(a.random_terms.join(", "))),
        (
            "Pedigree",
            text(if a.relationship {
                "taken into account"
            } else {
                "not used"
            }),
        ),
        ("Residuals", word(&a.residual)),
        ("Records", count(a.records_n)),
        ("Heritability", maybe_measure(a.heritability)),
        (
            "Heritability of one tree",
            maybe_measure(a.tree_heritability),
        ),
        ("Log-likelihood", maybe_measure(a.log_likelihood)),
        ("Asked for", text(&a.requested_at)),
        ("Finished", text(&a.finished_at)),
        (
            "Records’ SHA-256",
            html! { code { (text(&a.data_sha256)) } },
        ),
        ("Version", text(&a.version)),
    ])
}

fn predictions(a: &Analysis) -> Markup {
    let rows = a
        .random
        .iter()
        .take(60)
        .map(|r| IntervalRow {
            label: if r.label.is_empty() {
                r.level.clone()
            } else {
                r.label.clone()
            },
            value: r.effect,
            interval: Some((r.effect - 1.96 * r.se, r.effect + 1.96 * r.se)),
            open: false,
            text: words::measure(r.effect),
        })
        .collect();
    let table = Table::new("Predictions")
        .text("Term")
        .text("Level")
        .number("Effect")
        .number("Standard error")
        .rows(&a.random, |r| {
            vec![
                text(&r.term),
                text(if r.label.is_empty() {
                    &r.level
                } else {
                    &r.label
                }),
                text(words::measure(r.effect)),
                text(words::measure(r.se)),
            ]
        });
    Intervals {
        key: "blup".into(),
        title: "Predicted effects with 95 % intervals".into(),
        description: "The first sixty; the table holds all.".into(),
        axis: if a.unit.is_empty() {
            "effect".into()
        } else {
            format!("effect, {}", a.unit)
        },
        reference: Some((0.0, "mean".into())),
        rows,
    }
    .draw()
    .figure(table.show())
}
