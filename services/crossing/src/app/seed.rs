//! Steps of seed, the balance of what is left, and curves of germination.

use std::collections::BTreeMap;

use biometry::germination::{Estimate, Looks};
use compatibility::Taxon;
use contract::crossing::{
    GerminationCurve, GerminationPoint, GetSeedLedgerRequest, ListSeedDueRequest,
    RecordSeedRequest, SeedBatch, SeedCount, SeedDueList, SeedLedger, SeedLoss, SeedStage,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::database::Day;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};

use super::fruit::SoFar;
use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, advice, at_most, corrections, crosses, not_ahead, stored};
use crate::CrossingApp;
use crate::domain::ledger::days_between;
use crate::domain::seed::{
    Balance, LossCause, RESCUE_CAUTION, SeedStep, Taken, stratification_days,
};
use crate::domain::{CrossId, SeedEntryId, numbers};
use crate::store::corrections::Entries;
use crate::store::crosses::{self as cross_store, CrossRow};
use crate::store::seed::{self as store, SeedRow};
use crate::store::{id_text, raising};

/// Seeds in one entry at most.
const MOST_SEEDS: u32 = 1_000_000;

/// Records a step of seed.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordSeedRequest,
) -> Result<SeedCount, Fault> {
    let mut fields = Fields::new();
    let id: SeedEntryId = fields.client_id(&request.id);
    let cross = crosses::held(&mut fields, unit, &request.cross_id).await?;
    let on = fields.date("on", &request.on);
    let step: Option<SeedStep> = fields.word("step", &request.step);
    let withdraw = request.withdraw;
    let (least, most) = if withdraw { (0, 0) } else { (1, MOST_SEEDS) };
    let seed_n = fields.count("seed_n", request.seed_n, least, most);
    let cause: Option<LossCause> = fields.optional_word("cause", &request.cause);
    let source: Option<SeedEntryId> = fields.optional_id("source_id", &request.source_id);
    let correction = corrections::read(
        &mut fields,
        &request.supersedes,
        &request.correction,
        withdraw,
    );
    check_words(&mut fields, &request, step, cause);
    let (Some(cross), Some(on)) = (cross, on) else {
        fields.finish()?;
        return Err(Fault::field("/cross_id", "is required"));
    };
    not_ahead(&mut fields, "on", Some(on), cross.today(unit.now()));
    let entries = store::ever(unit.connection(), cross.id).await?;
    let superseded = correction
        .as_ref()
        .and_then(|correction| entries.iter().find(|row| row.id == correction.supersedes));
    check_corrected(&mut fields, superseded, step, withdraw, &entries);
    let corrected =
        corrections::stand_back(&mut fields, unit, Entries::Seed, correction.as_ref(), id).await?;
    fields.require(
        corrected.is_none_or(|of| of == cross.id),
        "supersedes",
        "is of another cross; withdraw it there, and record it here",
    );
    let Some(step) = step else {
        fields.finish()?;
        return Err(Fault::field("/step", "is required"));
    };
    let before = SoFar::read(unit, cross.id).await?;
    let way = before.way(cross.open_pollinated(), &request.reason);
    way.check_seed_day(&mut fields, on);
    let balance = store::balance(unit.connection(), cross.id).await?;
    let standing: Vec<&SeedRow> = entries
        .iter()
        .filter(|row| row.stands() && Some(row.id) != superseded.map(|old| old.id))
        .collect();
    let (from, found_n) = if withdraw {
        (None, 0)
    } else if step == SeedStep::Extracted {
        way.check_extracted(&mut fields, request.seed_n, request.stones_n);
        (None, 0)
    } else {
        let taken = taken(
            &mut fields,
            &request,
            step,
            cause,
            source,
            &balance,
            &standing,
        );
        if let Some(taken) = taken {
            way.check_taken(
                &mut fields,
                request.seed_n,
                taken.left_n,
                step.word(),
                taken.from.word(),
            );
        }
        (
            taken.map(|taken| taken.from),
            taken.map_or(0, |taken| taken.short_n),
        )
    };
    fields.finish()?;
    let batch_n = step.keeps_together().then(|| {
        let last = entries.iter().filter_map(|row| row.batch_n).max();
        superseded
            .and_then(|old| old.batch_n)
            .unwrap_or_else(|| last.unwrap_or(0) + 1)
    });
    let row = SeedRow {
        id,
        cross_id: cross.id,
        on_day: Day(on),
        step: step.word().to_owned(),
        from_step: from.map(SeedStep::word).unwrap_or_default().to_owned(),
        source_id: source,
        batch_n,
        seed_n,
        found_n: stored(found_n),
        stones_n: request.stones_n.map(stored),
        cause: request.cause,
        medium: request.medium.trim().to_owned(),
        temperature_c: request.temperature_c,
        note: request.note,
        reason: request.reason.trim().to_owned(),
        by_name: request.by,
        supersedes: correction.as_ref().map(|correction| correction.supersedes),
        superseded_by: None,
        correction: correction
            .as_ref()
            .map(|correction| correction.why.clone())
            .unwrap_or_default(),
        withdrawn: withdraw,
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row).await?;
    if let Some(correction) = &correction {
        store::hand_on(unit.connection(), correction.supersedes, id).await?;
        check_rest_reconciles(unit, cross.id).await?;
    }
    unit.touch("seed_entry", id);
    unit.touch("cross", cross.id);
    let mut told = told_of(&row, &cross);
    told.counts = Some(SoFar::read(unit, cross.id).await?.counts);
    if step == SeedStep::Rescued && !withdraw {
        told.notes.push(RESCUE_CAUTION.to_owned());
    }
    Ok(told)
}

/// Checks what is said in words, and what goes with which step.
fn check_words(
    fields: &mut Fields,
    request: &RecordSeedRequest,
    step: Option<SeedStep>,
    cause: Option<LossCause>,
) {
    at_most(fields, "note", &request.note, NOTE_CHARS);
    at_most(fields, "reason", &request.reason, NOTE_CHARS);
    at_most(fields, "by", &request.by, NAME_CHARS);
    at_most(fields, "medium", &request.medium, NAME_CHARS);
    let Some(step) = step else { return };
    if step == SeedStep::Lost {
        fields.require(
            cause.is_some() || !request.cause.is_empty(),
            "cause",
            format!("is required for lost seed; one of {}", LossCause::listed()),
        );
    } else {
        fields.require(
            request.cause.is_empty(),
            "cause",
            "tells why seed was lost; leave it empty at other steps",
        );
    }
    fields.require(
        request.stones_n.is_none() || step == SeedStep::Extracted,
        "stones_n",
        "stones are cracked when seed is extracted",
    );
    fields.require(
        request.medium.is_empty() || step == SeedStep::Rescued,
        "medium",
        "is that of embryo rescue; leave it empty at other steps",
    );
    if let Some(temperature_c) = request.temperature_c {
        fields.require(
            matches!(step, SeedStep::Stratified | SeedStep::Rescued),
            "temperature_c",
            "is that of the cold or of the culture room; leave it empty at other steps",
        );
        fields.number("temperature_c", temperature_c, -5.0, 45.0);
    }
    fields.require(
        step != SeedStep::Extracted || request.from_step.is_empty(),
        "from_step",
        "leave it empty: seed is extracted from stones",
    );
    fields.require(
        step != SeedStep::Extracted || request.source_id.is_empty(),
        "source_id",
        "leave it empty: seed is extracted from stones",
    );
}

/// A lot or batch from which seed was taken cannot be withdrawn or become another step.
fn check_corrected(
    fields: &mut Fields,
    superseded: Option<&SeedRow>,
    step: Option<SeedStep>,
    withdraw: bool,
    entries: &[SeedRow],
) {
    let Some(old) = superseded else { return };
    let came_of_it = entries
        .iter()
        .filter(|row| row.stands() && row.source_id == Some(old.id))
        .count();
    let other_step = step.is_some_and(|step| step.word() != old.step);
    fields.require(
        came_of_it == 0 || !(withdraw || other_step),
        "supersedes",
        format!(
            "{came_of_it} entries name this {} seed as their source; correct them first",
            old.step
        ),
    );
}

/// The stage that the step takes its seed from, and how much is left there and in the lot or batch
/// that it names.
fn taken(
    fields: &mut Fields,
    request: &RecordSeedRequest,
    step: SeedStep,
    cause: Option<LossCause>,
    source: Option<SeedEntryId>,
    balance: &Balance,
    standing: &[&SeedRow],
) -> Option<Taken> {
    let sources = step.sources(cause);
    let named: Option<SeedStep> = fields.optional_word("from_step", &request.from_step);
    if let Some(named) = named.filter(|named| !sources.contains(named)) {
        fields.fault(
            "from_step",
            format!("seed is not {step} from what was {named}"),
        );
        return None;
    }
    let Some(source) = source else {
        return match named {
            Some(named) => balance.take(&[named], request.seed_n),
            None => balance.take(sources, request.seed_n),
        };
    };
    let Some(batch) = standing.iter().find(|row| row.id == source) else {
        fields.fault(
            "source_id",
            format!("{source} is no lot or batch of this cross"),
        );
        return None;
    };
    let Some(stage) = SeedStep::from_word(&batch.step)
        .filter(|stage| sources.contains(stage) && named.is_none_or(|named| named == *stage))
    else {
        fields.fault(
            "source_id",
            format!("its seed was {}; seed is not {step} from that", batch.step),
        );
        return None;
    };
    let gone: i32 = of_source(standing, source)
        .map(|row| row.seed_n - row.found_n)
        .sum();
    let in_batch = u32::try_from(batch.seed_n - gone).unwrap_or(0);
    let left_n = balance.left_n(stage).min(in_batch);
    Some(Taken {
        from: stage,
        left_n,
        short_n: request.seed_n.saturating_sub(left_n),
    })
}

fn of_source<'a>(
    standing: &'a [&SeedRow],
    source: SeedEntryId,
) -> impl Iterator<Item = &'a SeedRow> {
    standing
        .iter()
        .copied()
        .filter(move |row| row.source_id == Some(source))
}

/// A correction may take away what later entries rest on; then they are to be corrected first.
async fn check_rest_reconciles(unit: &mut Unit, cross: CrossId) -> Result<(), Fault> {
    let balance = store::balance(unit.connection(), cross).await?;
    let mut fields = Fields::new();
    for (stage, short_n) in balance.overdrawn() {
        fields.fault(
            "seed_n",
            format!("with this, {short_n} more seeds were taken on, planted or lost than were {stage}; correct those entries first"),
        );
    }
    let rows = store::ever(unit.connection(), cross).await?;
    let standing: Vec<&SeedRow> = rows.iter().filter(|row| row.stands()).collect();
    for batch in &standing {
        let gone: i32 = of_source(&standing, batch.id)
            .map(|row| row.seed_n - row.found_n)
            .sum();
        fields.require(
            gone <= batch.seed_n,
            "seed_n",
            format!("{gone} seeds were taken from it already; correct those entries first"),
        );
    }
    fields.finish()
}

fn batch_number(cross: &CrossRow, batch_n: Option<i32>) -> String {
    batch_n.map_or_else(String::new, |n| {
        numbers::seed_lot(cross.season, cross.number, n)
    })
}

/// When stratified seed is due to be sown.
fn due_on(row: &SeedRow, cross: &CrossRow) -> Option<Date> {
    if row.step != SeedStep::Stratified.word() || !row.stands() {
        return None;
    }
    let taxon: Taxon = cross.species.parse().ok()?;
    row.on_day
        .0
        .checked_add(stratification_days(&taxon).days())
        .ok()
}

fn day_text(day: Option<Date>) -> String {
    day.map(|day| day.to_string()).unwrap_or_default()
}

fn told_of(row: &SeedRow, cross: &CrossRow) -> SeedCount {
    let count = |n: i32| u32::try_from(n).unwrap_or(0);
    SeedCount {
        id: row.id.to_string(),
        cross_id: row.cross_id.to_string(),
        on: row.on_day.0.to_string(),
        step: row.step.clone(),
        seed_n: count(row.seed_n),
        stones_n: row.stones_n.map(count),
        cause: row.cause.clone(),
        note: row.note.clone(),
        reason: row.reason.clone(),
        by: row.by_name.clone(),
        counts: None,
        due_on: day_text(due_on(row, cross)),
        supersedes: id_text(row.supersedes),
        correction: row.correction.clone(),
        superseded_by: id_text(row.superseded_by),
        withdrawn: row.withdrawn,
        from_step: row.from_step.clone(),
        source_id: id_text(row.source_id),
        batch_number: batch_number(cross, row.batch_n),
        found_n: count(row.found_n),
        medium: row.medium.clone(),
        temperature_c: row.temperature_c,
        notes: Vec::new(),
    }
}

/// A cross's seed from stone to seedling.
pub async fn ledger(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetSeedLedgerRequest,
) -> Result<SeedLedger, Fault> {
    let mut fields = Fields::new();
    let id: Option<CrossId> = fields.id("cross_id", &request.cross_id);
    fields.finish()?;
    let id = id.unwrap_or_default_id();
    let cross = cross_store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("cross", id))?;
    let rows = store::ever(unit.connection(), id).await?;
    let balance = store::balance(unit.connection(), id).await?;
    let (planted, living) = store::seedlings(unit.connection(), id).await?;
    let count = |n: i64| u32::try_from(n).unwrap_or(0);
    let batches = batches(&rows, &cross);
    let mut losses: BTreeMap<(&str, &str), i64> = BTreeMap::new();
    for row in rows
        .iter()
        .filter(|row| row.stands() && row.step == SeedStep::Lost.word())
    {
        *losses
            .entry((row.from_step.as_str(), row.cause.as_str()))
            .or_default() += i64::from(row.seed_n);
    }
    let deaths = raising::deaths(unit.connection(), id).await?;
    let mut notes = Vec::new();
    if batches
        .iter()
        .any(|batch| batch.step == SeedStep::Rescued.word())
    {
        notes.push(RESCUE_CAUTION.to_owned());
    }
    let found: i64 = balance.0.values().map(|stage| stage.found_n).sum();
    if found > 0 {
        notes.push(format!(
            "{found} seeds or seedlings more than were counted before stand as found, with their reasons"
        ));
    }
    Ok(SeedLedger {
        cross_id: id.to_string(),
        cross_number: advice::cross_numbers(cross.season, cross.number).0,
        stages: balance
            .0
            .iter()
            .map(|(step, stage)| SeedStage {
                step: step.to_string(),
                into_n: count(stage.into_n),
                found_n: count(stage.found_n),
                on_n: count(stage.out_n - stage.lost_n),
                lost_n: count(stage.lost_n),
                left_n: count(stage.left_n()),
            })
            .collect(),
        losses: losses
            .into_iter()
            .map(|((from_step, cause), seed_n)| SeedLoss {
                from_step: from_step.to_owned(),
                cause: cause.to_owned(),
                seed_n: count(seed_n),
            })
            .chain(deaths.into_iter().map(|(cause, seed_n)| SeedLoss {
                from_step: "planted".to_owned(),
                cause,
                seed_n: count(seed_n),
            }))
            .collect(),
        batches,
        entries: rows.iter().map(|row| told_of(row, &cross)).collect(),
        seedlings_planted_n: count(planted),
        seedlings_living_n: count(living),
        notes,
    })
}

/// The lots and batches of a cross.
fn batches(rows: &[SeedRow], cross: &CrossRow) -> Vec<SeedBatch> {
    let standing: Vec<&SeedRow> = rows.iter().filter(|row| row.stands()).collect();
    let together = || standing.iter().filter(|row| row.batch_n.is_some());
    together()
        .map(|batch| {
            // Where a stage holds one batch alone, what names none is of it.
            let alone = together().filter(|row| row.step == batch.step).count() == 1;
            let of_it: Vec<&SeedRow> = standing
                .iter()
                .copied()
                .filter(|row| {
                    row.source_id == Some(batch.id)
                        || (alone && row.source_id.is_none() && row.from_step == batch.step)
                })
                .collect();
            let sum = |lost: bool| -> i32 {
                of_it
                    .iter()
                    .filter(|row| (row.step == SeedStep::Lost.word()) == lost)
                    .map(|row| row.seed_n)
                    .sum()
            };
            let found: i32 = of_it.iter().map(|row| row.found_n).sum();
            let count = |n: i32| u32::try_from(n).unwrap_or(0);
            let left_n = count(batch.seed_n + found - sum(true) - sum(false));
            SeedBatch {
                id: batch.id.to_string(),
                number: batch_number(cross, batch.batch_n),
                cross_id: cross.id.to_string(),
                cross_number: advice::cross_numbers(cross.season, cross.number).0,
                species: cross.species.clone(),
                step: batch.step.clone(),
                on: batch.on_day.0.to_string(),
                seed_n: count(batch.seed_n),
                stones_n: batch.stones_n.map(count),
                on_n: count(sum(false)),
                lost_n: count(sum(true)),
                left_n,
                source_id: id_text(batch.source_id),
                due_on: day_text(due_on(batch, cross).filter(|_| left_n > 0)),
                medium: batch.medium.clone(),
                temperature_c: batch.temperature_c,
                germination: curve(batch, &of_it),
            }
        })
        .collect()
}

/// The curve of a batch's germination, where its counts are enough for one.
fn curve(batch: &SeedRow, of_it: &[&SeedRow]) -> Option<GerminationCurve> {
    if batch.step == SeedStep::Extracted.word() {
        return None;
    }
    let mut by_day: BTreeMap<Date, u32> = BTreeMap::new();
    for row in of_it
        .iter()
        .filter(|row| row.step == SeedStep::Germinated.word())
    {
        *by_day.entry(row.on_day.0).or_default() += u32::try_from(row.seed_n).unwrap_or(0);
    }
    // What was given up as not germinating was looked at on that day too.
    for row in of_it
        .iter()
        .filter(|row| row.cause == LossCause::NotGerminated.word())
    {
        by_day.entry(row.on_day.0).or_default();
    }
    let mut up_n = 0;
    let looks: Vec<(Date, f64, u32)> = by_day
        .into_iter()
        .map(|(on, n)| {
            up_n += n;
            (on, days_between(batch.on_day.0, on) as f64, up_n)
        })
        .collect();
    let seeds_n = u32::try_from(batch.seed_n).ok()?.max(up_n);
    let fitted = Looks {
        seeds_n,
        by_day: looks.iter().map(|(_, day, n)| (*day, *n)).collect(),
    }
    .fit()
    .ok()?;
    let Estimate { value, low, high } = fitted.final_share;
    Some(GerminationCurve {
        seeds_n,
        germinated_n: up_n,
        final_share: value,
        final_low: low,
        final_high: high,
        days_to_half: fitted.days_to_half.value,
        days_to_half_low: fitted.days_to_half.low,
        days_to_half_high: fitted.days_to_half.high,
        shape: fitted.shape,
        points: looks
            .into_iter()
            .map(|(on, day, germinated_n)| GerminationPoint {
                on: on.to_string(),
                day: day as u32,
                germinated_n,
                fitted_n: f64::from(seeds_n) * fitted.share_by(day),
            })
            .collect(),
    })
}

/// Stratified seed that is due to be sown.
pub async fn due(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListSeedDueRequest,
) -> Result<SeedDueList, Fault> {
    let mut fields = Fields::new();
    let until = fields.optional_date("until", &request.until);
    fields.finish()?;
    let until = until.map(|day| day.to_string());
    let ids = store::crosses_in_the_cold(unit.connection(), request.season).await?;
    let mut items = Vec::new();
    for id in ids {
        let Some(cross) = cross_store::find(unit.connection(), id).await? else {
            continue;
        };
        let rows = store::ever(unit.connection(), id).await?;
        items.extend(batches(&rows, &cross).into_iter().filter(|batch| {
            !batch.due_on.is_empty() && until.as_ref().is_none_or(|until| batch.due_on <= *until)
        }));
    }
    items.sort_by(|a, b| (&a.due_on, &a.number).cmp(&(&b.due_on, &b.number)));
    Ok(SeedDueList { items })
}
