//! Mixed-model analyses: asked for here, computed by the [`super::worker`].

use contract::evaluation::{
    Analysis, AnalysisList, AnalysisResiduals, GetAnalysisRequest, GetResidualsRequest,
    ListAnalysesRequest, ListPredictionsRequest, RepeatAnalysisRequest, RequestAnalysisRequest,
};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::AnalysisId;
use crate::domain::model::{
    AtZeroWord, BetweenWord, Method, ResidualWord, SmoothWord, term_fault, variables,
};
use crate::domain::traits::{FRUITS_LEFT, Scale};
use crate::store;
use crate::store::analyses::Job;

/// Queues an analysis.
///
/// # Errors
/// Invalid fields; a trait or factor that is not known; a trial that is not laid out.
pub async fn request(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: RequestAnalysisRequest,
) -> Result<Analysis, Fault> {
    let programme = unit.programme()?;
    let trial_id = trial_id(&request.trial_id)?;
    let trial = store::trials::head(unit.connection(), programme, trial_id, false).await?;
    if trial.design.is_none() {
        return Err(Fault::state(format!(
            "trial {} is not laid out yet",
            trial.number
        )));
    }
    let library = store::traits::library(unit.connection(), programme).await?;
    let numeric = |code: &str| {
        code == FRUITS_LEFT
            || library
                .iter()
                .any(|t| t.code == code && t.scale != Scale::Nominal)
    };
    let mut fields = Fields::new();
    let id: AnalysisId = fields.client_id(&request.id);
    let code = fields.text("trait", &request.r#trait, 60);
    let method: Method = fields
        .optional_word("method", &request.method)
        .unwrap_or_default();
    let defined = library.iter().find(|t| t.code == code);
    match defined {
        _ if code.is_empty() => {}
        None => fields.fault("trait", format!("no trait {code:?} is known; see GET /traits")),
        Some(t) if method == Method::Threshold => {
            let parted = t.scale == Scale::Ordinal || t.states.len() == 2;
            fields.require(
                parted && t.computed.is_none(),
                "trait",
                format!("{code} has no categories in order; a threshold model needs an ordinal trait or one of two states"),
            );
        }
        Some(t) => fields.require(
            t.scale != Scale::Nominal,
            "trait",
            format!("{code} is nominal; a linear model needs numbers or notes, and method threshold takes a trait of two states"),
        ),
    }
    let residual: ResidualWord = fields
        .optional_word("residual", &request.residual)
        .unwrap_or_default();
    fields.require(
        method == Method::Linear || residual == ResidualWord::Equal,
        "residual",
        "goes with the linear method only; a liability has one residual variance, and the first of two stages takes each site by itself",
    );
    let smooth: Vec<Option<SmoothWord>> = request
        .smooth
        .iter()
        .enumerate()
        .map(|(place, word)| fields.word(&format!("smooth/{place}"), word))
        .collect();
    for (place, word) in smooth.iter().enumerate() {
        fields.require(
            word.is_none() || !smooth[..place].contains(word),
            &format!("smooth/{place}"),
            "stands twice; name each once",
        );
    }
    fields.require(
        method == Method::Linear || smooth.is_empty(),
        "smooth",
        "goes with the linear method only",
    );
    let between: Option<BetweenWord> = fields
        .optional_word("between_sites", &request.between_sites)
        .or((method == Method::TwoStage).then_some(BetweenWord::CompoundSymmetry));
    if between.is_some() {
        fields.require(
            method != Method::Threshold,
            "between_sites",
            "goes with the methods linear and two_stage",
        );
        let own = |term: &String| variables(term).any(|name| name == "entry");
        for (field, terms) in [("fixed", &request.fixed), ("random", &request.random)] {
            if let Some(place) = terms.iter().position(own) {
                fields.fault(
                    &format!("{field}/{place}"),
                    "names entry, which between_sites brings; leave it out",
                );
            }
        }
    }
    let at_zero: AtZeroWord = fields
        .optional_word("components_at_zero", &request.components_at_zero)
        .unwrap_or_default();
    let factors_n = match between {
        Some(BetweenWord::FactorAnalytic) => request.factors_n.max(1),
        _ => 0,
    };
    fields.count("factors_n", factors_n, 0, 6);
    let mut seen: Vec<&str> = Vec::new();
    for (field, terms, random) in [
        ("fixed", &request.fixed, false),
        ("random", &request.random, true),
    ] {
        for (place, term) in terms.iter().enumerate() {
            let field = format!("{field}/{place}");
            if let Some(message) = term_fault(term, random, |name| numeric(name) && name != code) {
                fields.fault(&field, message);
            } else if seen.contains(&term.as_str()) {
                fields.fault(
                    &field,
                    format!("{term} stands twice; a term is fixed or random, once"),
                );
            }
            seen.push(term);
        }
    }
    if request.relationship && request.fixed.iter().any(|term| term == "entry") {
        fields.fault(
            "relationship",
            "needs entry as a random term; take it out of the fixed ones",
        );
    }
    if request.random.is_empty() && !request.relationship && between.is_none() {
        fields.fault("random", "is required: at least one random term, as entry");
    }
    fields.finish()?;
    let mut model = request;
    model.id = String::new();
    model.residual = residual.word().to_owned();
    model.method = method.word().to_owned();
    model.between_sites = between.map(|b| b.word().to_owned()).unwrap_or_default();
    model.factors_n = factors_n;
    model.components_at_zero = at_zero.word().to_owned();
    let job = Job {
        programme,
        id,
        trial: trial_id,
        model,
        repeats: None,
    };
    queue(app, unit, &job).await
}

async fn queue(app: &EvaluationApp, unit: &mut Unit, job: &Job) -> Result<Analysis, Fault> {
    let now = unit.now();
    store::analyses::queue(unit.connection(), job, now).await?;
    unit.touch("analysis", job.id);
    app.queued.notify_one();
    store::analyses::get(unit.connection(), job.programme, job.id).await
}

/// Queues the model of an earlier analysis anew.
///
/// # Errors
/// Invalid fields; not found.
pub async fn repeat(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: RepeatAnalysisRequest,
) -> Result<Analysis, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id: AnalysisId = fields.client_id(&request.id);
    fields.finish()?;
    let earlier = analysis_id(&request.analysis_id)?;
    let (trial, model) = store::analyses::model(unit.connection(), programme, earlier).await?;
    let job = Job {
        programme,
        id,
        trial,
        model,
        repeats: Some(earlier),
    };
    queue(app, unit, &job).await
}

/// Residuals of an analysis.
///
/// # Errors
/// Not found.
pub async fn residuals(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetResidualsRequest,
) -> Result<AnalysisResiduals, Fault> {
    let programme = unit.programme()?;
    let id = analysis_id(&request.analysis_id)?;
    let mut residuals = store::analyses::residuals(unit.connection(), programme, id).await?;
    residuals.unit = unit_of(unit, programme, &residuals.r#trait).await?;
    Ok(residuals)
}

fn analysis_id(text: &str) -> Result<AnalysisId, Fault> {
    let mut fields = Fields::new();
    let id = fields.id("analysis_id", text);
    fields.finish()?;
    id.ok_or_else(|| Fault::not_found("analysis", text))
}

/// Unit of a trait; empty when the library has it no more.
async fn unit_of(
    unit: &mut Unit,
    programme: platform::ProgrammeId,
    code: &str,
) -> Result<String, Fault> {
    let library = store::traits::library(unit.connection(), programme).await?;
    Ok(library
        .iter()
        .find(|t| t.code == code)
        .map(|t| t.unit.clone())
        .unwrap_or_default())
}

/// One analysis.
///
/// # Errors
/// Not found.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetAnalysisRequest,
) -> Result<Analysis, Fault> {
    let programme = unit.programme()?;
    let id = analysis_id(&request.analysis_id)?;
    let mut analysis = store::analyses::get(unit.connection(), programme, id).await?;
    analysis.unit = unit_of(unit, programme, &analysis.r#trait).await?;
    Ok(analysis)
}

/// Analyses of a trial, the newest first.
///
/// # Errors
/// Invalid fields; not found.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListAnalysesRequest,
) -> Result<AnalysisList, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let page = Page::parse(request.limit, &request.cursor)?;
    store::trials::head(unit.connection(), programme, id, false).await?;
    let before = page.after_key()?;
    let found =
        store::analyses::list(unit.connection(), programme, id, before, page.fetch()).await?;
    let (items, next_cursor) = page.cut(found, |analysis| analysis.id.clone());
    Ok(AnalysisList { items, next_cursor })
}

/// Analyses of a trait that predict entries.
pub async fn predicting(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListPredictionsRequest,
) -> Result<AnalysisList, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let code = fields.text("code", &request.code, 120).to_owned();
    fields.finish()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let before = page.after_key()?;
    let found =
        store::analyses::predicting(unit.connection(), programme, &code, before, page.fetch())
            .await?;
    let (items, next_cursor) = page.cut(found, |analysis| analysis.id.clone());
    Ok(AnalysisList { items, next_cursor })
}
