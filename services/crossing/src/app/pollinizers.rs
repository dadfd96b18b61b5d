//! Pollinizer trials: several pollens on one variety in isolation, counted by branch and judged.

use biometry::fruit_set::Count;
use biometry::fruit_set::pollinizer::{self, Criteria, Pollen, Recommendation};
use compatibility::judge as judge_alleles;
use contract::crossing::{
    GetPollinizerTrialRequest, JudgePollinizerTrialRequest, ListPollinizerTrialsRequest,
    PlanPollinizerTrialRequest, PollinizerCount, PollinizerOutcome, PollinizerPair,
    PollinizerResult, PollinizerTrial, PollinizerTrialList, RecordPollinizerCountsRequest,
};
use platform::database::Day;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use sqlx::FromRow;

use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, bloom, not_ahead, seasons, stored};
use crate::CrossingApp;
use crate::domain::windows;
use crate::domain::{PlantId, PollinizerCountId, PollinizerTrialId, parents};
use crate::store::germplasm as plants;
use crate::store::seasons::{bloom_notes, latest_day};

/// Pollens in one trial at most.
const MOST_POLLENS: usize = 60;
/// Counts in one call at most.
const MOST_COUNTS: usize = 5_000;
/// Smallest difference in set that matters when nothing is said.
const USUAL_DIFFERENCE: f64 = 0.1;
/// Seed of simulated probabilities, fixed so that a result is the same whenever it is asked for.
const SEED: u64 = 1;

#[derive(Debug, Clone, FromRow)]
struct TrialRow {
    id: PollinizerTrialId,
    season: i32,
    germplasm_id: PlantId,
    name: String,
    isolation: String,
    objective: String,
    least_difference: f64,
    pollen_parent_ids: Vec<PlantId>,
}

macro_rules! select_trial {
    ($tail:literal) => {
        concat!(
            "select t.id, t.season, t.germplasm_id, g.name, t.isolation, t.objective, \
             t.least_difference, array(select e.pollen_parent_id from pollinizer_entry e \
                 where e.programme_id = t.programme_id and e.pollinizer_trial_id = t.id \
                 order by e.place) as pollen_parent_ids \
             from pollinizer_trial t \
             join germplasm g on g.programme_id = t.programme_id and g.id = t.germplasm_id \
             where t.programme_id = current_programme() ",
            $tail
        )
    };
}

#[derive(Debug, Clone, FromRow)]
struct CountRow {
    id: PollinizerCountId,
    pollen_parent_id: PlantId,
    branch: String,
    on_day: Day,
    flowers_n: i32,
    set_n: i32,
    by_name: String,
}

/// Plans a trial.
pub async fn plan(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PlanPollinizerTrialRequest,
) -> Result<PollinizerTrial, Fault> {
    let mut fields = Fields::new();
    let id: PollinizerTrialId = fields.client_id(&request.id);
    let year = seasons::year(&mut fields, "season", &request.season);
    let season = seasons::opened(&mut fields, unit, year).await?;
    let plant =
        bloom::known_plant(&mut fields, unit, "germplasm_id", &request.germplasm_id).await?;
    at_most(&mut fields, "isolation", &request.isolation, NAME_CHARS);
    at_most(&mut fields, "objective", &request.objective, NOTE_CHARS);
    let least_difference = request.least_difference.unwrap_or(USUAL_DIFFERENCE);
    fields.number("least_difference", least_difference, 0.001, 0.999);
    fields.require(
        (2..=MOST_POLLENS).contains(&request.pollen_parent_ids.len()),
        "pollen_parent_ids",
        format!("name 2 to {MOST_POLLENS} pollens to compare"),
    );
    let mut pollens: Vec<PlantId> = Vec::new();
    for (index, text) in request
        .pollen_parent_ids
        .iter()
        .take(MOST_POLLENS)
        .enumerate()
    {
        let field = format!("pollen_parent_ids/{index}");
        if let Some(pollen) = bloom::known_plant(&mut fields, unit, &field, text).await? {
            fields.require(!pollens.contains(&pollen), &field, "is named twice");
            pollens.push(pollen);
        }
    }
    fields.finish()?;
    let programme = unit.programme()?;
    sqlx::query(
        "insert into pollinizer_trial (programme_id, id, season, germplasm_id, isolation, \
         objective, least_difference) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(id)
    .bind(season.map_or(0, |season| season.year))
    .bind(plant)
    .bind(request.isolation.trim())
    .bind(request.objective.trim())
    .bind(least_difference)
    .execute(unit.connection())
    .await?;
    let places: Vec<i32> = (0..).take(pollens.len()).collect();
    sqlx::query(
        "insert into pollinizer_entry (programme_id, pollinizer_trial_id, pollen_parent_id, place) \
         select $1, $2, u.id, u.place from unnest($3::uuid[], $4::int[]) as u (id, place)",
    )
    .bind(programme)
    .bind(id)
    .bind(&pollens)
    .bind(&places)
    .execute(unit.connection())
    .await?;
    unit.touch("pollinizer_trial", id);
    one(unit, id).await
}

async fn found(unit: &mut Unit, id: PollinizerTrialId) -> Result<TrialRow, Fault> {
    sqlx::query_as(select_trial!("and t.id = $1"))
        .bind(id)
        .fetch_optional(unit.connection())
        .await?
        .ok_or_else(|| Fault::not_found("pollinizer trial", id))
}

/// The latest count of each branch.
async fn latest_counts(unit: &mut Unit, id: PollinizerTrialId) -> Result<Vec<CountRow>, Fault> {
    Ok(sqlx::query_as(
        "select distinct on (pollen_parent_id, branch) id, pollen_parent_id, branch, on_day, \
         flowers_n, set_n, by_name from pollinizer_count \
         where programme_id = current_programme() and pollinizer_trial_id = $1 \
         order by pollen_parent_id, branch, on_day desc, entry desc",
    )
    .bind(id)
    .fetch_all(unit.connection())
    .await?)
}

async fn one(unit: &mut Unit, id: PollinizerTrialId) -> Result<PollinizerTrial, Fault> {
    let row = found(unit, id).await?;
    let mut trial = told_of(row);
    trial.counts = latest_counts(unit, id)
        .await?
        .into_iter()
        .map(|row| PollinizerCount {
            id: row.id.to_string(),
            pollen_parent_id: row.pollen_parent_id.to_string(),
            branch: row.branch,
            flowers_n: u32::try_from(row.flowers_n).unwrap_or(0),
            set_n: u32::try_from(row.set_n).unwrap_or(0),
            on: row.on_day.0.to_string(),
            by: row.by_name,
        })
        .collect();
    Ok(trial)
}

fn told_of(row: TrialRow) -> PollinizerTrial {
    PollinizerTrial {
        id: row.id.to_string(),
        season: row.season,
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name,
        pollen_parent_ids: row
            .pollen_parent_ids
            .iter()
            .map(ToString::to_string)
            .collect(),
        isolation: row.isolation,
        objective: row.objective,
        least_difference: row.least_difference,
        counts: Vec::new(),
    }
}

/// A list of trials.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListPollinizerTrialsRequest,
) -> Result<PollinizerTrialList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let after: Option<PollinizerTrialId> = page.after_key()?;
    let mut fields = Fields::new();
    let season = if request.season.is_empty() {
        None
    } else {
        seasons::year(&mut fields, "season", &request.season)
    };
    fields.finish()?;
    let rows: Vec<TrialRow> = sqlx::query_as(select_trial!(
        "and ($1::int is null or t.season = $1) and ($2::uuid is null or t.id > $2) \
         order by t.id limit $3"
    ))
    .bind(season)
    .bind(after)
    .bind(page.fetch())
    .fetch_all(unit.connection())
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(PollinizerTrialList {
        items: rows.into_iter().map(told_of).collect(),
        next_cursor,
    })
}

/// One trial.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetPollinizerTrialRequest,
) -> Result<PollinizerTrial, Fault> {
    let mut fields = Fields::new();
    let id: Option<PollinizerTrialId> =
        fields.id("pollinizer_trial_id", &request.pollinizer_trial_id);
    fields.finish()?;
    one(unit, id.unwrap_or_default_id()).await
}

/// Records flowers and fruits by pollen and branch.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordPollinizerCountsRequest,
) -> Result<PollinizerTrial, Fault> {
    let mut fields = Fields::new();
    let id: Option<PollinizerTrialId> =
        fields.id("pollinizer_trial_id", &request.pollinizer_trial_id);
    let on = fields.date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    fields.require(
        (1..=MOST_COUNTS).contains(&request.rows.len()),
        "rows",
        format!("give 1 to {MOST_COUNTS} counts"),
    );
    let trial = match id {
        Some(id) => found(unit, id).await?,
        None => {
            fields.finish()?;
            return Err(Fault::field("/pollinizer_trial_id", "is required"));
        }
    };
    let mut rows: Vec<CountRow> = Vec::with_capacity(request.rows.len());
    for (index, told) in request.rows.iter().take(MOST_COUNTS).enumerate() {
        let at = |field: &str| format!("rows/{index}/{field}");
        let pollen: Option<PlantId> = fields.id(&at("pollen_parent_id"), &told.pollen_parent_id);
        if let Some(pollen) = pollen {
            fields.require(
                trial.pollen_parent_ids.contains(&pollen),
                &at("pollen_parent_id"),
                "is not one of the pollens of this trial",
            );
        }
        fields.count(&at("flowers_n"), told.flowers_n, 1, 100_000);
        fields.require(
            told.set_n <= told.flowers_n,
            &at("set_n"),
            format!(
                "{} fruits cannot be set by {} flowers",
                told.set_n, told.flowers_n
            ),
        );
        at_most(&mut fields, &at("branch"), &told.branch, NAME_CHARS);
        let count_id: Option<PollinizerCountId> = fields.optional_id(&at("id"), &told.id);
        rows.push(CountRow {
            id: count_id.unwrap_or_else(PollinizerCountId::new),
            pollen_parent_id: pollen.unwrap_or_default_id(),
            branch: told.branch.trim().to_owned(),
            on_day: Day(on.unwrap_or_default()),
            flowers_n: stored(told.flowers_n),
            set_n: stored(told.set_n),
            by_name: if told.by.is_empty() {
                request.by.clone()
            } else {
                told.by.clone()
            },
        });
    }
    fields.finish()?;
    let programme = unit.programme()?;
    sqlx::query(
        "insert into pollinizer_count (programme_id, id, pollinizer_trial_id, pollen_parent_id, \
         branch, on_day, flowers_n, set_n, by_name) \
         select $1, u.id, $2, u.pollen, u.branch, $3, u.flowers_n, u.set_n, u.by_name \
         from unnest($4::uuid[], $5::uuid[], $6::text[], $7::int[], $8::int[], $9::text[]) \
             as u (id, pollen, branch, flowers_n, set_n, by_name) \
         on conflict (programme_id, id) do nothing",
    )
    .bind(programme)
    .bind(trial.id)
    .bind(rows[0].on_day)
    .bind(rows.iter().map(|row| row.id).collect::<Vec<_>>())
    .bind(
        rows.iter()
            .map(|row| row.pollen_parent_id)
            .collect::<Vec<_>>(),
    )
    .bind(
        rows.iter()
            .map(|row| row.branch.clone())
            .collect::<Vec<_>>(),
    )
    .bind(rows.iter().map(|row| row.flowers_n).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.set_n).collect::<Vec<_>>())
    .bind(
        rows.iter()
            .map(|row| row.by_name.clone())
            .collect::<Vec<_>>(),
    )
    .execute(unit.connection())
    .await?;
    unit.touch("pollinizer_trial", trial.id);
    one(unit, trial.id).await
}

/// Judges a trial.
pub async fn judge(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: JudgePollinizerTrialRequest,
) -> Result<PollinizerResult, Fault> {
    let mut fields = Fields::new();
    let id: Option<PollinizerTrialId> =
        fields.id("pollinizer_trial_id", &request.pollinizer_trial_id);
    let confidence = request.confidence.unwrap_or(0.95);
    fields.number("confidence", confidence, 0.5, 0.999);
    fields.finish()?;
    let trial = found(unit, id.unwrap_or_default_id()).await?;
    let counts = latest_counts(unit, trial.id).await?;
    let mut ids = trial.pollen_parent_ids.clone();
    ids.push(trial.germplasm_id);
    let rows = plants::find_all(unit.connection(), &ids).await?;
    let find = |id: PlantId| rows.iter().find(|row| row.id == id);
    let notes = bloom_notes(unit.connection(), &ids).await?;
    let year = i16::try_from(trial.season).unwrap_or_default();
    let window = |id: PlantId| notes.get(&id).and_then(|notes| windows::bloom(notes, year));
    let hers = window(trial.germplasm_id);

    let mut counted: Vec<PlantId> = Vec::new();
    let mut pollens: Vec<Pollen> = Vec::new();
    let mut uncounted: Vec<String> = Vec::new();
    for pollen in &trial.pollen_parent_ids {
        let name = find(*pollen)
            .map(|row| row.name.clone())
            .unwrap_or_default();
        let branches: Vec<Count> = counts
            .iter()
            .filter(|row| row.pollen_parent_id == *pollen)
            .filter_map(|row| {
                let n = |count: i32| u64::try_from(count).ok();
                Count::new(n(row.set_n)?, n(row.flowers_n)?).ok()
            })
            .collect();
        if branches.is_empty() {
            uncounted.push(name);
            continue;
        }
        let overlap = hers
            .as_ref()
            .zip(window(*pollen))
            .map(|(hers, his)| hers.window.share_covered_by(&his.window));
        counted.push(*pollen);
        pollens.push(Pollen {
            name,
            branches,
            bloom_overlap: overlap,
        });
    }
    if pollens.len() < 2 {
        return Err(Fault::state(
            "two pollens at least must be counted before they can be compared; record counts first",
        ));
    }
    let overlaps: Vec<Option<f64>> = pollens.iter().map(|pollen| pollen.bloom_overlap).collect();
    if !request.weigh_bloom {
        pollens
            .iter_mut()
            .for_each(|pollen| pollen.bloom_overlap = None);
    }
    let criteria = Criteria {
        confidence,
        least_difference: trial.least_difference,
        seed: SEED,
        ..Criteria::default()
    };
    let judgment = pollinizer::judge(&pollens, criteria)
        .map_err(|error| Fault::field("/pollinizer_trial_id", error.to_string()))?;
    let mut told_notes = judgment.notes.clone();
    if !uncounted.is_empty() {
        told_notes.push(format!("not counted yet: {}", uncounted.join(", ")));
    }
    let (verdict, recommended, more_flowers_n, recommendation) =
        recommendation(&judgment.recommendation);
    let mother = find(trial.germplasm_id)
        .and_then(|row| parents::stored_genotype(&row.species, &row.s_alleles));
    Ok(PollinizerResult {
        pollens: judgment
            .pollens
            .iter()
            .enumerate()
            .map(|(index, told)| {
                let father = find(counted[index])
                    .and_then(|row| parents::stored_genotype(&row.species, &row.s_alleles));
                let compatibility = mother.as_ref().zip(father.as_ref()).map_or_else(
                    || "unknown".to_owned(),
                    |(mother, father)| judge_alleles(mother, father).verdict.to_string(),
                );
                PollinizerOutcome {
                    pollen_parent_id: counted[index].to_string(),
                    name: told.name.clone(),
                    fruit_n: told.fruit_n,
                    flowers_n: told.flowers_n,
                    branches_n: u32::try_from(told.branches_n).unwrap_or(u32::MAX),
                    set: told.set,
                    low: told.interval.low,
                    high: told.interval.high,
                    bloom_overlap: overlaps[index],
                    probability_best: told.probability_best,
                    p_against_leader: judgment.p_against_leader[index],
                    compatibility,
                }
            })
            .collect(),
        p_overall: judgment.exact.p,
        unit: match judgment.unit {
            pollinizer::Unit::Flowers => "flowers",
            pollinizer::Unit::Branches => "branches",
        }
        .to_owned(),
        pairs: judgment
            .pairs
            .iter()
            .map(|pair| PollinizerPair {
                first: pollens[pair.first].name.clone(),
                second: pollens[pair.second].name.clone(),
                p: pair.p,
                p_corrected: pair.p_holm,
            })
            .collect(),
        intraclass_correlation: judgment
            .overdispersion
            .as_ref()
            .map(|branches| branches.intraclass_correlation),
        verdict: verdict.to_owned(),
        recommended,
        more_flowers_n,
        recommendation,
        notes: told_notes,
    })
}

fn recommendation(told: &Recommendation) -> (&'static str, Vec<String>, Option<u64>, String) {
    match told {
        Recommendation::Use { pollen } => (
            "use",
            vec![pollen.clone()],
            None,
            format!("use {pollen}: it sets better than every other pollen"),
        ),
        Recommendation::AnyOf { pollens } => (
            "any_of",
            pollens.clone(),
            None,
            format!(
                "any of {} will do: they differ by less than what matters",
                pollens.join(", ")
            ),
        ),
        Recommendation::CannotTellYet {
            leader,
            rivals,
            more_flowers_n,
        } => {
            let mut all = vec![leader.clone()];
            all.extend(rivals.iter().cloned());
            (
                "cannot_tell_yet",
                all,
                Some(*more_flowers_n),
                format!(
                    "cannot tell yet: {leader} is ahead of {}; {more_flowers_n} more flowers on each would tell",
                    rivals.join(", ")
                ),
            )
        }
        Recommendation::NothingSet { set_at_most } => (
            "nothing_set",
            Vec::new(),
            None,
            format!(
                "no pollen set a fruit; a set of at most {:.1} % is still possible",
                set_at_most * 100.0
            ),
        ),
    }
}
