//! Counts of fruit.

use biometry::fruit_set::Count;
use biometry::fruit_set::proportion::{self, Method};
use contract::crossing::{
    CrossCounts, FruitCount, FruitCountList, ListFruitCountsRequest, RecordFruitRequest,
};
use jiff::civil::Date;
use platform::database::Day;
use platform::{Fault, Fields, Unit};

use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, corrections, crosses, not_ahead, stored};
use crate::CrossingApp;
use crate::domain::counts::Way;
use crate::domain::{CrossId, FruitCountId, MotherId};
use crate::store::corrections::Entries;
use crate::store::id_text;
use crate::store::raising::{self as store, FruitRow};
use crate::store::{crosses as cross_store, mothers};

/// What a cross has come to so far, with its first days.
pub(crate) struct SoFar {
    pub counts: CrossCounts,
    pub first_pollination_on: Option<Date>,
    pub first_harvest_on: Option<Date>,
}

impl SoFar {
    /// Reads it.
    pub(crate) async fn read(unit: &mut Unit, cross: CrossId) -> Result<Self, Fault> {
        let counts = cross_store::counts(unit.connection(), &[cross]).await?;
        let (first_pollination, first_harvest) =
            cross_store::first_days(unit.connection(), cross).await?;
        Ok(Self {
            counts: counts.into_values().next().unwrap_or_default(),
            first_pollination_on: first_pollination.map(|day| day.0),
            first_harvest_on: first_harvest.map(|day| day.0),
        })
    }

    /// The way that the next counts are judged by.
    pub(crate) fn way<'a>(&'a self, open_pollinated: bool, reason: &'a str) -> Way<'a> {
        Way {
            counts: &self.counts,
            open_pollinated,
            first_pollination_on: self.first_pollination_on,
            first_harvest_on: self.first_harvest_on,
            reason,
        }
    }
}

/// Records a count of fruit.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordFruitRequest,
) -> Result<FruitCount, Fault> {
    let mut fields = Fields::new();
    let id: FruitCountId = fields.client_id(&request.id);
    let cross = crosses::held(&mut fields, unit, &request.cross_id).await?;
    let on = fields.date("on", &request.on);
    let mother: Option<MotherId> = fields.optional_id("mother_id", &request.mother_id);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    let correction = corrections::read(
        &mut fields,
        &request.supersedes,
        &request.correction,
        request.withdraw,
    );
    let (Some(cross), Some(on)) = (cross, on) else {
        fields.finish()?;
        return Err(Fault::field("/cross_id", "is required"));
    };
    not_ahead(&mut fields, "on", Some(on), cross.today(unit.now()));
    if let Some(mother) = mother {
        fields.require(
            mothers::find(unit.connection(), mother).await?.is_some(),
            "mother_id",
            format!("no mother {mother} is known here"),
        );
    }
    let corrected =
        corrections::stand_back(&mut fields, unit, Entries::Fruit, correction.as_ref(), id).await?;
    fields.require(
        corrected.is_none_or(|of| of == cross.id),
        "supersedes",
        "is of another cross; withdraw it there, and record it here",
    );
    if request.withdraw {
        fields.require(
            [request.set_n, request.harvested_n, request.stones_n]
                .iter()
                .all(|n| n.unwrap_or(0) == 0),
            "withdraw",
            "takes nothing in place of the superseded count; leave the counts at 0",
        );
    } else {
        let before = SoFar::read(unit, cross.id).await?;
        before
            .way(cross.open_pollinated(), &request.reason)
            .check_fruit(
                &mut fields,
                on,
                request.set_n,
                request.harvested_n,
                request.stones_n,
            );
    }
    fields.finish()?;
    let row = FruitRow {
        id,
        cross_id: cross.id,
        on_day: Day(on),
        mother_id: mother,
        set_n: request.set_n.map(stored),
        harvested_n: request.harvested_n.map(stored),
        stones_n: request.stones_n.map(stored),
        reason: request.reason.trim().to_owned(),
        by_name: request.by,
        note: request.note,
        supersedes: correction.as_ref().map(|correction| correction.supersedes),
        superseded_by: None,
        correction: correction
            .as_ref()
            .map(|correction| correction.why.clone())
            .unwrap_or_default(),
        withdrawn: request.withdraw,
    };
    let programme = unit.programme()?;
    store::insert_fruit(unit.connection(), programme, &row).await?;
    if correction.is_some() {
        let mut fields = Fields::new();
        SoFar::read(unit, cross.id)
            .await?
            .way(cross.open_pollinated(), &request.reason)
            .check_whole(&mut fields);
        fields.finish()?;
    }
    unit.touch("fruit_count", id);
    unit.touch("cross", cross.id);
    let counts = SoFar::read(unit, cross.id).await?.counts;
    let fruit = counts
        .fruit_set_n
        .unwrap_or(0)
        .max(counts.fruit_harvested_n);
    let interval = Count::new(fruit.into(), counts.flowers_pollinated_n.into())
        .ok()
        .and_then(|count| {
            let interval = proportion::interval(count, Method::ClopperPearson, 0.95).ok()?;
            Some((count.proportion(), interval))
        });
    Ok(FruitCount {
        counts: Some(counts),
        fruit_set: interval.map(|(share, _)| share),
        fruit_set_low: interval.map(|(_, interval)| interval.low),
        fruit_set_high: interval.map(|(_, interval)| interval.high),
        ..told_of(&row)
    })
}

fn told_of(row: &FruitRow) -> FruitCount {
    let count = |n: i32| u32::try_from(n).unwrap_or(0);
    FruitCount {
        id: row.id.to_string(),
        cross_id: row.cross_id.to_string(),
        on: row.on_day.0.to_string(),
        set_n: row.set_n.map(count),
        harvested_n: row.harvested_n.map(count),
        stones_n: row.stones_n.map(count),
        reason: row.reason.clone(),
        by: row.by_name.clone(),
        note: row.note.clone(),
        supersedes: id_text(row.supersedes),
        correction: row.correction.clone(),
        superseded_by: id_text(row.superseded_by),
        withdrawn: row.withdrawn,
        ..FruitCount::default()
    }
}

/// The counts of fruit of a cross by day.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListFruitCountsRequest,
) -> Result<FruitCountList, Fault> {
    let mut fields = Fields::new();
    let id: Option<CrossId> = fields.id("cross_id", &request.cross_id);
    fields.finish()?;
    let id = id.unwrap_or_default_id();
    if cross_store::find(unit.connection(), id).await?.is_none() {
        return Err(Fault::not_found("cross", id));
    }
    let rows = store::fruit_ever(unit.connection(), id).await?;
    Ok(FruitCountList {
        items: rows
            .iter()
            .filter(|row| {
                request.with_superseded || (row.superseded_by.is_none() && !row.withdrawn)
            })
            .map(told_of)
            .collect(),
    })
}
