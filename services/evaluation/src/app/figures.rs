//! The figures of a trial's trait: worked out once for each state of its records, kept under an id
//! that names that state, and the same for means, rankings, advance lists, indices and advisers.
//!
//! Where trees cannot tell the entries' values, relatives are asked of the crossing service, and
//! earlier replicated trials of the programme for shares of variance. A person may choose an analysis
//! whose model takes the place of the one that the design can carry.

use std::collections::BTreeMap;
use std::sync::Arc;

use biometry::trial::{Past, Relatives, Share};
use contract::crossing::PlantParents;
use contract::evaluation::{
    ChooseAnalysisRequest, FiguresSource, GetFiguresRequest, PredictedEntry, TrialFigures,
    VarianceComponent,
};
use platform::database::{self, Begin, Scope};
use platform::{App as _, Fault, Fields, ProgrammeId, Unit};
use quick_cache::sync::Cache;
use sha2::{Digest as _, Sha256};

use super::ground::Ground;
use super::trials::trial_id;
use super::{plants, traits, worker};
use crate::EvaluationApp;
use crate::domain::figures::{self, Beside, DRAW_NUMBER, Figures, TreeYear};
use crate::domain::model::{self, BetweenWord, Method};
use crate::domain::traits::{Scale, Trait};
use crate::domain::{AnalysisId, FiguresId};
use crate::store;
use crate::store::figures::{Chosen, Kept};
use platform::fields::Words as _;

/// Counts up whenever the same records would give other figures.
const RULES: u8 = 1;
/// Figures held in memory.
const AT_HAND: usize = 64;
/// Entries of which relatives count, at most: of more, every look at their likelihood would take
/// seconds.
const MOST_RELATED: usize = 5000;
/// Earlier trials that are asked for shares of variance.
const EARLIER_TRIALS: i64 = 8;

/// Figures held in memory by their ids, which name all that they rest on.
pub struct AtHand(Cache<(ProgrammeId, FiguresId), Arc<Kept>>);

impl Default for AtHand {
    fn default() -> Self {
        Self(Cache::new(AT_HAND))
    }
}

/// Figures of a trait with the values behind them and what they are told by.
#[derive(Clone)]
pub struct Told {
    /// The figures.
    pub kept: Arc<Kept>,
    /// Values by tree and year.
    pub values: Arc<Vec<TreeYear>>,
    /// What they come from.
    pub source: FiguresSource,
}

impl Told {
    /// The figures.
    pub fn figures(&self) -> &Figures {
        &self.kept.figures
    }
}

/// What the figures rest on beside the records, in a form that can be named.
#[derive(Default)]
struct Ask {
    chosen: Option<Chosen>,
    plants: Vec<PlantParents>,
    /// Whether entries are too many for relatives to count.
    is_too_large: bool,
    past: Past,
}

/// Figures of a trait; none when no tree has a value. Worked out only when their records, relatives
/// or earlier trials have changed since they were last kept.
///
/// # Errors
/// A nominal trait; a model that cannot be fitted.
pub async fn of(
    app: &EvaluationApp,
    unit: &mut Unit,
    ground: &Ground,
    defined: &Trait,
) -> Result<Option<Told>, Fault> {
    let programme = unit.programme()?;
    let mut earlier = Vec::new();
    let values = ground
        .values(unit.connection(), programme, defined, (None, None))
        .await?;
    if values.is_empty() {
        return Ok(None);
    }
    let at = (ground.trial.id, defined.code.as_str());
    let chosen = store::figures::chosen(unit.connection(), programme, at).await?;
    let is_check = ground.is_check();
    let mut ask = Ask {
        chosen,
        ..Ask::default()
    };
    if ask.chosen.is_none() && figures::needs_more(&ground.trees, &values, &is_check) {
        let ids = ground
            .entries
            .iter()
            .filter(|entry| !entry.is_check)
            .map(|entry| entry.germplasm_id.to_string())
            .collect();
        let ids: Vec<String> = ids;
        if ids.len() > MOST_RELATED {
            ask.is_too_large = true;
        } else {
            match plants::pedigree(app, programme, ids).await {
                Ok(plants) => ask.plants = plants,
                Err(fault) => earlier.push(format!(
                    "the pedigree could not be had, so relatives do not count: {}",
                    fault.detail()
                )),
            }
        }
        ask.past = past(app, unit, ground, defined).await?;
    }
    let id = name(ground, defined, &values, &ask);
    let kept = match at_hand(app, unit, programme, id).await? {
        Some(kept) => kept,
        None => make(app, unit, ground, defined, &values, &ask, id, earlier).await?,
    };
    let source = source(ground, defined, &kept, ask.chosen.as_ref());
    Ok(Some(Told {
        kept,
        values: Arc::new(values),
        source,
    }))
}

async fn at_hand(
    app: &EvaluationApp,
    unit: &mut Unit,
    programme: ProgrammeId,
    id: FiguresId,
) -> Result<Option<Arc<Kept>>, Fault> {
    if let Some(kept) = app.figures.0.get(&(programme, id)) {
        return Ok(Some(kept));
    }
    let found = store::figures::get(unit.connection(), programme, id)
        .await?
        .map(Arc::new);
    if let Some(kept) = &found {
        app.figures.0.insert((programme, id), kept.clone());
    }
    Ok(found)
}

/// An id that names all that figures rest on: the same records, relatives and earlier trials have the
/// same figures.
fn name(ground: &Ground, defined: &Trait, values: &[TreeYear], ask: &Ask) -> FiguresId {
    let mut digest = Sha256::new();
    digest.update([RULES]);
    digest.update(ground.trial.id.uuid().as_bytes());
    digest.update(defined.code.as_bytes());
    for entry in &ground.entries {
        digest.update(entry.germplasm_id.uuid().as_bytes());
        digest.update([u8::from(entry.is_check)]);
    }
    for tree in &ground.trees {
        digest.update(tree.site.uuid().as_bytes());
        for place in [tree.row, tree.column, tree.replicate, tree.block] {
            digest.update(place.to_be_bytes());
        }
        digest.update((tree.entry as u64).to_be_bytes());
        digest.update((tree.rootstock as u64).to_be_bytes());
    }
    for value in values {
        digest.update((value.tree as u64).to_be_bytes());
        digest.update(value.year.to_be_bytes());
        digest.update(value.value.to_be_bytes());
    }
    if let Some(chosen) = &ask.chosen {
        digest.update(chosen.analysis.uuid().as_bytes());
    }
    for plant in &ask.plants {
        for id in [
            &plant.id,
            &plant.seed_parent_id,
            &plant.pollen_parent_id,
            &plant.clone_of_id,
        ] {
            digest.update(id.as_bytes());
            digest.update([0]);
        }
    }
    for share in [&ask.past.of_trees, &ask.past.of_records]
        .into_iter()
        .flatten()
    {
        digest.update(share.mean.to_be_bytes());
        digest.update(share.sd.to_be_bytes());
        digest.update(share.source.as_bytes());
    }
    let digest = digest.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    FiguresId::from_uuid(uuid::Builder::from_custom_bytes(bytes).into_uuid())
}

#[expect(clippy::too_many_arguments, reason = "all that figures rest on")]
async fn make(
    app: &EvaluationApp,
    unit: &mut Unit,
    ground: &Ground,
    defined: &Trait,
    values: &[TreeYear],
    ask: &Ask,
    id: FiguresId,
    notes: Vec<String>,
) -> Result<Arc<Kept>, Fault> {
    let programme = unit.programme()?;
    let mut figures = match &ask.chosen {
        Some(chosen) => by_chosen(app, unit, ground, values, chosen.analysis).await?,
        None => by_design(unit, ground, values, ask).await?,
    };
    // What could not be had may be there the next time: such figures are told but not kept.
    let is_whole = notes.is_empty();
    figures.notes.extend(notes);
    if ask.is_too_large {
        figures.notes.push(format!(
            "of more than {MOST_RELATED} entries relatives do not count"
        ));
    }
    let kept = Arc::new(Kept {
        id,
        figures,
        made_at: app.context().clock.now(),
    });
    if is_whole {
        let analysis = ask.chosen.as_ref().map(|chosen| chosen.analysis);
        let at = (ground.trial.id, defined.code.as_str(), analysis);
        if let Err(fault) = keep(app, programme, at, &kept).await {
            tracing::warn!(figures.fault = %fault, "could not keep figures; they are made again");
        }
        app.figures.0.insert((programme, id), kept.clone());
    }
    Ok(kept)
}

/// Keeps figures in a transaction of their own, as reads do not write.
async fn keep(
    app: &EvaluationApp,
    programme: ProgrammeId,
    at: (crate::domain::TrialId, &str, Option<AnalysisId>),
    kept: &Kept,
) -> Result<(), Fault> {
    let scope = Scope {
        programme: Some(programme),
        ..Scope::default()
    };
    let mut transaction = database::begin(&app.context().pool, Begin::Writing, scope).await?;
    store::figures::keep(&mut transaction, programme, at, kept).await?;
    transaction.commit().await?;
    Ok(())
}

/// Figures by the model that the design can carry, off the async threads.
async fn by_design(
    unit: &mut Unit,
    ground: &Ground,
    values: &[TreeYear],
    ask: &Ask,
) -> Result<Figures, Fault> {
    let (trees, is_check, values) = (ground.trees.clone(), ground.is_check(), values.to_vec());
    let entries: Vec<String> = ground
        .entries
        .iter()
        .map(|entry| entry.germplasm_id.to_string())
        .collect();
    let (plants, past) = (ask.plants.clone(), ask.past.clone());
    unit.reckon(move |_| {
        let mut beside = Beside {
            relatives: None,
            past,
        };
        let mut note = None;
        if !plants.is_empty() {
            match relatives(plants, &entries, &is_check) {
                Ok(relatives) => beside.relatives = Some(relatives),
                Err(fault) => note = Some(fault.detail().to_owned()),
            }
        }
        let mut figures = figures::figure(&trees, &values, &is_check, &beside)
            .map_err(|error| Fault::state(error.to_string()))?;
        figures.notes.extend(note);
        Ok(figures)
    })
    .await?
}

/// How the entries are related, by place.
fn relatives(
    plants: Vec<PlantParents>,
    entries: &[String],
    is_check: &[bool],
) -> Result<Relatives, Fault> {
    let (pedigree, relationship) = worker::relationship(plants)?;
    let level_of = entries
        .iter()
        .zip(is_check)
        .map(|(id, is_check)| {
            (!is_check)
                .then(|| pedigree.genotype_of(id).ok().cloned())
                .flatten()
        })
        .collect();
    Ok(Relatives {
        relationship: Arc::new(relationship),
        level_of,
    })
}

/// Figures by the model of an analysis that a person chose, on the records as they are now.
async fn by_chosen(
    app: &EvaluationApp,
    unit: &mut Unit,
    ground: &Ground,
    values: &[TreeYear],
    analysis: AnalysisId,
) -> Result<Figures, Fault> {
    let prepared = worker::prepare(app, unit.programme()?, analysis).await?;
    let entries: Vec<String> = ground
        .entries
        .iter()
        .map(|entry| entry.germplasm_id.to_string())
        .collect();
    let (trees, is_check, values) = (ground.trees.clone(), ground.is_check(), values.to_vec());
    unit.reckon(move |_| {
        let levels = prepared.levels_of(&entries);
        model::figures_of(
            &prepared.asked,
            &prepared.observations,
            &prepared.covariates,
            prepared.relationship.clone(),
            &levels,
            (&trees, &values, &is_check),
        )
        .map_err(|error| {
            Fault::state(format!(
                "the analysis chosen for these figures cannot be fitted to the records as they are: {error}; choose another, or none"
            ))
        })
    })
    .await?
}

/// Shares of variance that other trials of the programme tell of a trait. Replicated trials whose
/// figures were never made are worked out first.
async fn past(
    app: &EvaluationApp,
    unit: &mut Unit,
    ground: &Ground,
    defined: &Trait,
) -> Result<Past, Fault> {
    let programme = unit.programme()?;
    let at = (ground.trial.id, defined.code.as_str());
    let codes = match &defined.computed {
        None => vec![defined.code.clone()],
        Some(computed) => vec![computed.first.clone(), computed.second.clone()],
    };
    let known = store::figures::shares(unit.connection(), programme, at).await?;
    let replicated = store::figures::replicated(
        unit.connection(),
        programme,
        (ground.trial.id, &codes),
        EARLIER_TRIALS,
    )
    .await?;
    // By number of the trial: the entries' share of what trees and of what records vary by.
    type Shared = (Option<(f64, f64)>, Option<(f64, f64)>);
    let mut found: BTreeMap<String, Shared> = known
        .iter()
        .map(|told| {
            let shares = (
                told.of_trees.as_ref().map(|share| share.0),
                told.of_records.as_ref().map(|share| share.0),
            );
            (told.number.clone(), shares)
        })
        .collect();
    for trial in replicated {
        if known.iter().any(|told| told.trial_id == trial) {
            continue;
        }
        let other = Ground::load(unit, programme, trial).await?;
        let values = other
            .values(unit.connection(), programme, defined, (None, None))
            .await?;
        if values.is_empty() || figures::needs_more(&other.trees, &values, &other.is_check()) {
            continue;
        }
        let ask = Ask::default();
        let id = name(&other, defined, &values, &ask);
        let kept = match at_hand(app, unit, programme, id).await? {
            Some(kept) => kept,
            None => make(app, unit, &other, defined, &values, &ask, id, Vec::new()).await?,
        };
        let told = &kept.figures.told;
        found.insert(
            other.trial.number.clone(),
            (told.share_of_trees, told.share_of_records),
        );
    }
    Ok(Past {
        of_trees: share(found.iter().map(|(number, of)| (number, of.0))),
        of_records: share(found.iter().map(|(number, of)| (number, of.1))),
    })
}

/// The share that trials tell, with their numbers as its source.
fn share<'a>(found: impl Iterator<Item = (&'a String, Option<(f64, f64)>)>) -> Option<Share> {
    let (trials, shares): (Vec<&str>, Vec<(f64, f64)>) = found
        .filter_map(|(number, of)| Some((number.as_str(), of?)))
        .unzip();
    let word = if trials.len() == 1 { "trial" } else { "trials" };
    Share::after(&shares, format!("{word} {}", trials.join(", ")))
}

/// What figures come from, as a message.
fn source(ground: &Ground, defined: &Trait, kept: &Kept, chosen: Option<&Chosen>) -> FiguresSource {
    FiguresSource {
        id: kept.id.to_string(),
        trial_id: ground.trial.id.to_string(),
        r#trait: defined.code.clone(),
        model: kept.figures.told.words.clone(),
        made_at: kept.made_at.to_string(),
        analysis_id: chosen
            .map(|chosen| chosen.analysis.to_string())
            .unwrap_or_default(),
        chosen_by: chosen.map(|chosen| chosen.by.clone()).unwrap_or_default(),
        draw_number: DRAW_NUMBER,
    }
}

/// Components as messages.
pub(super) fn components(figures: &Figures) -> Vec<VarianceComponent> {
    figures
        .told
        .components
        .iter()
        .map(|component| VarianceComponent {
            name: component.name.clone(),
            variance: component.variance,
            se: None,
            boundary: component.variance <= 0.0,
            low: component.interval.map(|i| i.0),
            high: component.interval.map(|i| i.1),
        })
        .collect()
}

/// What a trial says of its entries in one trait.
///
/// # Errors
/// Invalid fields; no records.
pub async fn get(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: GetFiguresRequest,
) -> Result<TrialFigures, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let ground = Ground::load(unit, programme, id).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    let told = of(app, unit, &ground, &defined).await?.ok_or_else(|| {
        Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, defined.code
        ))
    })?;
    let figures = told.figures();
    let of = &figures.told;
    let entries = of
        .predictions
        .iter()
        .map(|prediction| {
            let entry = &ground.entries[prediction.entry];
            PredictedEntry {
                germplasm_id: entry.germplasm_id.to_string(),
                number: entry.number.clone(),
                name: entry.name.clone(),
                expected: prediction.expected,
                sd: prediction.sd,
            }
        })
        .collect();
    Ok(TrialFigures {
        source: Some(told.source.clone()),
        unit: defined.unit.clone(),
        grand_mean: figures.grand_mean,
        heritability: of.heritability,
        repeatability: of.repeatability,
        heritability_method: of.method.clone(),
        genetic_variance: of.genetic_variance,
        error_variance: of.error_variance,
        components: components(figures),
        entries,
        notes: figures.notes.clone(),
        is_additive: of.words.contains("by pedigree"),
    })
}

/// Chooses the analysis whose model the figures of its trait follow, or none.
///
/// # Errors
/// Invalid fields; an analysis of another trial or trait, or one that gives no such figures.
pub async fn choose(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: ChooseAnalysisRequest,
) -> Result<FiguresSource, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let mut fields = Fields::new();
    let analysis: Option<AnalysisId> = fields.optional_id("analysis_id", &request.analysis_id);
    fields.finish()?;
    let ground = Ground::load(unit, programme, id).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    if let Some(analysis) = analysis {
        let found = store::analyses::get(unit.connection(), programme, analysis).await?;
        let refuse = |why: String| Err(Fault::field("/analysis_id", why));
        if found.trial_id != id.to_string() || found.r#trait != defined.code {
            return refuse(format!(
                "is of {} in another trial or of another trait",
                found.r#trait
            ));
        }
        if found.status != "done" || !found.converged {
            return refuse("is not done or did not converge; it gives no figures".to_owned());
        }
        let is_linear = found.method == Method::Linear.word()
            && BetweenWord::from_word(&found.between_sites).is_none();
        let has_entry = found.relationship || found.random_terms.iter().any(|t| t == "entry");
        if !is_linear || !has_entry || defined.scale == Scale::Nominal {
            return refuse(
                "figures follow a linear model with entry among its random terms; choose such an analysis".to_owned(),
            );
        }
        let single = found.random_terms.iter().chain(&found.fixed_terms);
        if single
            .flat_map(|t| model::variables(t))
            .any(|v| v == "assessor")
        {
            return refuse(
                "tells assessors apart, while figures rest on the means of trees; choose one without"
                    .to_owned(),
            );
        }
    }
    let caller = unit.caller().clone();
    let now = unit.now();
    store::figures::choose(
        unit.connection(),
        programme,
        (id, &defined.code),
        analysis,
        (caller.subject, &caller.name),
        now,
    )
    .await?;
    unit.touch("chosen_analysis", id);
    let told = of(app, unit, &ground, &defined).await?.ok_or_else(|| {
        Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, defined.code
        ))
    })?;
    Ok(told.source)
}
