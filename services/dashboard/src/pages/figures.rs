//! What figures come from, named the same wherever they stand, and the choice of another model.

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse as _, Redirect, Response};
use contract::evaluation::{Analysis, ChooseAnalysisRequest, FiguresSource, VarianceComponent};
use maud::{Markup, html};
use platform::{Fault, Permission};
use serde::Deserialize;

use crate::desk::Desk;
use crate::html::{Table, text};
use crate::trouble::Trouble;
use crate::words;

/// Names the figures of a trait: which model, made when, chosen by whom.
pub fn named(source: &FiguresSource) -> Markup {
    html! {
        p.quiet {
            "Figures of " (words::plain(&source.r#trait)) ": "
            @if source.analysis_id.is_empty() {
                @if source.id.is_empty() { "of the part asked for, " } @else { "the model that the design can carry, " }
            } @else {
                "the model of " a href={ "/analyses/" (source.analysis_id) } { "an analysis" } " chosen by " (source.chosen_by) ", "
            }
            (source.model) "."
            @if !source.id.is_empty() {
                " Worked out " (words::instant(&source.made_at)) "; the same for means, ranking, selection board, index and adviser. "
                span.nowrap { "No. " code { (source.id) } }
            }
        }
    }
}

/// The variances of figures with their intervals.
pub fn components(all: &[VarianceComponent]) -> Markup {
    html! {
        @if !all.is_empty() {
            (Table::new("What varies").text("Term").number("Variance").text("95 % interval")
                .rows(all, |c| vec![
                    text(&c.name),
                    text(words::measure(c.variance)),
                    text(c.low.zip(c.high).map_or_else(String::new, |(low, high)| format!("{} to {}", words::measure(low), words::measure(high)))),
                ]).show())
        }
    }
}

/// The way back to the usual model, for who may choose.
pub fn usual(desk: &Desk, source: &FiguresSource) -> Markup {
    html! {
        @if !source.analysis_id.is_empty() && desk.may(Permission::ManageTrials) {
            (form(source.trial_id.as_str(), &source.r#trait, "", "Go back to the model that the design can carry"))
        }
    }
}

/// The choice of an analysis for the figures of its trait, where it can give them.
pub fn choice(desk: &Desk, a: &Analysis) -> Markup {
    let gives = a.status == "done"
        && a.converged
        && a.method == "linear"
        && a.between_sites.is_empty()
        && (a.relationship || a.random_terms.iter().any(|term| term == "entry"));
    html! {
        @if gives && desk.may(Permission::ManageTrials) {
            (form(&a.trial_id, &a.r#trait, &a.id, "Let means, ranking, board, index and adviser follow this model"))
        }
    }
}

fn form(trial_id: &str, code: &str, analysis_id: &str, label: &str) -> Markup {
    html! {
        form method="post" action={ "/trials/" (trial_id) "/figures" } {
            input type="hidden" name="trait" value=(code);
            input type="hidden" name="analysis_id" value=(analysis_id);
            button { (label) }
        }
    }
}

/// What the form sends.
#[derive(Debug, Deserialize)]
pub struct Chosen {
    r#trait: String,
    #[serde(default)]
    analysis_id: String,
}

/// Chooses the analysis of a trait's figures.
pub async fn choose(
    desk: Desk,
    Path(trial_id): Path<String>,
    form: Result<Form<Chosen>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let page = format!("/trials/{trial_id}?trait={}", form.r#trait);
    let request = ChooseAnalysisRequest {
        trial_id,
        r#trait: form.r#trait,
        analysis_id: form.analysis_id,
    };
    desk.evaluation()?.choose_analysis(request).await?;
    Ok(Redirect::to(&page).into_response())
}
