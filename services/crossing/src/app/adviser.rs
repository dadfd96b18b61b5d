//! Which pairs of parents serve an objective, with the reasons side by side.

use std::collections::{BTreeMap, HashMap, HashSet};

use ::pedigree::KinshipMatrix;
use compatibility::{SGenotype, Species, Taxon, Verdict, plants_needed};
use contract::crossing::{
    AdvisePairsRequest, AdvisedPair, AdvisedPairs, CrossAdvice, LeftOutPairs, LociTogether,
    PairPrice, ParentRights, TraitGoal,
};
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::evaluation::{
    Analysis, GetAnalysisRequest, GetFiguresRequest, ListPredictionsRequest, RandomLevel,
};
use jiff::civil::Date;
use phenology::forecast::PassPlan;
use phenology::overlap::BloomWindow;
use platform::compute::Cancel;
use platform::database::Day;
use platform::operation::App as _;
use platform::peers::ServiceName;
use platform::{Fault, Fields, ProgrammeId, Unit};

use super::advice::{self, Reckoning};
use super::pedigree as lines;
use crate::CrossingApp;
use crate::domain::feasibility::{Condition, Facts, LeftOut, Rules};
use crate::domain::goals::{Genotypes, LociOdds, LocusModel, TraitModel, locus_expectations};
use crate::domain::parents::{self, PairAdvice};
use crate::domain::windows::bloom;
use crate::domain::{PlantId, RightsStanding};
use crate::store::germplasm::{self as plants, Filter, GermplasmRow, lineage};
use crate::store::{mothers, pollen, seasons};

/// Candidates at most.
pub(crate) const MOST_CANDIDATES: usize = 400;
/// Pairs told when nothing is said, and at most.
const USUAL_PAIRS: u32 = 20;
const MOST_PAIRS: u32 = 100;
/// Largest coancestry of a pair when nothing is said: full sibs of unrelated parents.
pub(crate) const USUAL_KINSHIP: f64 = 0.25;
/// About 100 fruits for a cross (common practice, no source).
const USUAL_FRUIT: u32 = 100;
/// Probability with which one wanted seedling is to be had.
const SURE: f64 = 0.95;
/// A share of seedlings that is as good as none.
const NONE_WANTED: f64 = 1e-9;
/// Days of bloom when none were ever noted (common practice, no source).
const USUAL_BLOOM_DAYS: u32 = 10;

/// The plants to choose from.
pub(crate) struct Candidates {
    pub rows: Vec<GermplasmRow>,
    pub kinship: KinshipMatrix<PlantId>,
}

impl Candidates {
    /// Reads the named plants, or every variety and selection when none is named.
    pub async fn read(unit: &mut Unit, named: &[(&str, &[String])]) -> Result<Self, Fault> {
        let mut fields = Fields::new();
        let mut ids: Vec<PlantId> = Vec::new();
        let mut at: HashMap<PlantId, String> = HashMap::new();
        for (list, texts) in named {
            for (place, text) in texts.iter().enumerate() {
                let field = format!("{list}/{place}");
                let Some(id) = fields.id(&field, text) else {
                    continue;
                };
                if !ids.contains(&id) {
                    ids.push(id);
                    at.insert(id, field);
                }
            }
        }
        let field = named.first().map_or("candidate_ids", |(list, _)| list);
        fields.require(
            ids.len() <= MOST_CANDIDATES,
            field,
            format!(
                "{} plants are named; name {MOST_CANDIDATES} at most",
                ids.len()
            ),
        );
        fields.finish()?;
        let all = named.first().is_none_or(|(_, texts)| texts.is_empty());
        let mut rows = plants::find_all(unit.connection(), &ids).await?;
        let mut fields = Fields::new();
        for id in ids
            .iter()
            .filter(|id| !rows.iter().any(|row| row.id == **id))
        {
            fields.fault(
                &at[id],
                format!("no plant {id} is known here; register it first"),
            );
        }
        if all {
            for kind in ["variety", "selection"] {
                let filter = Filter {
                    q: "",
                    kind: Some(kind),
                    species: None,
                };
                let most = MOST_CANDIDATES as i64 + 1;
                let found = plants::list(unit.connection(), filter, None, most).await?;
                rows.extend(found.into_iter().filter(|row| !ids.contains(&row.id)));
            }
        }
        fields.require(
            rows.len() <= MOST_CANDIDATES,
            field,
            format!("there are more than {MOST_CANDIDATES} varieties and selections; name the candidates"),
        );
        fields.require(
            rows.len() >= 2,
            field,
            "a cross needs two parents; name at least two plants, or register some",
        );
        fields.finish()?;
        rows.sort_by_key(|row| (row.name.to_lowercase(), row.id));
        let ids: Vec<PlantId> = rows.iter().map(|row| row.id).collect();
        let ancestry = lineage(unit.connection(), &ids).await?;
        let kinship = unit
            .reckon(move |_| {
                lines::built(&ancestry)?
                    .kinship(&ids)
                    .map_err(Fault::internal)
            })
            .await??;
        Ok(Self { rows, kinship })
    }

    /// Share of additive variance that segregates within a cross: 1 − ½ (f + f′), own coancestries.
    pub fn share_within(&self, i: usize, j: usize) -> f64 {
        1.0 - 0.5 * (self.kinship.coancestry(i, i) + self.kinship.coancestry(j, j))
    }

    /// Trait goals against the candidates' notes.
    pub fn traits(&self, fields: &mut Fields, goals: &[TraitGoal]) -> Vec<TraitModel> {
        let notes: Vec<_> = self
            .rows
            .iter()
            .map(|row| (row.id, &row.traits.0))
            .collect();
        goals
            .iter()
            .enumerate()
            .filter_map(|(place, goal)| {
                TraitModel::read(fields, &format!("traits/{place}"), goal, &notes)
            })
            .collect()
    }

    /// S genotypes, as stored.
    pub fn s_genotypes(&self) -> Result<Vec<SGenotype>, Fault> {
        self.rows
            .iter()
            .map(|row| {
                parents::stored_genotype(&row.species, &row.s_alleles).ok_or_else(|| {
                    Fault::state(format!(
                        "the species or S alleles of {} are no longer understood; correct them first",
                        row.name
                    ))
                })
            })
            .collect()
    }
}

/// Whether a pair can be crossed with some hope.
pub(crate) fn workable(advice: &PairAdvice) -> bool {
    advice.compatibility.verdict != Verdict::None && advice.crossability != "not_known_to_work"
}

/// Rank of a verdict among the two directions of a cross.
pub(crate) fn ease(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Full => 3,
        Verdict::Half => 2,
        Verdict::Unknown => 1,
        Verdict::None => 0,
    }
}

/// Analyses of a trait that are looked at for the one to take.
const ANALYSES_LOOKED_AT: u32 = 50;

/// Where a goal's values come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ValuesFrom {
    /// From the goal itself or the plants' notes.
    Given,
    /// From the analysis that it names.
    Named,
    /// From the newest analysis.
    Analyses,
    /// From the newest analysis where there is one, else from notes.
    Either,
}

fn values_from(goal: &TraitGoal, place: usize) -> Result<ValuesFrom, Fault> {
    if !goal.analysis_id.is_empty() && !goal.breeding_values.is_empty() {
        return Err(Fault::field(
            format!("/traits/{place}/analysis_id"),
            "give breeding_values or analysis_id, not both",
        ));
    }
    let of_notes = goal.heritability.is_some() || goal.standard_deviation.is_some();
    match goal.values_from.trim() {
        "" | "analyses" | "notes" if !goal.analysis_id.is_empty() => Ok(ValuesFrom::Named),
        "" | "analyses" | "notes" if !goal.breeding_values.is_empty() => Ok(ValuesFrom::Given),
        "notes" => Ok(ValuesFrom::Given),
        "" if of_notes => Ok(ValuesFrom::Given),
        "" => Ok(ValuesFrom::Either),
        "analyses" => Ok(ValuesFrom::Analyses),
        other => Err(Fault::field(
            format!("/traits/{place}/values_from"),
            format!("{other:?} is not known; one of analyses, notes"),
        )),
    }
}

/// Puts predictions of the evaluation service in place of the analyses that goals name, and tells
/// what must be minded of them.
pub(crate) async fn with_analyses(
    app: &CrossingApp,
    unit: &mut Unit,
    goals: &mut [TraitGoal],
    candidates: &Candidates,
) -> Result<Vec<String>, Fault> {
    let programme = unit.programme()?;
    let peers = &app.context().peers;
    let mut notes = Vec::new();
    for (place, goal) in goals.iter_mut().enumerate() {
        if !goal.trial_id.is_empty() {
            notes.extend(with_figures(app, programme, place, goal).await?);
            continue;
        }
        let source = values_from(goal, place)?;
        if source == ValuesFrom::Given {
            continue;
        }
        let at = format!("/traits/{place}/analysis_id");
        let transport = peers
            .reach(ServiceName::Evaluation, Some(programme))
            .await?;
        let mut evaluation = EvaluationClient::new(transport);
        if goal.analysis_id.is_empty() {
            let asked = ListPredictionsRequest {
                code: goal.r#trait.trim().to_owned(),
                limit: ANALYSES_LOOKED_AT,
                ..ListPredictionsRequest::default()
            };
            let found = evaluation.list_predictions(asked).await?.into_inner().items;
            // Of relatives more is known, and their predictions are what is inherited.
            // Those of a threshold model lie on a scale of its own, not in the unit of bounds.
            let in_unit = |analysis: &&Analysis| analysis.method != "threshold";
            let newest = found
                .iter()
                .filter(in_unit)
                .find(|analysis| analysis.relationship)
                .or(found.iter().find(in_unit));
            match (newest, source) {
                (Some(analysis), _) => goal.analysis_id.clone_from(&analysis.id),
                (None, ValuesFrom::Analyses) => {
                    return Err(Fault::field(
                        format!("/traits/{place}/values_from"),
                        format!(
                            "no finished analysis predicts entries for {}; ask for one with entries as random, or take notes",
                            goal.r#trait
                        ),
                    ));
                }
                (None, _) => continue,
            }
        }
        let analysis = evaluation
            .get_analysis(GetAnalysisRequest {
                analysis_id: goal.analysis_id.clone(),
            })
            .await
            .map_err(|status| match status.code() {
                tonic::Code::NotFound | tonic::Code::InvalidArgument => Fault::field(
                    at.clone(),
                    format!("no analysis {} is known", goal.analysis_id),
                ),
                _ => status.into(),
            })?
            .into_inner();
        if analysis.status != "done" || !analysis.converged {
            let problem = format!(
                "analysis {} gives no predictions: it is {}{}",
                goal.analysis_id,
                analysis.status,
                if analysis.converged || analysis.status != "done" {
                    ""
                } else {
                    ", not converged"
                }
            );
            return Err(Fault::field(at, problem));
        }
        let mut by_term: BTreeMap<&str, Vec<&RandomLevel>> = BTreeMap::new();
        for level in &analysis.random {
            if level.level.parse::<uuid::Uuid>().is_ok() {
                by_term.entry(&level.term).or_default().push(level);
            }
        }
        let Some((term, levels)) = by_term.into_iter().max_by_key(|(_, levels)| levels.len())
        else {
            return Err(Fault::field(
                at,
                "this analysis has no entries as random effects; ask for one with entries as random",
            ));
        };
        let variance = |name: &str| {
            analysis
                .components
                .iter()
                .find(|c| c.name == name)
                .map(|component| component.variance)
        };
        let predicted = levels.iter().filter(|level| {
            candidates
                .rows
                .iter()
                .any(|row| row.id.to_string() == level.level)
        });
        let (predicted_n, levels_n) = (predicted.count(), levels.len());
        if predicted_n < 2 && source == ValuesFrom::Either {
            notes.push(format!(
                "the newest analysis of {} predicts {predicted_n} of the candidates, so trait notes are taken",
                goal.r#trait
            ));
            goal.analysis_id.clear();
            continue;
        }
        let tells = variance(term).is_some_and(|variance| variance > 0.0);
        if !tells && goal.additive_variance.is_none() && source == ValuesFrom::Either {
            notes.push(format!(
                "the newest analysis of {} finds no variance among entries, so trait notes are taken",
                goal.r#trait
            ));
            goal.analysis_id.clear();
            continue;
        }
        if levels_n > predicted_n {
            notes.push(format!(
                "the analysis of {} predicts {} plants that are no candidates, as seedlings that are not taken into the germplasm",
                goal.r#trait,
                levels_n - predicted_n
            ));
        }
        goal.breeding_values = levels
            .iter()
            .map(|level| (level.level.clone(), level.effect))
            .collect();
        if let Some(of_entries) = variance(term).filter(|variance| *variance > 0.0) {
            goal.accuracies = levels
                .iter()
                .map(|level| (level.level.clone(), accuracy(level.se, of_entries)))
                .collect();
        }
        goal.additive_variance = goal.additive_variance.or(variance(term));
        goal.other_variance = goal.other_variance.or(variance("residual"));
        let intercept = analysis
            .fixed
            .iter()
            .find(|effect| effect.name == "(Intercept)");
        goal.base_mean = goal.base_mean.or(intercept.map(|effect| effect.estimate));
        if !analysis.relationship {
            notes.push(format!(
                "the analysis of {} took its entries as unrelated, so it predicts whole genotypes, of which seedlings inherit the additive part alone; ask for one with relationship for breeding values",
                goal.r#trait
            ));
        }
    }
    Ok(notes)
}

/// Puts the figures of a trial in place of breeding values, and tells what must be minded of them.
async fn with_figures(
    app: &CrossingApp,
    programme: ProgrammeId,
    place: usize,
    goal: &mut TraitGoal,
) -> Result<Vec<String>, Fault> {
    let at = format!("/traits/{place}/trial_id");
    if !goal.breeding_values.is_empty() || !goal.analysis_id.is_empty() {
        return Err(Fault::field(
            at,
            "give one of breeding_values, analysis_id and trial_id",
        ));
    }
    let transport = app
        .context()
        .peers
        .reach(ServiceName::Evaluation, Some(programme))
        .await?;
    let figures = EvaluationClient::new(transport)
        .get_figures(GetFiguresRequest {
            trial_id: goal.trial_id.clone(),
            r#trait: goal.r#trait.clone(),
        })
        .await
        .map_err(|status| match status.code() {
            tonic::Code::NotFound
            | tonic::Code::InvalidArgument
            | tonic::Code::FailedPrecondition => Fault::field(
                at.clone(),
                format!("gives no figures of {}: {}", goal.r#trait, status.message()),
            ),
            _ => status.into(),
        })?
        .into_inner();
    let Some(variance) = figures
        .genetic_variance
        .filter(|v| *v > 0.0 && !figures.entries.is_empty())
    else {
        return Err(Fault::field(
            at,
            format!(
                "tells no breeding values of {}: {}",
                goal.r#trait, figures.heritability_method
            ),
        ));
    };
    goal.breeding_values = figures
        .entries
        .iter()
        .map(|entry| (entry.germplasm_id.clone(), entry.expected))
        .collect();
    goal.accuracies = figures
        .entries
        .iter()
        .map(|entry| (entry.germplasm_id.clone(), accuracy(entry.sd, variance)))
        .collect();
    goal.additive_variance = goal.additive_variance.or(Some(variance));
    goal.other_variance = goal.other_variance.or(figures.error_variance);
    goal.base_mean = goal.base_mean.or(Some(figures.grand_mean));
    let source = figures.source.unwrap_or_default();
    let mut notes = vec![format!(
        "breeding values of {} are the figures {} of its trial, made {} by the model: {}",
        goal.r#trait, source.id, source.made_at, source.model
    )];
    if !figures.is_additive {
        notes.push(format!(
            "the figures of {} take entries as unrelated, so they predict whole genotypes, of which seedlings inherit the additive part alone",
            goal.r#trait
        ));
    }
    Ok(notes)
}

/// Correlation of a predicted with a true value, from the standard error of prediction and the
/// variance of the values: √(1 − se² / variance) (Henderson 1975, from memory; for a plant that is
/// not inbred).
fn accuracy(standard_error: f64, variance: f64) -> f64 {
    (1.0 - standard_error.powi(2) / variance)
        .clamp(0.0, 1.0)
        .sqrt()
}

/// A pair that passed what can be reckoned without its S alleles.
struct Scored {
    i: usize,
    j: usize,
    score: f64,
    index_sd: f64,
    /// Share of the seedlings that is wanted; none when something is not known.
    share_wanted: Option<f64>,
    /// Its bounds.
    share_lowest: f64,
    share_highest: f64,
}

/// A pair with its parts settled.
struct Chosen {
    mother: usize,
    father: usize,
    reciprocal: Verdict,
    prices: Vec<PairPrice>,
    scored: Scored,
}

impl Chosen {
    /// The score with the prices taken off.
    fn priced(&self) -> f64 {
        self.scored.score - total(&self.prices)
    }
}

fn total(prices: &[PairPrice]) -> f64 {
    prices.iter().map(|price| price.price).sum()
}

/// Pairs left out for one reason.
#[derive(Default)]
struct Heap {
    pairs_n: u32,
    why: String,
    examples: Vec<String>,
}

/// Pairs left out that are named for each reason.
const EXAMPLES: usize = 3;

/// What bears on whether pairs can be worked, by candidate.
struct Ground {
    bloom: Vec<Option<BloomWindow>>,
    /// Whether a usable lot of its pollen is kept.
    kept: Vec<bool>,
    mothers_n: Vec<usize>,
}

impl Ground {
    async fn read(
        unit: &mut Unit,
        candidates: &Candidates,
        year: i32,
        today: Date,
    ) -> Result<Self, Fault> {
        let ids: Vec<PlantId> = candidates.rows.iter().map(|row| row.id).collect();
        let notes = seasons::bloom_notes(unit.connection(), &ids).await?;
        let lots = pollen::kept(unit.connection(), Some(&ids), Day(today)).await?;
        let usable: HashSet<PlantId> = lots
            .iter()
            .filter(|kept| kept.lot().on(today).usable)
            .map(|kept| kept.row.germplasm_id)
            .collect();
        let standing = mothers::standing(unit.connection(), Day(today)).await?;
        let year = i16::try_from(year).unwrap_or_default();
        Ok(Self {
            bloom: ids
                .iter()
                .map(|id| Some(bloom(notes.get(id)?, year)?.window))
                .collect(),
            kept: ids.iter().map(|id| usable.contains(id)).collect(),
            mothers_n: ids
                .iter()
                .map(|id| {
                    standing
                        .iter()
                        .filter(|row| row.germplasm_id == *id)
                        .count()
                })
                .collect(),
        })
    }

    fn can_serve(&self, mother: usize, father: usize) -> &'static str {
        let windows = self.bloom[mother].as_ref().zip(self.bloom[father].as_ref());
        let shared = windows.map(|(hers, his)| hers.shared_days_n(his));
        advice::can_serve(shared, self.kept[father])
    }
}

/// Ranks pairs.
pub async fn rank(
    app: &CrossingApp,
    unit: &mut Unit,
    mut request: AdvisePairsRequest,
) -> Result<AdvisedPairs, Fault> {
    let mut fields = Fields::new();
    let today = seasons::latest_day(unit.now());
    let year = if request.season.trim().is_empty() {
        Some(i32::from(today.year()))
    } else {
        super::seasons::year(&mut fields, "season", &request.season)
    };
    let ceiling = request.kinship_ceiling.unwrap_or(USUAL_KINSHIP);
    fields.number("kinship_ceiling", ceiling, 0.0, 1.0);
    let max_pairs = request.max_pairs.unwrap_or(USUAL_PAIRS);
    fields.count("max_pairs", max_pairs, 1, MOST_PAIRS);
    let fruit_wanted_n = request.fruit_wanted_n.unwrap_or(USUAL_FRUIT);
    fields.count("fruit_wanted_n", fruit_wanted_n, 1, 100_000);
    let mut rules = Rules::read(&mut fields, &request.rules);
    if request.refuse_agreement_needed {
        rules.filter(Condition::Rights);
    }
    fields.require(
        !request.traits.is_empty() || !request.loci.is_empty(),
        "traits",
        "say what the crosses are for: traits with weights or bounds, or loci",
    );
    fields.finish()?;
    let candidates = Candidates::read(
        unit,
        &[
            ("candidate_ids", request.candidate_ids.as_slice()),
            ("seed_parent_ids", request.seed_parent_ids.as_slice()),
            ("pollen_parent_ids", request.pollen_parent_ids.as_slice()),
        ],
    )
    .await?;
    let of_analyses = with_analyses(app, unit, &mut request.traits, &candidates).await?;
    let year = year.unwrap_or_else(|| i32::from(today.year()));
    let ground = Ground::read(unit, &candidates, year, today).await?;
    let search = Search::new(candidates, &request, ceiling, ground, rules)?;
    let (search, (chosen, left_out, pairs_n)) = unit
        .reckon(move |cancel| {
            let chosen = search.choose(max_pairs as usize, cancel)?;
            Ok::<_, Fault>((search, chosen))
        })
        .await??;
    let candidates = &search.candidates;

    let sets = advice::fruit_sets(unit, None).await?;
    let mut items = Vec::with_capacity(chosen.len());
    for (place, pair) in (1..).zip(&chosen) {
        let (mother, father) = (&candidates.rows[pair.mother], &candidates.rows[pair.father]);
        let advised = advice::advise(
            unit,
            year,
            Reckoning::On(today),
            mother,
            Some(father),
            fruit_wanted_n,
            &sets,
        )
        .await?;
        let days_n = search.ground.bloom[pair.mother]
            .as_ref()
            .map_or(USUAL_BLOOM_DAYS, BloomWindow::days_n);
        let passes_n = PassPlan::default().passes_n(f64::from(days_n));
        items.push(search.told(place, pair, advised.advice, passes_n));
    }
    let mut told_notes = search.notes();
    told_notes.extend(of_analyses);
    if items.is_empty() {
        told_notes.push(
            "no pair is left; raise the kinship ceiling, ask for less, or name other candidates"
                .to_owned(),
        );
    }
    Ok(AdvisedPairs {
        items,
        candidates_n: u32::try_from(candidates.rows.len()).unwrap_or(u32::MAX),
        pairs_n,
        left_out,
        notes: told_notes,
        rules: search.rules.told(),
    })
}

/// The best pairs, why others were left out, and how many there were.
type Choice = (Vec<Chosen>, Vec<LeftOutPairs>, u32);

/// The goals with all that the pairs are held against.
struct Search {
    candidates: Candidates,
    traits: Vec<TraitModel>,
    loci: Vec<LocusModel>,
    genotypes: Vec<Genotypes>,
    s_genotypes: Vec<SGenotype>,
    /// Species whose catalogue of loci a seed parent's seedlings are read by.
    species: Vec<Species>,
    may_be_mother: Vec<bool>,
    may_give_pollen: Vec<bool>,
    agreement_needed: Vec<bool>,
    ceiling: f64,
    ground: Ground,
    rules: Rules,
}

impl Search {
    fn new(
        candidates: Candidates,
        request: &AdvisePairsRequest,
        ceiling: f64,
        ground: Ground,
        rules: Rules,
    ) -> Result<Self, Fault> {
        let mut fields = Fields::new();
        let traits = candidates.traits(&mut fields, &request.traits);
        let species: Vec<Species> = candidates
            .rows
            .iter()
            .map(|row| {
                let all = row
                    .species
                    .parse::<Taxon>()
                    .map(|t| t.all_species())
                    .unwrap_or_default();
                all.first().copied().unwrap_or(Species::Persica)
            })
            .collect();
        let named: HashSet<Species> = species.iter().copied().collect();
        let named: Vec<Species> = named.into_iter().collect();
        let mut seen: HashSet<&str> = HashSet::new();
        let mut loci = Vec::new();
        for (place, goal) in request.loci.iter().enumerate() {
            let at = format!("loci/{place}");
            fields.require(
                seen.insert(goal.locus.trim()),
                &format!("{at}/locus"),
                "is named twice; put all wishes at a locus into one goal",
            );
            loci.extend(LocusModel::read(&mut fields, &at, goal, &named));
        }
        fields.finish()?;
        let rows = &candidates.rows;
        let genotypes = rows
            .iter()
            .zip(&species)
            .map(|(row, species)| {
                loci.iter()
                    .map(|model| model.possible(*species, &row.loci.0))
                    .collect()
            })
            .collect();
        let among = |ids: &[String]| -> Vec<bool> {
            rows.iter()
                .map(|row| ids.is_empty() || ids.contains(&row.id.to_string()))
                .collect()
        };
        Ok(Self {
            s_genotypes: candidates.s_genotypes()?,
            genotypes,
            species,
            may_be_mother: among(&request.seed_parent_ids),
            may_give_pollen: among(&request.pollen_parent_ids),
            agreement_needed: rows
                .iter()
                .map(|row| row.rights_standing == RightsStanding::AgreementNeeded.to_string())
                .collect(),
            candidates,
            traits,
            loci,
            ceiling,
            ground,
            rules,
        })
    }

    fn may(&self, mother: usize, father: usize) -> bool {
        self.may_be_mother[mother] && self.may_give_pollen[father]
    }

    /// Scores every pair, then looks at what stands in its way from the best on, until no further pair
    /// can be among the best once prices are taken off.
    fn choose(&self, max_pairs: usize, cancel: &Cancel) -> Result<Choice, Fault> {
        let mut heaps: BTreeMap<&'static str, Heap> = BTreeMap::new();
        let (mut scored, pairs_n) = self.all_scored(&mut heaps, cancel)?;
        // Of pairs that score alike, those whose share is known come first.
        scored.sort_by(|a, b| {
            b.score
                .total_cmp(&a.score)
                .then(b.share_wanted.is_some().cmp(&a.share_wanted.is_some()))
                .then(b.share_highest.total_cmp(&a.share_highest))
                .then((a.i, a.j).cmp(&(b.i, b.j)))
        });
        let mut chosen: Vec<Chosen> = Vec::new();
        for pair in scored {
            if chosen.len() >= max_pairs && chosen[max_pairs - 1].priced() >= pair.score {
                break;
            }
            match self.direction(pair.i, pair.j) {
                Ok((mother, father, reciprocal, prices)) => {
                    let pair = Chosen {
                        mother,
                        father,
                        reciprocal,
                        prices,
                        scored: pair,
                    };
                    let priced = pair.priced();
                    let place = chosen.partition_point(|other| other.priced() >= priced);
                    chosen.insert(place, pair);
                }
                Err(left_out) => self.leave_out(&mut heaps, pair.i, pair.j, left_out),
            }
        }
        chosen.truncate(max_pairs);
        let left_out = heaps
            .into_iter()
            .map(|(reason, heap)| LeftOutPairs {
                reason: reason.to_owned(),
                pairs_n: heap.pairs_n,
                why: heap.why,
                examples: heap.examples,
            })
            .collect();
        Ok((chosen, left_out, pairs_n))
    }

    /// Pairs that the goals and the ceiling of kinship leave, and how many there were.
    fn all_scored(
        &self,
        heaps: &mut BTreeMap<&'static str, Heap>,
        cancel: &Cancel,
    ) -> Result<(Vec<Scored>, u32), Fault> {
        let n = self.candidates.rows.len();
        let mut odds: HashMap<(usize, usize), LociOdds> = HashMap::new();
        let classes = self.locus_classes();
        let mut scored: Vec<Scored> = Vec::new();
        let mut pairs_n = 0;
        for i in 0..n {
            cancel.check()?;
            for j in i + 1..n {
                if !self.may(i, j) && !self.may(j, i) {
                    continue;
                }
                pairs_n += 1;
                let pair = if self.candidates.kinship.coancestry(i, j) > self.ceiling {
                    Err(LeftOut {
                        reason: "kinship",
                        why: format!(
                            "the parents' coancestry is above the ceiling of {}",
                            self.ceiling
                        ),
                    })
                } else {
                    let loci = odds.entry((classes[i], classes[j])).or_insert_with(|| {
                        LociOdds::of(
                            &self.loci,
                            self.species[i],
                            &self.genotypes[i],
                            &self.genotypes[j],
                        )
                    });
                    self.score(i, j, loci)
                };
                match pair {
                    Ok(pair) => scored.push(pair),
                    Err(left_out) => self.leave_out(heaps, i, j, left_out),
                }
            }
        }
        Ok((scored, pairs_n))
    }

    fn leave_out(
        &self,
        heaps: &mut BTreeMap<&'static str, Heap>,
        i: usize,
        j: usize,
        left_out: LeftOut,
    ) {
        let heap = heaps.entry(left_out.reason).or_default();
        heap.pairs_n += 1;
        if heap.examples.len() < EXAMPLES {
            let rows = &self.candidates.rows;
            heap.examples
                .push(format!("{} × {}", rows[i].name, rows[j].name));
        }
        heap.why = left_out.why;
    }

    /// Plants alike in species and at all loci asked for share a class.
    fn locus_classes(&self) -> Vec<usize> {
        let mut known: HashMap<(Species, &Genotypes), usize> = HashMap::new();
        self.species
            .iter()
            .zip(&self.genotypes)
            .map(|(species, genotypes)| {
                let next = known.len();
                *known.entry((*species, genotypes)).or_insert(next)
            })
            .collect()
    }

    /// A pair held against the goals: the share of seedlings that is wanted where it is known, the
    /// least that is possible where a genotype is not.
    fn score(&self, i: usize, j: usize, loci: &LociOdds) -> Result<Scored, LeftOut> {
        if loci.highest < NONE_WANTED {
            return Err(LeftOut {
                reason: "locus_impossible",
                why: "no seedling can have what is wanted at the loci".to_owned(),
            });
        }
        let pair = [self.candidates.rows[i].id, self.candidates.rows[j].id];
        let within = self.candidates.share_within(i, j);
        let mut index_sd = 0.0;
        let mut of_traits = 1.0;
        let mut all_known = true;
        for model in &self.traits {
            index_sd += f64::midpoint(model.merit(pair[0]), model.merit(pair[1]));
            if model.bounded() {
                of_traits *= model.share_expected(pair, within);
                all_known &= model.spread(pair, within).is_some();
            }
        }
        if of_traits < NONE_WANTED {
            return Err(LeftOut {
                reason: "trait_impossible",
                why: "as good as no seedling lies within the bounds of the traits".to_owned(),
            });
        }
        let of_loci = loci.ranked();
        let (low, high) = if all_known {
            (of_traits, of_traits)
        } else {
            (0.0, 1.0)
        };
        let share = of_traits * of_loci.unwrap_or(loci.lowest);
        Ok(Scored {
            i,
            j,
            score: index_sd + share.max(NONE_WANTED).log10(),
            index_sd,
            share_wanted: of_loci
                .filter(|_| all_known)
                .map(|of_loci| of_traits * of_loci),
            share_lowest: low * loci.lowest,
            share_highest: high * loci.highest,
        })
    }

    /// Which of the two should be mother, the verdict the other way round, and what stands in the way.
    fn direction(
        &self,
        i: usize,
        j: usize,
    ) -> Result<(usize, usize, Verdict, Vec<PairPrice>), LeftOut> {
        let facts = |mother: usize, father: usize| Facts {
            genetics: parents::advise(&self.s_genotypes[mother], &self.s_genotypes[father]),
            can_serve: self.ground.can_serve(mother, father),
            agreement_needed: self.agreement_needed[mother] || self.agreement_needed[father],
            mothers_n: self.ground.mothers_n[mother],
        };
        let both = [(i, j, facts(i, j)), (j, i, facts(j, i))];
        let verdict_of = |mother: usize| {
            both.iter()
                .find(|(m, ..)| *m == mother)
                .map_or(Verdict::Unknown, |(.., f)| f.genetics.compatibility.verdict)
        };
        let mut refused = None;
        let mut best: Option<(usize, usize, u8, Vec<PairPrice>)> = None;
        for (mother, father, facts) in &both {
            if !self.may(*mother, *father) {
                continue;
            }
            match self.rules.judge(facts) {
                Err(left_out) => refused = Some(left_out),
                Ok(prices) => {
                    let ease = ease(facts.genetics.compatibility.verdict);
                    let better = best.as_ref().is_none_or(|(.., so_far, others)| {
                        let (cost, other) = (total(&prices), total(others));
                        cost < other || (cost == other && ease > *so_far)
                    });
                    if better {
                        best = Some((*mother, *father, ease, prices));
                    }
                }
            }
        }
        match (best, refused) {
            (Some((mother, father, _, prices)), _) => {
                Ok((mother, father, verdict_of(father), prices))
            }
            (None, Some(left_out)) => Err(left_out),
            (None, None) => {
                unreachable!("a pair that is looked at may be crossed one way at least")
            }
        }
    }

    fn told(&self, rank: u32, pair: &Chosen, advice: CrossAdvice, passes_n: u32) -> AdvisedPair {
        let (m, f) = (pair.mother, pair.father);
        let (mother, father) = (&self.candidates.rows[m], &self.candidates.rows[f]);
        let ids = [mother.id, father.id];
        let within = self.candidates.share_within(m, f);
        let odds = LociOdds::of(
            &self.loci,
            self.species[m],
            &self.genotypes[m],
            &self.genotypes[f],
        );
        let scored = &pair.scored;
        let sure_of = scored.share_wanted.unwrap_or(scored.share_lowest);
        let mut notes = Vec::new();
        for model in self.traits.iter() {
            for row in [mother, father] {
                if !model.knows(row.id) {
                    notes.push(format!(
                        "{} of {} is not known; it is taken as average",
                        model.name, row.name
                    ));
                }
            }
        }
        let loci = locus_expectations(
            &self.loci,
            self.species[m],
            &self.genotypes[m],
            &self.genotypes[f],
        );
        for told in &loci {
            let sides = [(mother, &told.seed_parent), (father, &told.pollen_parent)];
            for (row, _) in sides.iter().filter(|(_, genotype)| genotype.is_empty()) {
                notes.push(format!(
                    "genotype of {} at {} is not known: between {:.0} % and {:.0} % of the seedlings are wanted there, and the pair is ranked by the least; a marker test would tell",
                    row.name, told.locus, told.lowest_share * 100.0, told.highest_share * 100.0
                ));
            }
        }
        if self.species[m] != self.species[f] && !self.loci.is_empty() {
            notes.push("loci are read by the seed parent's species".to_owned());
        }
        if pair.reciprocal == Verdict::None {
            notes.push(format!(
                "{} rejects the pollen of {}: keep these parts",
                father.name, mother.name
            ));
        }
        AdvisedPair {
            rank,
            seed_parent_id: mother.id.to_string(),
            seed_parent_name: mother.name.clone(),
            pollen_parent_id: father.id.to_string(),
            pollen_parent_name: father.name.clone(),
            score: pair.priced(),
            prices: pair.prices.clone(),
            index_sd: scored.index_sd,
            traits: self
                .traits
                .iter()
                .map(|model| model.expectation(ids, within))
                .collect(),
            loci,
            loci_together: (!self.loci.is_empty()).then(|| together(&odds)),
            share_wanted: scored.share_wanted,
            share_lowest: scored.share_lowest,
            share_highest: scored.share_highest,
            plants_needed: plants_needed(sure_of, SURE).ok().flatten(),
            reciprocal_verdict: pair.reciprocal.to_string(),
            seed_parent_rights: Some(rights(mother)),
            pollen_parent_rights: Some(rights(father)),
            passes_needed_n: passes_n,
            flowers_per_pass_n: advice.flowers_needed.div_ceil(passes_n.max(1)),
            mothers_n: u32::try_from(self.ground.mothers_n[m]).unwrap_or(u32::MAX),
            advice: Some(advice),
            notes,
        }
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = vec![
            "score: weighted traits of the seedlings' mean in standard deviations, plus the decimal logarithm of the share of seedlings that is wanted, less the prices of what stands in the way; half the share costs 0.3".to_owned(),
        ];
        if !self.loci.is_empty() {
            notes.push("where a genotype is not known, the share is the least that is possible over what it may be, a billionth at least".to_owned());
        }
        if self.traits.iter().filter(|model| model.bounded()).count() > 1 {
            notes.push("bounds of several traits are taken as independent".to_owned());
        }
        notes
    }
}

fn together(odds: &LociOdds) -> LociTogether {
    LociTogether {
        share: odds
            .together
            .as_ref()
            .and_then(|share| share.exact)
            .map(|share| share.value()),
        lowest: Some(odds.lowest),
        highest: Some(odds.highest),
        linked: odds
            .together
            .as_ref()
            .map(|share| parents::linked_in_words(&share.linked))
            .unwrap_or_default(),
    }
}

fn rights(row: &GermplasmRow) -> ParentRights {
    ParentRights {
        germplasm_id: row.id.to_string(),
        name: row.name.clone(),
        rights_standing: row.rights_standing.clone(),
        protected_by: row.protected_by.clone(),
    }
}

/// The day that plans for a season are reckoned on.
pub(crate) fn reckoned(unit: &Unit) -> Date {
    seasons::latest_day(unit.now())
}
