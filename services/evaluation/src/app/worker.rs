//! Computes queued analyses, off the async threads, one after another.
//!
//! A worker holds a session lock on the analysis it computes. When its process is gone, so is the
//! lock, and any worker puts the analysis back into the queue.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use biometry::mixed::Relationship;
use contract::crossing::PlantParents;
use pedigree::{ParentInbreeding, Pedigree, PlantRecord, PollenParent};
use platform::database::{self, Begin, Scope};
use platform::fields::Words as _;
use platform::{App as _, Fault, ProgrammeId};
use sha2::{Digest as _, Sha256};
use sqlx::{Acquire as _, PgConnection};

use super::ground::Ground;
use super::plants;
use crate::EvaluationApp;
use crate::domain::model::{
    Asked, AtZeroWord, BetweenWord, Method, Observation, ResidualWord, SmoothWord, Told, analyse,
    variables,
};
use crate::domain::traits::{FRUITS_LEFT, State, Trait};
use crate::store;
use crate::store::analyses::{Job, Outcome};

/// How long a worker rests when nothing is queued and nobody wakes it.
const REST: Duration = Duration::from_secs(1);

/// Computes analyses for as long as the process lives.
pub async fn run(app: Arc<EvaluationApp>) {
    loop {
        match step(&app).await {
            Ok(true) => {}
            Ok(false) => {
                let _ = tokio::time::timeout(REST, app.queued.notified()).await;
            }
            Err(fault) => {
                tracing::warn!(
                    worker.fault = %fault,
                    worker.cause = ?std::error::Error::source(&fault).map(ToString::to_string),
                    "could not compute an analysis; trying again"
                );
                tokio::time::sleep(REST).await;
            }
        }
    }
}

/// Computes one analysis; tells whether there was one.
///
/// # Errors
/// When the database refuses. A model that cannot be fitted is an outcome, not an error.
pub async fn step(app: &EvaluationApp) -> Result<bool, Fault> {
    // Its own connection, which keeps the lock while others do the reading and writing.
    let mut keeper = app.context().pool.acquire().await?;
    requeue_orphans(&mut keeper).await?;
    let mut transaction = keeper.begin().await?;
    across(&mut transaction).await?;
    let Some(job) = store::analyses::claim(&mut transaction).await? else {
        return Ok(false);
    };
    if !store::analyses::lock(&mut transaction, job.id).await? {
        return Ok(false);
    }
    transaction.commit().await?;

    let result = compute(app, &job).await;
    let outcome = match result {
        Ok(outcome) => Ok(outcome),
        // What the service itself could not do is tried again; what the model cannot do is told.
        Err(fault) if is_ours(&fault) => Err(fault),
        Err(fault) => Ok(Outcome {
            problem: fault.detail().to_owned(),
            ..Outcome::default()
        }),
    };
    let kept = keep(app, &mut keeper, &job, outcome.as_ref().ok()).await;
    // The connection goes back to the pool, so the lock must not stay on it whatever happened.
    store::analyses::unlock(&mut keeper, job.id).await?;
    kept?;
    outcome.map(|_| true)
}

/// Keeps what came of a job, or puts it back into the queue.
async fn keep(
    app: &EvaluationApp,
    keeper: &mut PgConnection,
    job: &Job,
    outcome: Option<&Outcome>,
) -> Result<(), sqlx::Error> {
    let mut transaction = keeper.begin().await?;
    across(&mut transaction).await?;
    match outcome {
        Some(outcome) => {
            let now = app.context().clock.now();
            store::analyses::finish(&mut transaction, job, outcome, now).await?;
        }
        None => store::analyses::requeue(&mut transaction, job.id).await?,
    }
    transaction.commit().await
}

fn is_ours(fault: &Fault) -> bool {
    use platform::fault::FaultKind as K;
    matches!(fault.kind(), K::Internal | K::Unavailable)
}

async fn across(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    Scope {
        across_programmes: true,
        ..Scope::default()
    }
    .apply(connection)
    .await
}

async fn requeue_orphans(keeper: &mut PgConnection) -> Result<(), sqlx::Error> {
    let mut transaction = keeper.begin().await?;
    across(&mut transaction).await?;
    for id in store::analyses::running(&mut transaction).await? {
        if store::analyses::lock(&mut transaction, id).await? {
            store::analyses::requeue(&mut transaction, id).await?;
            store::analyses::unlock(&mut transaction, id).await?;
        }
    }
    transaction.commit().await
}

/// A model with its data.
pub(super) struct Prepared {
    /// The model.
    pub asked: Asked,
    /// The records.
    pub observations: Vec<Observation>,
    /// Codes of the covariates.
    pub covariates: Vec<String>,
    /// How the entries are related, when the model asks for it.
    pub relationship: Option<Arc<Relationship>>,
    label_of: BTreeMap<String, String>,
    data_sha256: String,
    /// Level of entries that are clones of another plant.
    genotype_of: BTreeMap<String, String>,
}

impl Prepared {
    /// Levels of the entries in the model's term of them.
    pub fn levels_of(&self, entries: &[String]) -> Vec<String> {
        entries
            .iter()
            .map(|id| self.genotype_of.get(id).unwrap_or(id).clone())
            .collect()
    }
}

/// The model of an analysis with the records as they are now.
///
/// # Errors
/// Not found; no records.
pub(super) async fn prepare(
    app: &EvaluationApp,
    programme: ProgrammeId,
    id: crate::domain::AnalysisId,
) -> Result<Prepared, Fault> {
    let scope = Scope {
        programme: Some(programme),
        ..Scope::default()
    };
    let mut transaction = database::begin(&app.context().pool, Begin::Reading, scope).await?;
    let (trial, model) = store::analyses::model(&mut transaction, programme, id).await?;
    transaction.commit().await?;
    let job = Job {
        programme,
        id,
        trial,
        model,
        repeats: None,
    };
    prepared(app, &job).await
}

async fn prepared(app: &EvaluationApp, job: &Job) -> Result<Prepared, Fault> {
    let data = load(app, job).await?;
    let data_sha256 = digest(&data.observations);
    let mut genotype_of = BTreeMap::new();
    let (data, relationship) = if job.model.relationship {
        let (data, relationship, genotypes) = related(app, job.programme, data).await?;
        genotype_of = genotypes;
        (data, Some(relationship))
    } else {
        (data, None)
    };
    let asked = Asked {
        method: Method::from_word(&job.model.method).unwrap_or_default(),
        between: BetweenWord::from_word(&job.model.between_sites)
            .map(|word| word.with_factors(job.model.factors_n as usize)),
        states: data.states.clone(),
        fixed: job.model.fixed.clone(),
        random: job.model.random.clone(),
        residual: ResidualWord::from_word(&job.model.residual).unwrap_or_default(),
        smooth: job
            .model
            .smooth
            .iter()
            .filter_map(|word| SmoothWord::from_word(word))
            .collect(),
        at_zero: AtZeroWord::from_word(&job.model.components_at_zero).unwrap_or_default(),
    };
    Ok(Prepared {
        asked,
        observations: data.observations,
        covariates: data.covariates,
        relationship,
        label_of: data.label_of,
        data_sha256,
        genotype_of,
    })
}

async fn compute(app: &EvaluationApp, job: &Job) -> Result<Outcome, Fault> {
    let started = Instant::now();
    let data = prepared(app, job).await?;
    let data_sha256 = data.data_sha256.clone();
    let told = tokio::task::spawn_blocking(move || {
        analyse(
            &data.asked,
            &data.observations,
            &data.covariates,
            data.relationship,
            &data.label_of,
        )
    })
    .await
    .map_err(Fault::internal)?
    .map_err(|error| Fault::state(error.to_string()))?;
    let Told {
        analysis: mut result,
        residuals,
    } = told;
    let problem = std::mem::take(&mut result.problem);
    let text = serde_json::to_string(&result).map_err(Fault::internal)?;
    let result_sha256 = hexadecimal(Sha256::digest(text.as_bytes()));
    if let Some(diagnostics) = &mut result.diagnostics {
        diagnostics.seconds = started.elapsed().as_secs_f64();
    }
    Ok(Outcome {
        result: Some(result),
        residuals: Some(residuals),
        problem,
        data_sha256,
        result_sha256,
    })
}

/// The data of an analysis.
struct Data {
    observations: Vec<Observation>,
    states: Vec<State>,
    covariates: Vec<String>,
    label_of: BTreeMap<String, String>,
}

async fn load(app: &EvaluationApp, job: &Job) -> Result<Data, Fault> {
    let programme = job.programme;
    let scope = Scope {
        programme: Some(programme),
        ..Scope::default()
    };
    let mut transaction = database::begin(&app.context().pool, Begin::Snapshot, scope).await?;
    let connection: &mut PgConnection = &mut transaction;
    let ground = Ground::load_from(connection, programme, job.trial).await?;
    let library = store::traits::library(connection, programme).await?;
    let find = |code: &str| -> Result<&Trait, Fault> {
        library
            .iter()
            .find(|t| t.code == code)
            .ok_or_else(|| Fault::state(format!("no trait {code:?} is known")))
    };
    let terms = job.model.fixed.iter().chain(&job.model.random);
    let names: Vec<&str> = terms.flat_map(|term| variables(term)).collect();
    let covariates: Vec<String> = names
        .iter()
        .filter(|name| **name == FRUITS_LEFT || library.iter().any(|t| t.code == **name))
        .map(|name| (*name).to_owned())
        .collect::<std::collections::BTreeSet<_>>()
        .into_iter()
        .collect();
    let mut site_names = BTreeMap::new();
    for site in store::trials::sites(connection, programme, job.trial).await? {
        site_names.insert(
            site,
            store::sites::get(connection, programme, site).await?.name,
        );
    }

    let defined = find(&job.model.r#trait)?;
    // Tree, year, value and who saw it: single records where assessors are told apart or notes are
    // categories, else the mean of each tree and year.
    let mut rows: Vec<(usize, i16, f64, String)> = Vec::new();
    let single = names.contains(&"assessor") || job.model.method == Method::Threshold.word();
    if single {
        if defined.computed.is_some() {
            return Err(Fault::state(
                "a computed trait has no single records; analyse its parts",
            ));
        }
        let values = store::records::values(
            connection,
            programme,
            job.trial,
            &defined.code,
            (None, None),
        )
        .await?;
        rows.extend(
            values
                .into_iter()
                .filter_map(|v| Some((ground.place_of(v.tree_id)?, v.year, v.value, v.observer))),
        );
    } else {
        let values = ground
            .values(connection, programme, defined, (None, None))
            .await?;
        rows.extend(
            values
                .into_iter()
                .map(|v| (v.tree, v.year, v.value, String::new())),
        );
    }
    let mut covariate_of = Vec::with_capacity(covariates.len());
    for code in &covariates {
        if code == FRUITS_LEFT {
            let left = store::trees::fruits_left(connection, programme, job.trial).await?;
            let by = left
                .into_iter()
                .filter_map(|(tree, year, n)| Some(((ground.place_of(tree)?, year), n)));
            covariate_of.push(by.collect());
            continue;
        }
        let values = ground
            .values(connection, programme, find(code)?, (None, None))
            .await?;
        let by: BTreeMap<(usize, i16), f64> = values
            .into_iter()
            .map(|v| ((v.tree, v.year), v.value))
            .collect();
        covariate_of.push(by);
    }
    transaction.commit().await?;
    if rows.is_empty() {
        return Err(Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, job.model.r#trait
        )));
    }
    let observations = rows
        .into_iter()
        .map(|(place, year, value, observer)| {
            let tree = &ground.trees[place];
            let entry = &ground.entries[tree.entry];
            let site = site_names.get(&tree.site).cloned().unwrap_or_default();
            let within = |n: i32| format!("{site}/{n}");
            Observation {
                value,
                factors: BTreeMap::from([
                    ("entry", entry.germplasm_id.to_string()),
                    ("year", year.to_string()),
                    ("replicate", within(tree.replicate)),
                    ("block", within(tree.block)),
                    ("row", within(tree.row)),
                    ("column", within(tree.column)),
                    (
                        "check",
                        if entry.is_check { "check" } else { "tested" }.to_owned(),
                    ),
                    (
                        "cross",
                        entry
                            .cross_id
                            .map_or_else(|| "none".to_owned(), |id| id.to_string()),
                    ),
                    ("kind", entry.kind.clone()),
                    ("tree", tree.number.clone()),
                    ("rootstock", ground.rootstocks[tree.rootstock].clone()),
                    ("assessor", observer),
                    ("site", site.clone()),
                ]),
                covariates: covariate_of
                    .iter()
                    .map(|by| by.get(&(place, year)).copied())
                    .collect(),
                row: f64::from(tree.row),
                column: f64::from(tree.column),
                section: format!("{site}/{year}"),
                year,
                tree_id: tree.id.to_string(),
                number: tree.number.clone(),
            }
        })
        .collect();
    let label_of = ground
        .entries
        .iter()
        .map(|entry| (entry.germplasm_id.to_string(), entry.label().to_owned()))
        .collect();
    Ok(Data {
        observations,
        states: defined.states.clone(),
        covariates,
        label_of,
    })
}

/// Digest of the data as they are analysed, by which a later run can be told to be the same.
fn digest(observations: &[Observation]) -> String {
    let mut digest = Sha256::new();
    for o in observations {
        digest.update(o.tree_id.as_bytes());
        digest.update(o.year.to_be_bytes());
        digest.update(o.value.to_be_bytes());
        for covariate in &o.covariates {
            digest.update(covariate.unwrap_or(f64::NAN).to_be_bytes());
        }
    }
    hexadecimal(digest.finalize())
}

fn hexadecimal(digest: impl AsRef<[u8]>) -> String {
    digest
        .as_ref()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// The relationship of the entries, from their pedigree; entries that are clones of one plant
/// become one level.
async fn related(
    app: &EvaluationApp,
    programme: ProgrammeId,
    mut data: Data,
) -> Result<(Data, Arc<Relationship>, BTreeMap<String, String>), Fault> {
    let ids: std::collections::BTreeSet<String> = data
        .observations
        .iter()
        .filter_map(|o| o.factors.get("entry").cloned())
        .collect();
    let plants = plants::pedigree(app, programme, ids.into_iter().collect()).await?;
    let (pedigree, relationship) = tokio::task::spawn_blocking(move || relationship(plants))
        .await
        .map_err(Fault::internal)??;
    let mut genotypes = BTreeMap::new();
    for observation in &mut data.observations {
        if let Some(label) = observation.factors.get_mut("entry")
            && let Ok(genotype) = pedigree.genotype_of(label)
        {
            genotypes.insert(label.clone(), genotype.clone());
            *label = genotype.clone();
        }
    }
    let unnamed: Vec<platform::ids::Id<crate::domain::GermplasmKind>> = relationship
        .levels()
        .iter()
        .filter(|level| !data.label_of.contains_key(*level))
        .filter_map(|level| level.parse().ok())
        .collect();
    for (id, plant) in plants::describe(app, programme, unnamed.into_iter()).await? {
        let label = if plant.name.is_empty() {
            plant.number
        } else {
            plant.name
        };
        data.label_of.insert(id.to_string(), label);
    }
    Ok((data, Arc::new(relationship), genotypes))
}

/// The relationship of plants from their parents, clones being one level.
pub(super) fn relationship(
    plants: Vec<PlantParents>,
) -> Result<(Pedigree<String>, Relationship), Fault> {
    let wrong = |message: String| Fault::state(format!("the pedigree cannot be used: {message}"));
    let parent = |id: String| (!id.is_empty()).then_some(id);
    let records = plants.into_iter().map(|plant| {
        if !plant.clone_of_id.is_empty() {
            return PlantRecord::clone_of(plant.id, plant.clone_of_id);
        }
        let possible = plant.possible_pollen_parents;
        let pollen_parent = match parent(plant.pollen_parent_id) {
            Some(id) => PollenParent::Known(id),
            None if possible.is_empty() => PollenParent::Unknown,
            // Their average, weighed by probability (Henderson 1988, from memory).
            None => PollenParent::OneOf(
                possible
                    .into_iter()
                    .map(|parent| (parent.id, parent.probability))
                    .collect(),
            ),
        };
        PlantRecord::seedling(plant.id, parent(plant.seed_parent_id), pollen_parent)
    });
    let pedigree = Pedigree::from_records(records).map_err(|e| wrong(e.to_string()))?;
    let inverse = pedigree
        .relationship_inverse(ParentInbreeding::Counted)
        .map_err(|e| wrong(e.to_string()))?;
    let relationship = Relationship::new(
        inverse.ids().to_vec(),
        inverse.lower_triangle().iter().copied(),
        inverse.log_determinant(),
    )
    .map_err(|e| wrong(e.to_string()))?;
    Ok((pedigree, relationship))
}

#[cfg(test)]
mod tests {
    use contract::crossing::PossibleParent;

    use super::*;

    fn plant(id: &str, seed_parent: &str, pollen: &[(&str, f64)]) -> PlantParents {
        let possible = pollen.iter().map(|(id, probability)| PossibleParent {
            id: (*id).to_owned(),
            probability: *probability,
        });
        PlantParents {
            id: id.to_owned(),
            seed_parent_id: seed_parent.to_owned(),
            possible_pollen_parents: possible.collect(),
            ..PlantParents::default()
        }
    }

    /// A dense matrix times another, row by row.
    fn product(a: &[f64], b: &[f64], n: usize) -> Vec<f64> {
        (0..n * n)
            .map(|place| {
                let (row, column) = (place / n, place % n);
                (0..n).map(|k| a[row * n + k] * b[k * n + column]).sum()
            })
            .collect()
    }

    #[test]
    fn possible_pollen_parents_weigh_in_relationships_as_in_kinship() {
        let plants = vec![
            plant("a", "", &[]),
            plant("b", "", &[]),
            plant("c", "", &[]),
            plant("x", "a", &[("b", 0.7), ("c", 0.3)]),
            plant("y", "b", &[("x", 0.5), ("a", 0.5)]),
        ];
        let (pedigree, _) = relationship(plants).unwrap();
        let inverse = pedigree
            .relationship_inverse(ParentInbreeding::Counted)
            .unwrap();
        let ids = inverse.ids().to_vec();
        let n = ids.len();
        let kinship = pedigree.kinship(&ids).unwrap();
        let doubled: Vec<f64> = kinship.rows().flatten().map(|f| 2.0 * f).collect();
        let unity = product(&inverse.to_dense(), &doubled, n);
        for (place, value) in unity.iter().enumerate() {
            let expected = f64::from(place / n == place % n);
            assert!((value - expected).abs() < 1e-12, "{place}: {value}");
        }
        // Henderson's average: half of what the possible pollen parents share, by probability.
        let at = |id: &str| ids.iter().position(|known| known == id).unwrap();
        let related = |one: &str, other: &str| doubled[at(one) * n + at(other)];
        assert!((related("x", "b") - 0.35).abs() < 1e-12);
        assert!((related("x", "c") - 0.15).abs() < 1e-12);
        assert!(
            (related("y", "x")
                - 0.5 * (related("b", "x") + 0.5 * related("x", "x") + 0.5 * related("a", "x")))
            .abs()
                < 1e-12
        );
    }
}
