//! Pollinizer trials: several pollens on one variety, and which sets best.

use std::collections::HashMap;

use biometry::fruit_set::pollinizer::{
    Criteria, Judgment, Pollen, Recommendation, judge as judge_set,
};
use contract::common::{BatchReply, RejectedRow};
use contract::crossing::{
    BranchVariation, GetPollinizerTrialRequest, JudgePollinizerTrialRequest,
    ListPollinizerTrialsRequest, OpenPollinizerTrialRequest, PollenPair, PollenSet,
    PollinizerCount, PollinizerResult, PollinizerTrial, PollinizerTrialList,
    RecordPollinizerCountsRequest, SetTest, TriedPollen,
};
use platform::database::Day;
use platform::fault::FieldError;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::{NAME_CHARS, NOTE_CHARS, at_most, not_ahead, seasons as years, stored};
use crate::CrossingApp;
use crate::domain::pollinizers::{
    BranchCount, Isolation, PollinizerCountId, PollinizerTrialId, branches, check, latest,
};
use crate::domain::windows::bloom;
use crate::domain::{MotherId, PlantId, parents};
use crate::store::germplasm::{self as plants, GermplasmRow};
use crate::store::pollinizers::{self as store, CountRow, TrialRow};
use crate::store::{id_text, mothers, seasons};

/// Pollens in one trial at most.
const MOST_POLLENS: usize = 20;

/// Opens a trial.
pub async fn open(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: OpenPollinizerTrialRequest,
) -> Result<PollinizerTrial, Fault> {
    let mut fields = Fields::new();
    let id: PollinizerTrialId = fields.client_id(&request.id);
    let season = years::year(&mut fields, "season", &request.season);
    let plant: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    let mother_id: Option<MotherId> = fields.optional_id("mother_id", &request.mother_id);
    let isolation: Option<Isolation> = fields.word("isolation", &request.isolation);
    fields.require(
        (2..=MOST_POLLENS).contains(&request.pollen_ids.len()),
        "pollen_ids",
        format!(
            "{} pollens are named; name 2 to {MOST_POLLENS}",
            request.pollen_ids.len()
        ),
    );
    let mut pollen_ids: Vec<PlantId> = Vec::new();
    for (place, text) in request.pollen_ids.iter().take(MOST_POLLENS).enumerate() {
        let field = format!("pollen_ids/{place}");
        let Some(id) = fields.id(&field, text) else {
            continue;
        };
        fields.require(!pollen_ids.contains(&id), &field, "is named twice");
        pollen_ids.push(id);
    }
    at_most(&mut fields, "site", &request.site, NAME_CHARS);
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    let ids: Vec<PlantId> = plant.iter().chain(&pollen_ids).copied().collect();
    let rows = plants::find_all(unit.connection(), &ids).await?;
    let row_of = |id: PlantId| rows.iter().find(|row| row.id == id);
    let unknown = |id: PlantId| format!("no plant {id} is known here; register it first");
    if let Some(plant) = plant {
        fields.require(row_of(plant).is_some(), "germplasm_id", unknown(plant));
    }
    for (place, id) in pollen_ids.iter().enumerate() {
        fields.require(
            row_of(*id).is_some(),
            &format!("pollen_ids/{place}"),
            unknown(*id),
        );
    }
    if let (Some(mother_id), Some(variety)) = (mother_id, plant.and_then(row_of)) {
        match mothers::find(unit.connection(), mother_id).await? {
            None => fields.fault("mother_id", format!("no mother {mother_id} is known here")),
            Some(mother) => fields.require(
                super::crosses::same_genotype(&mother, variety),
                "mother_id",
                format!(
                    "mother {} is a tree of {}, not of {}",
                    mother.number, mother.name, variety.name
                ),
            ),
        }
    }
    fields.finish()?;
    let (Some(season), Some(plant), Some(isolation)) = (season, plant, isolation) else {
        return Err(Fault::field("/germplasm_id", "is required"));
    };
    let row = TrialRow {
        id,
        season,
        germplasm_id: plant,
        name: row_of(plant)
            .map(|row| row.name.clone())
            .unwrap_or_default(),
        mother_id,
        isolation: isolation.word().to_owned(),
        site: request.site,
        note: request.note,
        pollen_ids,
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row).await?;
    unit.touch("pollinizer_trial", id);
    told_of(&row, &rows, &[], false)
}

fn told_of(
    row: &TrialRow,
    plants: &[GermplasmRow],
    counts: &[CountRow],
    with_counts: bool,
) -> Result<PollinizerTrial, Fault> {
    let bare: Vec<BranchCount> = counts.iter().map(CountRow::count).collect();
    let now = latest(&bare);
    let mut pollens = Vec::with_capacity(row.pollen_ids.len());
    for id in &row.pollen_ids {
        let mine = || now.iter().filter(|count| count.pollen == *id);
        pollens.push(TriedPollen {
            germplasm_id: id.to_string(),
            name: name_of(plants, *id),
            verdict: verdict(plants, row.germplasm_id, *id)?,
            flowers_n: mine().map(|count| count.flowers_n).sum(),
            fruit_n: mine().filter_map(|count| count.set_n).sum(),
        });
    }
    let mut last: HashMap<(PlantId, &str), &CountRow> = HashMap::new();
    for count in counts {
        last.insert((count.germplasm_id, &count.branch), count);
    }
    let mut last: Vec<&CountRow> = last.into_values().collect();
    last.sort_by(|a, b| (a.germplasm_id, &a.branch).cmp(&(b.germplasm_id, &b.branch)));
    Ok(PollinizerTrial {
        id: row.id.to_string(),
        season: row.season,
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name.clone(),
        mother_id: id_text(row.mother_id),
        isolation: row.isolation.clone(),
        pollens,
        site: row.site.clone(),
        note: row.note.clone(),
        counts: if with_counts {
            last.into_iter().map(count_told).collect()
        } else {
            Vec::new()
        },
    })
}

fn count_told(row: &CountRow) -> PollinizerCount {
    let count = row.count();
    PollinizerCount {
        id: row.id.to_string(),
        germplasm_id: row.germplasm_id.to_string(),
        branch: row.branch.clone(),
        on: row.on_day.0.to_string(),
        flowers_n: count.flowers_n,
        set_n: count.set_n,
        reason: row.reason.clone(),
        by: row.by_name.clone(),
        malformed: String::new(),
    }
}

fn name_of(plants: &[GermplasmRow], id: PlantId) -> String {
    plants
        .iter()
        .find(|row| row.id == id)
        .map(|row| row.name.clone())
        .unwrap_or_default()
}

/// What S alleles say of a pollen on the variety.
fn verdict(plants: &[GermplasmRow], variety: PlantId, pollen: PlantId) -> Result<String, Fault> {
    let genotype = |id: PlantId| {
        plants
            .iter()
            .find(|row| row.id == id)
            .map(|row| {
                parents::stored_genotype(&row.species, &row.s_alleles).map_err(Fault::internal)
            })
            .transpose()
    };
    Ok(match (genotype(variety)?, genotype(pollen)?) {
        (Some(hers), Some(his)) => compatibility::judge(&hers, &his).verdict.to_string(),
        _ => "unknown".to_owned(),
    })
}

/// The trial of an id, which must be there.
async fn trial(unit: &mut Unit, text: &str) -> Result<TrialRow, Fault> {
    let mut fields = Fields::new();
    let id: Option<PollinizerTrialId> = fields.id("trial_id", text);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::field("/trial_id", "is required"));
    };
    store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("pollinizer trial", id))
}

/// The variety and the pollens of some trials.
async fn plants_of(unit: &mut Unit, rows: &[TrialRow]) -> Result<Vec<GermplasmRow>, Fault> {
    let ids: Vec<PlantId> = rows
        .iter()
        .flat_map(|row| row.pollen_ids.iter().copied().chain([row.germplasm_id]))
        .collect();
    Ok(plants::find_all(unit.connection(), &ids).await?)
}

/// One trial.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetPollinizerTrialRequest,
) -> Result<PollinizerTrial, Fault> {
    let row = trial(unit, &request.trial_id).await?;
    let rows = std::slice::from_ref(&row);
    let plants = plants_of(unit, rows).await?;
    let counts = store::counts(unit.connection(), &[row.id]).await?;
    told_of(
        &row,
        &plants,
        counts.get(&row.id).map_or(&[], Vec::as_slice),
        true,
    )
}

/// Trials, the earliest opened first.
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
        years::year(&mut fields, "season", &request.season)
    };
    let plant: Option<PlantId> = fields.optional_id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let rows = store::list(unit.connection(), season, plant, after, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let plants = plants_of(unit, &rows).await?;
    let ids: Vec<PollinizerTrialId> = rows.iter().map(|row| row.id).collect();
    let counts = store::counts(unit.connection(), &ids).await?;
    let items = rows
        .iter()
        .map(|row| {
            told_of(
                row,
                &plants,
                counts.get(&row.id).map_or(&[], Vec::as_slice),
                false,
            )
        })
        .collect::<Result<_, _>>()?;
    Ok(PollinizerTrialList { items, next_cursor })
}

/// Takes counts, in any order, twice or late.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordPollinizerCountsRequest,
) -> Result<BatchReply, Fault> {
    let row = trial(unit, &request.trial_id).await?;
    store::hold(unit.connection(), row.id).await?;
    let today = seasons::latest_day(unit.now());
    let sent: Vec<PollinizerCountId> = request
        .rows
        .iter()
        .filter_map(|count| count.id.parse().ok())
        .collect();
    let mut known: HashMap<PollinizerCountId, CountRow> = store::known(unit.connection(), &sent)
        .await?
        .into_iter()
        .map(|count| (count.id, count))
        .collect();
    let counts = store::counts(unit.connection(), &[row.id]).await?;
    let mut others: Vec<BranchCount> = counts
        .get(&row.id)
        .into_iter()
        .flatten()
        .map(CountRow::count)
        .collect();
    let mut reply = BatchReply::default();
    let mut written = Vec::new();
    let mut rows: Vec<(u64, PollinizerCount)> = (0..).zip(request.rows).collect();
    rows.sort_by(|(_, a), (_, b)| a.on.cmp(&b.on));
    for (index, count) in rows {
        let (id, explained) = (count.id.clone(), !count.reason.trim().is_empty());
        let mut fields = Fields::new();
        let read = read_count(&mut fields, &row, count, today);
        let same = read
            .as_ref()
            .filter(|_| !fields.any())
            .and_then(|read| known.get(&read.id))
            .cloned();
        if let (Some(read), Some(same)) = (&read, same) {
            if *read == same {
                reply.duplicates += 1;
                continue;
            }
            fields.fault(
                "id",
                format!(
                    "{} was recorded before with other content; make a new id",
                    read.id
                ),
            );
        } else if let Some(read) = read {
            check(&mut fields, &read.count(), &others, explained);
            if !fields.any() {
                others.push(read.count());
                known.insert(read.id, read.clone());
                written.push(read);
                continue;
            }
        }
        let errors: Vec<FieldError> = fields.into_errors();
        reply.rejected.push(RejectedRow {
            row: index,
            id,
            errors: errors
                .into_iter()
                .map(|e| {
                    FieldError {
                        row: Some(index),
                        ..e
                    }
                    .into()
                })
                .collect(),
        });
    }
    reply.rejected.sort_by_key(|row| row.row);
    reply.accepted = written.len() as u64;
    let programme = unit.programme()?;
    store::add(unit.connection(), programme, &written).await?;
    if !written.is_empty() {
        unit.touch("pollinizer_trial", row.id);
    }
    Ok(reply)
}

fn read_count(
    fields: &mut Fields,
    trial: &TrialRow,
    count: PollinizerCount,
    today: jiff::civil::Date,
) -> Option<CountRow> {
    if !count.malformed.is_empty() {
        fields.absorb([FieldError::new("", count.malformed)]);
        return None;
    }
    let id: PollinizerCountId = fields.client_id(&count.id);
    let pollen: Option<PlantId> = fields.id("germplasm_id", &count.germplasm_id);
    if let Some(pollen) = pollen {
        fields.require(
            trial.pollen_ids.contains(&pollen),
            "germplasm_id",
            format!("{pollen} is not among the pollens of this trial"),
        );
    }
    let branch = fields.text("branch", &count.branch, 60).to_owned();
    let on = fields.date("on", &count.on);
    not_ahead(fields, "on", on, today);
    if let Some(on) = on {
        fields.require(
            (i32::from(on.year()) - trial.season).abs() <= 1,
            "on",
            format!("{on} is too far from the season of {}", trial.season),
        );
    }
    fields.count("flowers_n", count.flowers_n, 1, 1_000_000);
    at_most(fields, "by", &count.by, NAME_CHARS);
    at_most(fields, "reason", &count.reason, NOTE_CHARS);
    Some(CountRow {
        id,
        trial_id: trial.id,
        germplasm_id: pollen?,
        branch,
        on_day: Day(on?),
        flowers_n: stored(count.flowers_n),
        set_n: count.set_n.map(stored),
        reason: count.reason,
        by_name: count.by,
    })
}

/// Judges a trial.
pub async fn judge(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: JudgePollinizerTrialRequest,
) -> Result<PollinizerResult, Fault> {
    let usual = Criteria::default();
    let criteria = Criteria {
        confidence: request.confidence.unwrap_or(usual.confidence),
        power: request.power.unwrap_or(usual.power),
        least_difference: request.least_difference.unwrap_or(usual.least_difference),
        seed: request.seed.unwrap_or(usual.seed),
    };
    let mut fields = Fields::new();
    for (field, value) in [
        ("confidence", criteria.confidence),
        ("power", criteria.power),
        ("least_difference", criteria.least_difference),
    ] {
        fields.require(
            value > 0.0 && value < 1.0,
            field,
            format!("{value} is not between 0 and 1"),
        );
    }
    fields.finish()?;
    let row = trial(unit, &request.trial_id).await?;
    let plants = plants_of(unit, std::slice::from_ref(&row)).await?;
    let counts = store::counts(unit.connection(), &[row.id]).await?;
    let counts: Vec<BranchCount> = counts
        .get(&row.id)
        .into_iter()
        .flatten()
        .map(CountRow::count)
        .collect();
    let ids: Vec<PlantId> = row
        .pollen_ids
        .iter()
        .copied()
        .chain([row.germplasm_id])
        .collect();
    let notes = seasons::bloom_notes(unit.connection(), &ids).await?;
    let year = i16::try_from(row.season).unwrap_or_default();
    let window = |id: PlantId| notes.get(&id).and_then(|notes| bloom(notes, year));
    let hers = window(row.germplasm_id);
    let mut left_out = Vec::new();
    let mut pollens: Vec<Pollen> = Vec::new();
    for id in &row.pollen_ids {
        let branches = branches(&counts, *id);
        if branches.is_empty() {
            left_out.push(format!(
                "no fruit was counted for the pollen of {} yet",
                name_of(&plants, *id)
            ));
            continue;
        }
        let overlap = hers
            .as_ref()
            .zip(window(*id))
            .filter(|_| !request.ignore_bloom)
            .map(|(hers, his)| hers.window.share_covered_by(&his.window));
        pollens.push(Pollen {
            name: id.to_string(),
            branches,
            bloom_overlap: overlap,
        });
    }
    if pollens.len() < 2 {
        return Err(Fault::state(format!(
            "fruit is counted for {} of {} pollens; count at least two to compare them",
            pollens.len(),
            row.pollen_ids.len()
        )));
    }
    // Exact probabilities may take a while, so they leave the threads that serve others alone.
    let (pollens, judgment) = tokio::task::spawn_blocking(move || {
        let judgment = judge_set(&pollens, criteria);
        (pollens, judgment)
    })
    .await
    .map_err(Fault::internal)?;
    let judgment = judgment.map_err(|error| Fault::state(error.to_string()))?;
    let mut told = told_result(&row, &plants, &pollens, &judgment)?;
    told.notes.extend(left_out);
    Ok(told)
}

fn told_result(
    row: &TrialRow,
    plants: &[GermplasmRow],
    pollens: &[Pollen],
    judgment: &Judgment,
) -> Result<PollinizerResult, Fault> {
    let name = |id: &str| id.parse().map(|id| name_of(plants, id)).unwrap_or_default();
    let number = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
    let mut sets = Vec::with_capacity(pollens.len());
    for ((pollen, found), p) in pollens
        .iter()
        .zip(&judgment.pollens)
        .zip(&judgment.p_against_leader)
    {
        let id: PlantId = pollen.name.parse().map_err(Fault::internal)?;
        sets.push(PollenSet {
            germplasm_id: pollen.name.clone(),
            name: name(&pollen.name),
            flowers_n: number(found.flowers_n),
            fruit_n: number(found.fruit_n),
            branches_n: u32::try_from(found.branches_n).unwrap_or(u32::MAX),
            set: found.set,
            low: found.interval.low,
            high: found.interval.high,
            low_over_branches: found.interval_over_branches.map(|interval| interval.low),
            high_over_branches: found.interval_over_branches.map(|interval| interval.high),
            bloom_overlap: pollen.bloom_overlap,
            score: found.score,
            probability_best: found.probability_best,
            p_against_leader: *p,
            verdict: verdict(plants, row.germplasm_id, id)?,
        });
    }
    let mut overall = vec![SetTest {
        test: "exact".into(),
        p: judgment.exact.p,
        ..SetTest::default()
    }];
    for (test, found) in [
        ("pearson", judgment.homogeneity.pearson),
        ("likelihood_ratio", judgment.homogeneity.g),
    ] {
        overall.extend(found.map(|found| SetTest {
            test: test.to_owned(),
            statistic: Some(found.statistic),
            df: Some(found.df as f64),
            p: found.p,
        }));
    }
    let pairs = judgment
        .pairs
        .iter()
        .map(|pair| PollenPair {
            first_id: pollens[pair.first].name.clone(),
            second_id: pollens[pair.second].name.clone(),
            difference: pair.difference,
            odds_ratio: pair.odds_ratio.filter(|ratio| ratio.is_finite()),
            p: pair.fisher_p,
            p_holm: pair.fisher_p_holm,
            p_bonferroni: pair.fisher_p_bonferroni,
            p_benjamini_hochberg: pair.fisher_p_benjamini_hochberg,
        })
        .collect();
    let branches = judgment
        .overdispersion
        .as_ref()
        .map(|found| BranchVariation {
            intraclass_correlation: found.intraclass_correlation,
            lr_statistic: found.lr_statistic,
            p: found.p,
        });
    let mut told = PollinizerResult {
        trial_id: row.id.to_string(),
        season: row.season,
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name.clone(),
        pollens: sets,
        overall,
        pairs,
        branches,
        notes: judgment.notes.clone(),
        ..PollinizerResult::default()
    };
    let names = |ids: &[String]| ids.iter().map(|id| name(id)).collect::<Vec<_>>().join(", ");
    let (verdict, sentence) = match &judgment.recommendation {
        Recommendation::Use { pollen } => {
            told.recommended_ids = vec![pollen.clone()];
            (
                "use",
                format!(
                    "use the pollen of {}: it sets better than every other",
                    name(pollen)
                ),
            )
        }
        Recommendation::AnyOf { pollens } => {
            told.recommended_ids.clone_from(pollens);
            (
                "any_of",
                format!(
                    "use any of {}: they differ by less than what matters",
                    names(pollens)
                ),
            )
        }
        Recommendation::CannotTellYet {
            leader,
            rivals,
            more_flowers_n,
        } => {
            told.more_flowers_n = Some(*more_flowers_n);
            let sentence = format!(
                "cannot tell yet: {} is ahead of {}; {more_flowers_n} more flowers for each of them would tell",
                name(leader),
                names(rivals)
            );
            ("cannot_tell_yet", sentence)
        }
        Recommendation::NothingSet { set_at_most } => (
            "nothing_set",
            format!(
                "no pollen set a fruit; set is at most {:.1} %",
                100.0 * set_at_most
            ),
        ),
    };
    told.verdict = verdict.to_owned();
    told.recommendation = sentence;
    Ok(told)
}
