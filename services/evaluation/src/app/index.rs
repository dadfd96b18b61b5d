//! Selection indices.

use std::collections::HashMap;

use biometry::selection::SelectionError;
use biometry::selection::index::{
    Candidate, Index, Objective, Spread, TraitCovariances, rank, simulate_response,
};
use biometry::selection::intensity::{finite_intensity, truncation};
use contract::common::Numbers;
use contract::evaluation::{
    ComputeSelectionIndexRequest, FiguresSource, RankedCandidate, SelectionIndex,
};
use platform::{Fault, FieldError, Fields, Unit};

use super::figures::{self, Told};
use super::ground::Ground;
use super::traits;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::figures::{TreeYear, correlations_of, covariances, shrunk};

/// Share kept when a request does not say.
const SHARE: f64 = 0.1;

/// Ranks candidates by a selection index.
///
/// # Errors
/// Invalid fields; matrices that are not covariances; a trial whose covariances cannot be
/// estimated.
pub async fn compute(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: ComputeSelectionIndexRequest,
) -> Result<SelectionIndex, Fault> {
    let programme = unit.programme()?;
    let traits_n = request.traits.len();
    let mut fields = Fields::new();
    fields.require(traits_n > 0, "traits", "is required: at least one trait");
    for (place, code) in request.traits.iter().enumerate() {
        let field = format!("traits/{place}");
        fields.require(!code.trim().is_empty(), &field, "is empty");
        fields.require(
            !request.traits[..place].contains(code),
            &field,
            format!("{code} stands twice"),
        );
    }
    let weighted = !request.weights.is_empty();
    let desired = !request.desired_gains.is_empty();
    fields.require(
        weighted || desired,
        "weights",
        "give either weights or desired_gains, one for each trait",
    );
    fields.require(
        !(weighted && desired),
        "desired_gains",
        "goes with no weights; give one of the two",
    );
    for (field, values) in [
        ("weights", &request.weights),
        ("desired_gains", &request.desired_gains),
    ] {
        fields.require(
            values.is_empty() || values.len() == traits_n,
            field,
            format!(
                "{} numbers for {traits_n} traits; give one for each, in order",
                values.len()
            ),
        );
        if let Some(place) = values.iter().position(|v| !v.is_finite()) {
            fields.fault(&format!("{field}/{place}"), "must be a finite number");
        }
    }
    let mut held = Vec::new();
    for (place, code) in request.held.iter().enumerate() {
        match request.traits.iter().position(|t| t == code) {
            Some(found) => held.push(found),
            None => fields.fault(
                &format!("held/{place}"),
                format!("{code:?} is not among the traits"),
            ),
        }
    }
    fields.require(held.is_empty() || weighted, "held", "goes with weights");
    fields.require(
        request.phenotypic.is_empty() == request.genetic.is_empty(),
        "genetic",
        "give both matrices, or neither with a trial",
    );
    let share_given = request.selected_share;
    if let Some(share) = share_given {
        fields.require(
            share > 0.0 && share <= 1.0,
            "selected_share",
            "must be over 0 and at most 1",
        );
        fields.require(
            request.keep_n == 0,
            "keep_n",
            "goes with no selected_share; give one of the two",
        );
    }
    let of_trial = !request.trial_id.is_empty();
    fields.require(
        of_trial || !request.phenotypic.is_empty(),
        "phenotypic",
        "is required when no trial is named",
    );
    fields.require(
        !of_trial || request.candidates.is_empty(),
        "candidates",
        "are the trial's entries when a trial is named",
    );
    for (place, candidate) in request.candidates.iter().enumerate() {
        fields.require(
            candidate.values.len() == traits_n,
            &format!("candidates/{place}/values"),
            format!("{} values for {traits_n} traits", candidate.values.len()),
        );
        fields.require(
            !candidate.id.is_empty(),
            &format!("candidates/{place}/id"),
            "is required",
        );
    }
    fields.finish()?;

    let mut notes = Vec::new();
    let mut labels: HashMap<String, String> = HashMap::new();
    let mut estimated = None;
    let mut sources = Vec::new();
    let mut candidates: Vec<Candidate> = request
        .candidates
        .iter()
        .map(|c| Candidate {
            id: c.id.clone(),
            traits: c.values.clone(),
        })
        .collect();
    if of_trial {
        let id = trial_id(&request.trial_id)?;
        let ground = Ground::load(unit, programme, id).await?;
        let loaded = of_ground(app, &ground, unit, &request.traits).await?;
        candidates = loaded.candidates;
        labels = loaded.labels;
        notes.extend(loaded.notes);
        sources = loaded.sources;
        estimated = Some(loaded.covariances);
    }
    if request.keep_n as usize > candidates.len() && request.keep_n > 0 {
        return Err(Fault::field(
            "/keep_n",
            format!(
                "{} asked of {} candidates; ask for at most so many",
                request.keep_n,
                candidates.len()
            ),
        ));
    }
    let share = match (share_given, request.keep_n) {
        (Some(share), _) => share,
        (None, 0) => SHARE,
        (None, n) => f64::from(n) / candidates.len() as f64,
    };

    let objective = if !held.is_empty() {
        Objective::Restricted {
            weights: request.weights.clone(),
            held: held.clone(),
        }
    } else if weighted {
        Objective::Weights {
            weights: request.weights.clone(),
        }
    } else {
        Objective::DesiredGains {
            desired_gains: request.desired_gains.clone(),
        }
    };
    let (checked, phenotypic, genetic) = if request.phenotypic.is_empty() {
        let (phenotypic, genetic) = estimated.flatten().ok_or_else(|| {
            Fault::state(
                "the covariances cannot be estimated from this trial: it needs at least three entries with every trait, and something that tells entries from their trees; give the matrices",
            )
        })?;
        let (checked, by) = bent(&phenotypic, &genetic)?;
        if by > 0.0 {
            notes.push(format!(
                "correlations drawn towards zero by {:.0} % to make covariances of them",
                100.0 * by
            ));
        }
        (checked, shrunk(&phenotypic, by), shrunk(&genetic, by))
    } else {
        let rows = |matrix: &[Numbers]| -> Vec<Vec<f64>> {
            matrix.iter().map(|r| r.values.clone()).collect()
        };
        let (phenotypic, genetic) = (rows(&request.phenotypic), rows(&request.genetic));
        let checked = TraitCovariances::new(&phenotypic, &genetic).map_err(refused)?;
        if checked.traits_n() != traits_n {
            return Err(Fault::field(
                "/phenotypic",
                format!("{} rows for {traits_n} traits", checked.traits_n()),
            ));
        }
        (checked, phenotypic, genetic)
    };

    let (index, ranked) = rank(&checked, &objective, &candidates).map_err(refused)?;
    let kept_n = kept_of(share, candidates.len());
    let intensity = match kept_n {
        Some(n) => finite_intensity(n, candidates.len()).map_err(refused)?,
        None => truncation(share).map_err(refused)?.intensity,
    };
    let spread = spread(
        unit,
        &checked,
        &index,
        (share, candidates.len()),
        request.seed,
    )
    .await?;
    let matrix = |rows: Vec<Vec<f64>>| rows.into_iter().map(|values| Numbers { values }).collect();
    Ok(SelectionIndex {
        method: match objective {
            Objective::Weights { .. } => "smith_hazel",
            Objective::DesiredGains { .. } => "desired_gains",
            Objective::Restricted { .. } => "restricted",
        }
        .to_owned(),
        traits: request.traits,
        index_sd: index.sd,
        accuracy: index.accuracy,
        intensity,
        selected_share: share,
        expected_response: index.response_at(intensity),
        expected_merit: index.merit_at(intensity),
        intensity_for_desired: index.intensity_for_desired,
        coefficients: index.coefficients,
        ranked: ranked
            .into_iter()
            .map(|line| RankedCandidate {
                label: labels.get(&line.id).cloned().unwrap_or_default(),
                id: line.id,
                rank: line.rank as u32,
                index: line.index,
                contributions: line.contributions,
                probability_above_mean: line.probability_above_mean,
            })
            .collect(),
        phenotypic: matrix(phenotypic),
        genetic: matrix(genetic),
        notes,
        response_low: spread.iter().map(|of| of.low).collect(),
        response_high: spread.iter().map(|of| of.high).collect(),
        sources,
    })
}

/// How many are kept of so many candidates; none with fewer than two.
fn kept_of(share: f64, candidates_n: usize) -> Option<usize> {
    (candidates_n >= 2)
        .then(|| ((share * candidates_n as f64).round() as usize).clamp(1, candidates_n))
}

/// Scores drawn at most for the intervals of a response.
const DRAWN_SCORES: usize = 2_000_000;

/// How the response of each trait spreads when the best of the candidates are kept.
async fn spread(
    unit: &mut Unit,
    covariances: &TraitCovariances,
    index: &Index,
    (share, candidates_n): (f64, usize),
    seed: u64,
) -> Result<Vec<Spread>, Fault> {
    let Some(kept_n) = kept_of(share, candidates_n) else {
        return Ok(Vec::new());
    };
    let draws_n = (DRAWN_SCORES / candidates_n).clamp(40, 2000);
    let (covariances, index) = (covariances.clone(), index.clone());
    unit.reckon(move |_| {
        simulate_response(&covariances, &index, kept_n, candidates_n, draws_n, seed)
    })
    .await?
    .map_err(refused)
}

fn refused(error: SelectionError) -> Fault {
    let pointer = match &error {
        SelectionError::NotCovariance { matrix, .. } => format!("/{matrix}"),
        SelectionError::TooMany { field, .. } => format!("/{field}"),
        SelectionError::NotSolved(_) => String::new(),
        SelectionError::OutOfRange { field, .. } | SelectionError::WrongSize { field, .. } => {
            let name: String = field
                .chars()
                .take_while(|c| c.is_ascii_alphanumeric() || *c == '_')
                .collect();
            format!("/{name}")
        }
    };
    Fault::invalid(vec![FieldError::new(pointer, error.to_string())])
}

/// Estimated matrices made covariances by drawing their correlations towards zero as little as is
/// needed, with the share drawn.
fn bent(phenotypic: &[Vec<f64>], genetic: &[Vec<f64>]) -> Result<(TraitCovariances, f64), Fault> {
    let mut last = None;
    for step in 0..=20 {
        let by = f64::from(step) / 20.0;
        match TraitCovariances::new(&shrunk(phenotypic, by), &shrunk(genetic, by)) {
            Ok(checked) => return Ok((checked, by)),
            Err(error) => last = Some(error),
        }
    }
    Err(last.map_or_else(
        || Fault::state("no covariances"),
        |error| Fault::state(error.to_string()),
    ))
}

/// One row for each trait.
type Matrix = Vec<Vec<f64>>;

struct Loaded {
    candidates: Vec<Candidate>,
    labels: HashMap<String, String>,
    /// Phenotypic and genetic covariances of the entries' means; none where nothing tells them.
    covariances: Option<(Matrix, Matrix)>,
    sources: Vec<FiguresSource>,
    notes: Vec<String>,
}

/// Candidates and covariances from the figures of a trial: variances are those of the figures, and
/// how traits go together is estimated from trees that have them all.
async fn of_ground(
    app: &EvaluationApp,
    ground: &Ground,
    unit: &mut Unit,
    codes: &[String],
) -> Result<Loaded, Fault> {
    let programme = unit.programme()?;
    let mut told: Vec<Told> = Vec::with_capacity(codes.len());
    for (place, code) in codes.iter().enumerate() {
        let field = format!("/traits/{place}");
        let defined = traits::asked(unit, programme, &field, code).await?;
        let of = figures::of(app, unit, ground, &defined).await?;
        told.push(of.ok_or_else(|| {
            Fault::field(
                field,
                format!(
                    "trial {} has no records of {code}; all are missing",
                    ground.trial.number
                ),
            )
        })?);
    }
    let mut candidates = Vec::new();
    let mut labels = HashMap::new();
    let mut left_out = 0;
    for (place, entry) in ground
        .entries
        .iter()
        .enumerate()
        .filter(|(_, e)| !e.is_check)
    {
        let mean = |told: &Told| Some(told.figures().mean_of(place)?.mean);
        match told.iter().map(mean).collect::<Option<Vec<f64>>>() {
            Some(traits) => {
                let id = entry.germplasm_id.to_string();
                labels.insert(id.clone(), entry.label().to_owned());
                candidates.push(Candidate { id, traits });
            }
            None => left_out += 1,
        }
    }
    let mut notes: Vec<String> = told
        .iter()
        .flat_map(|told| {
            let code = &told.source.r#trait;
            let of = told.figures();
            let untold = of.told.predictions.is_empty().then_some(&of.told.method);
            of.notes
                .iter()
                .chain(untold)
                .map(move |note| format!("{code}: {note}"))
        })
        .collect();
    if left_out > 0 {
        notes.push(format!("{left_out} entries lack a trait and are left out"));
    }
    let covariances = covariances_of(ground, &told, &mut notes);
    Ok(Loaded {
        candidates,
        labels,
        covariances,
        sources: told.into_iter().map(|told| told.source).collect(),
        notes,
    })
}

/// Covariances of the entries' means and of their true values: those of the figures' variances with
/// the correlations of genes and errors.
fn covariances_of(
    ground: &Ground,
    told: &[Told],
    notes: &mut Vec<String>,
) -> Option<(Matrix, Matrix)> {
    let values: Vec<&[TreeYear]> = told.iter().map(|t| t.values.as_slice()).collect();
    let correlations = correlations_of(&ground.trees, &values, &ground.is_check())?;
    let mut genetic = Vec::with_capacity(told.len());
    let mut error = Vec::with_capacity(told.len());
    for told in told {
        let of = &told.figures().told;
        let share = of.heritability.filter(|_| !of.predictions.is_empty())?;
        // A share of nothing would leave no errors to go by; a hundredth stands for it.
        let share = share.clamp(0.01, 0.999);
        let variance = of.genetic_variance?.max(1e-12);
        genetic.push(variance);
        error.push(variance * (1.0 - share) / share);
    }
    notes.extend(correlations.notes.iter().cloned());
    let genetic = covariances(&genetic, &correlations.genetic);
    let error = covariances(&error, &correlations.error);
    let phenotypic = genetic
        .iter()
        .zip(&error)
        .map(|(g, e)| g.iter().zip(e).map(|(g, e)| g + e).collect())
        .collect();
    Some((phenotypic, genetic))
}
