//! What keeping different numbers at each stage would bring.

use biometry::selection::SelectionError;
use biometry::selection::stages::{Course, Outcome, Stage};
use contract::evaluation::{PlanSelectionRequest, SelectionOutcome, SelectionPlan};
use platform::compute::Work;
use platform::{Fault, FieldError, Fields, Unit};

use super::ground::Ground;
use super::trials::trial_id;
use super::{figures, traits};
use crate::EvaluationApp;
use crate::domain::AnalysisId;
use crate::store;

/// Simulated courses when a request does not say.
const DRAWS: u32 = 200;
/// Choices shown.
const SHOWN: usize = 20;

/// Simulates multi-stage selection.
///
/// # Errors
/// Invalid fields; an analysis that is not done or has no entry variance; no choice that fits
/// places and money.
pub async fn plan(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: PlanSelectionRequest,
) -> Result<Work<SelectionPlan>, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let analysis: Option<AnalysisId> = fields.optional_id("analysis_id", &request.analysis_id);
    fields.require(
        !request.stages.is_empty(),
        "stages",
        "is required: at least one stage",
    );
    fields.require(
        request.stages.len() <= 6,
        "stages",
        "holds more than 6 stages",
    );
    fields.count("candidates_n", request.candidates_n, 2, 200_000);
    fields.count(
        "released_n",
        request.released_n,
        1,
        request.candidates_n.max(1),
    );
    let draws_n = if request.draws_n == 0 {
        DRAWS
    } else {
        request.draws_n
    };
    fields.count("draws_n", draws_n, 1, 5000);
    // A course is drawn candidate by candidate.
    fields.require(
        u64::from(draws_n) * u64::from(request.candidates_n) <= 20_000_000,
        "draws_n",
        "times candidates_n is more than 20 million; simulate fewer courses",
    );
    fields.require(
        request.genetic_sd.is_some() || analysis.is_some() || !request.trial_id.is_empty(),
        "genetic_sd",
        "is required, or a trial and trait, or an analysis, to take it from",
    );
    fields.finish()?;
    let genetic_sd = match (request.genetic_sd, analysis) {
        (Some(sd), _) => sd,
        (None, Some(id)) => {
            let analysis = store::analyses::get(unit.connection(), programme, id).await?;
            if !analysis.converged {
                return Err(Fault::state(format!(
                    "analysis {id} is {} and gives no variances; wait for it, or give genetic_sd",
                    if analysis.status == "done" {
                        "not converged"
                    } else {
                        &analysis.status
                    }
                )));
            }
            let entry = analysis.components.iter().find(|c| c.name == "entry");
            entry.map(|c| c.variance.sqrt()).ok_or_else(|| {
                Fault::field("/analysis_id", "has no random term entry; give genetic_sd")
            })?
        }
        (None, None) => of_figures(app, unit, &request).await?,
    };
    let course = Course {
        candidates_n: request.candidates_n as usize,
        genetic_sd,
        stages: request
            .stages
            .iter()
            .map(|stage| Stage {
                name: stage.name.clone(),
                error_sd: stage.error_sd,
                cost_per_candidate: stage.cost_per_candidate,
                places: stage.places.map(|n| n as usize),
            })
            .collect(),
        released_n: request.released_n as usize,
        budget: request.budget,
    };
    let kept_n: Vec<usize> = request.kept_n.iter().map(|&n| n as usize).collect();
    let seed = request.seed;
    Ok(Work::new(move |_| {
        let outcomes = if kept_n.is_empty() {
            course.plan(draws_n as usize, SHOWN, seed)
        } else {
            course
                .simulate(&kept_n, draws_n as usize, seed)
                .map(|outcome| vec![outcome])
        };
        Ok(told(genetic_sd, outcomes.map_err(refused)?))
    }))
}

fn told(genetic_sd: f64, outcomes: Vec<Outcome>) -> SelectionPlan {
    SelectionPlan {
        genetic_sd,
        outcomes: outcomes
            .into_iter()
            .map(|outcome| SelectionOutcome {
                kept_n: outcome.kept_n.into_iter().map(|n| n as u32).collect(),
                cost: outcome.cost,
                gain: outcome.gain.mean,
                gain_low: outcome.gain.low,
                gain_high: outcome.gain.high,
                best_is_released: outcome.best_is_released,
            })
            .collect(),
    }
}

/// The genetic standard deviation that a trial's figures tell.
async fn of_figures(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: &PlanSelectionRequest,
) -> Result<f64, Fault> {
    let programme = unit.programme()?;
    let ground = Ground::load(unit, programme, trial_id(&request.trial_id)?).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    let told = figures::of(app, unit, &ground, &defined).await?;
    let variance = told.and_then(|told| {
        let of = &told.figures().told;
        of.genetic_variance.filter(|_| !of.predictions.is_empty())
    });
    variance.map(f64::sqrt).ok_or_else(|| {
        Fault::field(
            "/trait",
            format!(
                "nothing in trial {} tells entries from their trees in {}; give genetic_sd",
                ground.trial.number, defined.code
            ),
        )
    })
}

fn refused(error: SelectionError) -> Fault {
    let pointer = match &error {
        SelectionError::TooMany { field, .. } => format!("/{field}"),
        SelectionError::NotSolved(_) => String::new(),
        SelectionError::NotCovariance { matrix, .. } => format!("/{matrix}"),
        SelectionError::OutOfRange { field, .. } | SelectionError::WrongSize { field, .. } => {
            match field.as_str() {
                "genetic_sd" | "candidates_n" | "released_n" | "draws_n" => format!("/{field}"),
                field if field.starts_with("budget") => "/budget".to_owned(),
                field if field.starts_with("kept_n") => "/kept_n".to_owned(),
                _ => "/stages".to_owned(),
            }
        }
    };
    Fault::invalid(vec![FieldError::new(pointer, error.to_string())])
}
