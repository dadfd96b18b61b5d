//! Passes, and the out-cross doubt that follows from them.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use contract::common::BatchReply;
use contract::crossing::{
    ListPassesRequest, Pass, PassList, RecordPassRequest, RecordPassesRequest,
};
use platform::batch::Report;
use platform::database::Day;
use platform::fault::OnConstraint as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use sqlx::types::Json;

use super::entries::{self, Entries};
use super::fruit::SoFar;
use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, corrections, crosses, not_ahead, results, stored};
use crate::CrossingApp;
use crate::domain::doubt::{self, MotherWork, Worked};
use crate::domain::ledger::days_between;
use crate::domain::parents::self_compatibility_of;
use crate::domain::passes::{Counted, Facts, MotherOnDay};
use crate::domain::{CrossId, CrossStanding, MotherId, PassId, PollenEventId, PollenLotId};
use crate::store::corrections::Entries as Corrected;
use crate::store::crosses::{self as store, CrossRow, PassRow};
use crate::store::germplasm as plants;
use crate::store::pollen::{EventRow, KeptLot};
use crate::store::{id_text, mothers, pollen};

/// Records a pass.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordPassRequest,
) -> Result<Pass, Fault> {
    let mut fields = Fields::new();
    let id: PassId = fields.client_id(&request.id);
    entries::hold(unit, &request).await?;
    let cross = crosses::held(&mut fields, unit, &request.cross_id).await?;
    let on = fields.date("on", &request.on);
    let lot_id: Option<PollenLotId> = fields.optional_id("pollen_lot_id", &request.pollen_lot_id);
    let mother_id: Option<MotherId> = fields.optional_id("mother_id", &request.mother_id);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
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
    fields.require(
        cross.standing != CrossStanding::Cancelled.to_string(),
        "cross_id",
        "this cross was cancelled; take it up again before it is worked",
    );
    let counted = Counted {
        on,
        emasculated_n: request.flowers_emasculated_n,
        pollinated_n: request.flowers_pollinated_n,
        unfit_n: request.unfit_n.unwrap_or(0),
        stray_n: request.stray_open_flowers_n,
        stray_stripped_n: request.stray_stripped_n.unwrap_or(0),
        days_since_opening: request.days_since_opening,
        pollen_mg: request.pollen_mg,
        reason: request.reason.trim().to_owned(),
    };
    let withdraw = request.withdraw;
    fields.require(
        !withdraw
            || [
                counted.emasculated_n,
                counted.pollinated_n,
                counted.unfit_n,
                counted.stray_n,
            ] == [0; 4],
        "withdraw",
        "takes nothing in place of the superseded pass; leave the counts at 0",
    );
    let corrected = corrections::stand_back(
        &mut fields,
        unit,
        Corrected::Passes,
        correction.as_ref(),
        id,
    )
    .await?;
    if let Some(correction) = &correction {
        pollen::supersede_use(unit.connection(), correction.supersedes, id).await?;
    }
    let kept = lot_of(&mut fields, unit, lot_id, &cross).await?;
    let mother = mother_of(&mut fields, unit, mother_id, &cross, &counted).await?;
    let (until, in_all) = store::tallies(unit.connection(), cross.id, Day(on)).await?;
    let (_, first_harvest_on) = store::first_days(unit.connection(), cross.id).await?;
    let lot = kept.as_ref().map(KeptLot::lot);
    let facts = Facts {
        open_pollinated: cross.open_pollinated(),
        self_compatible: self_compatibility_of(&cross.self_compatible),
        accepted_pollen: cross.accepted_pollen,
        season: (cross.opens_on.0, cross.closes_on.0),
        first_harvest_on: first_harvest_on.map(|day| day.0),
        until,
        in_all,
        lot: lot.as_ref(),
        mother: mother.as_ref(),
        covered: request.covered,
    };
    facts.check(&mut fields, &counted);
    for changed in corrected.into_iter().chain([cross.id]) {
        let more_n = if changed == cross.id {
            counted.pollinated_n
        } else {
            0
        };
        check_fruit_follows(&mut fields, unit, changed, more_n).await?;
    }
    fields.finish()?;

    let pollen_state = lot.as_ref().map(|lot| lot.on(on));
    let warnings = facts.warnings(&counted, pollen_state.as_ref());
    let row = PassRow {
        id,
        cross_id: cross.id,
        on_day: Day(on),
        pollen_lot_id: lot_id,
        mother_id,
        emasculated_n: stored(counted.emasculated_n),
        pollinated_n: stored(counted.pollinated_n),
        unfit_n: stored(counted.unfit_n),
        stray_n: stored(counted.stray_n),
        stray_stripped_n: stored(counted.stray_stripped_n),
        germination: pollen_state.as_ref().map(|state| state.germination.share),
        covered: facts.covered(),
        by_name: request.by.clone(),
        reason: counted.reason.clone(),
        note: request.note.clone(),
        warnings: Json(warnings),
        lot_season: kept.as_ref().map(|kept| kept.row.season),
        lot_number: kept.as_ref().map(|kept| kept.row.number),
        pass_n: 0,
        supersedes: correction.as_ref().map(|correction| correction.supersedes),
        superseded_by: None,
        correction: correction
            .map(|correction| correction.why)
            .unwrap_or_default(),
        withdrawn: withdraw,
    };
    let programme = unit.programme()?;
    store::insert_pass(unit.connection(), programme, &row)
        .await
        .on_constraint("pass_pkey", || {
            Fault::exists(
                "/id",
                format!("{id} is the id of another pass; make a new one"),
            )
        })?;
    if let Some(lot_id) = lot_id
        && counted.pollinated_n > 0
    {
        let used = EventRow {
            id: PollenEventId::new(),
            pollen_lot_id: lot_id,
            kind: "used".into(),
            on_day: Day(on),
            place: String::new(),
            germinated_n: None,
            tested_n: None,
            quantity_mg: counted.pollen_mg,
            flowers_n: Some(row.pollinated_n),
            pass_id: Some(id),
            reason: String::new(),
            by_name: request.by,
        };
        pollen::insert_event(unit.connection(), programme, &used).await?;
        unit.touch("pollen_lot", lot_id);
    }
    if let Some(mother_id) = mother_id
        && !withdraw
    {
        store::add_mothers(unit.connection(), programme, cross.id, &[mother_id]).await?;
    }
    unit.touch("pass", id);
    unit.touch("cross", cross.id);
    if let Some(other) = corrected.filter(|other| *other != cross.id) {
        unit.touch("cross", other);
        refresh_doubt(unit, other).await?;
    }
    let doubt = refresh_doubt(unit, cross.id).await?;
    let passes = store::passes(unit.connection(), &[cross.id]).await?;
    let pass_n = passes
        .iter()
        .find(|pass| pass.id == id)
        .map_or(0, |pass| pass.pass_n);
    Ok(told_of(&PassRow { pass_n, ..row }, doubt))
}

/// Notes a fault when a cross has more fruit than the flowers that were pollinated by hand.
async fn check_fruit_follows(
    fields: &mut Fields,
    unit: &mut Unit,
    cross: CrossId,
    more_n: u32,
) -> Result<(), Fault> {
    let so_far = SoFar::read(unit, cross).await?;
    let open = store::find(unit.connection(), cross)
        .await?
        .is_none_or(|row| row.open_pollinated());
    let counts = so_far.counts;
    let fruit = counts
        .fruit_harvested_n
        .max(counts.fruit_set_n.unwrap_or(0));
    let pollinated = counts.flowers_pollinated_n.saturating_add(more_n);
    fields.require(
        open || fruit <= pollinated,
        "flowers_pollinated_n",
        format!(
            "{fruit} fruits were counted on this cross, and with this {pollinated} flowers are pollinated; correct the count of fruit first"
        ),
    );
    Ok(())
}

/// The pollen lot, which is held, and must be of the right plant.
async fn lot_of(
    fields: &mut Fields,
    unit: &mut Unit,
    lot_id: Option<PollenLotId>,
    cross: &CrossRow,
) -> Result<Option<KeptLot>, Fault> {
    let Some(lot_id) = lot_id else {
        return Ok(None);
    };
    let Some(kept) = pollen::find(unit.connection(), lot_id).await? else {
        fields.fault(
            "pollen_lot_id",
            format!("no pollen lot {lot_id} is known here; record it as gathered first"),
        );
        return Ok(None);
    };
    if let Some(father) = cross.pollen_parent_id
        && kept.row.germplasm_id != father
    {
        let rows = plants::find_all(unit.connection(), &[father, kept.row.germplasm_id]).await?;
        let source = |id| {
            let row = rows.iter().find(|row| row.id == id);
            row.and_then(|row| row.clone_of_id).unwrap_or(id)
        };
        fields.require(
            source(father) == source(kept.row.germplasm_id),
            "pollen_lot_id",
            format!(
                "lot {} is pollen of {}, and the pollen parent of this cross is {}; take its pollen or plan another cross",
                kept.row.number_text(),
                kept.row.name,
                cross.pollen_parent_name.as_deref().unwrap_or_default()
            ),
        );
    }
    Ok(Some(kept))
}

/// The mother as she stood on the day, checked to be one of the seed parent's trees.
async fn mother_of(
    fields: &mut Fields,
    unit: &mut Unit,
    mother_id: Option<MotherId>,
    cross: &CrossRow,
    counted: &Counted,
) -> Result<Option<MotherOnDay>, Fault> {
    let Some(mother_id) = mother_id else {
        return Ok(None);
    };
    let Some(row) = mothers::find(unit.connection(), mother_id).await? else {
        fields.fault(
            "mother_id",
            format!("no mother {mother_id} is known here; register her first"),
        );
        return Ok(None);
    };
    if let Some(seed_parent) = plants::find(unit.connection(), cross.seed_parent_id).await? {
        fields.require(
            crosses::same_genotype(&row, &seed_parent),
            "mother_id",
            format!(
                "mother {} is a tree of {}, not of {}",
                row.number, row.name, seed_parent.name
            ),
        );
    }
    if let Some(died_on) = row.died_on {
        fields.require(
            counted.on <= died_on.0,
            "on",
            format!("this mother died on {}", died_on.0),
        );
    }
    Ok(Some(
        mothers::on_day(unit.connection(), mother_id, counted.on, cross.opens_on.0).await?,
    ))
}

/// Works the doubt of a cross out anew from its passes and what was done to its mothers.
pub(crate) async fn refresh_doubt(unit: &mut Unit, cross: CrossId) -> Result<Option<f64>, Fault> {
    let Some(row) = store::find(unit.connection(), cross).await? else {
        return Ok(None);
    };
    let passes = store::passes(unit.connection(), &[cross]).await?;
    let mut by_mother: BTreeMap<Option<MotherId>, MotherWork> = BTreeMap::new();
    for pass in &passes {
        let work = by_mother.entry(pass.mother_id).or_default();
        work.known = pass.mother_id.is_some();
        work.passes.push(Worked {
            on: pass.on_day.0,
            pollinated_n: u32::try_from(pass.pollinated_n).unwrap_or(0),
            strays_left_n: u32::try_from(pass.stray_n - pass.stray_stripped_n).unwrap_or(0),
            germination: pass.germination,
            covered: pass.covered,
        });
    }
    let ids: Vec<MotherId> = by_mother.keys().copied().flatten().collect();
    let events = mothers::events(unit.connection(), &ids).await?;
    for (mother, work) in &mut by_mother {
        let Some(events) = mother.and_then(|mother| events.get(&mother)) else {
            continue;
        };
        work.stripped_on = events
            .iter()
            .filter(|event| event.kind == "stripped")
            .map(|event| event.on_day.0)
            .collect();
        work.insects_seen = events
            .iter()
            .filter(|event| event.kind == "insects_seen")
            .any(|event| {
                work.passes
                    .iter()
                    .any(|pass| days_between(event.on_day.0, pass.on).abs() <= 7)
            });
    }
    let works: Vec<MotherWork> = by_mother.into_values().collect();
    let doubt = doubt::of_cross(
        &works,
        row.accepted_pollen,
        self_compatibility_of(&row.self_compatible),
        row.open_pollinated(),
    );
    store::set_doubt(unit.connection(), cross, doubt).await?;
    Ok(doubt)
}

fn told_of(row: &PassRow, doubt: Option<f64>) -> Pass {
    let count = |n: i32| u32::try_from(n).unwrap_or(0);
    Pass {
        id: row.id.to_string(),
        cross_id: row.cross_id.to_string(),
        on: row.on_day.0.to_string(),
        pollen_lot_id: id_text(row.pollen_lot_id),
        pollen_lot_number: row.lot_number_text(),
        mother_id: id_text(row.mother_id),
        flowers_emasculated_n: count(row.emasculated_n),
        flowers_pollinated_n: count(row.pollinated_n),
        stray_open_flowers_n: count(row.stray_n),
        stray_stripped_n: count(row.stray_stripped_n),
        unfit_n: count(row.unfit_n),
        by: row.by_name.clone(),
        reason: row.reason.clone(),
        note: row.note.clone(),
        germination: row.germination,
        warnings: row.warnings.0.clone(),
        outcross_doubt: doubt,
        pass_n: u32::try_from(row.pass_n).unwrap_or(0),
        supersedes: id_text(row.supersedes),
        correction: row.correction.clone(),
        superseded_by: id_text(row.superseded_by),
        withdrawn: row.withdrawn,
    }
}

/// The passes of a cross by day.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListPassesRequest,
) -> Result<PassList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let after: Option<i64> = page.after_key()?;
    let mut fields = Fields::new();
    let id: Option<CrossId> = fields.id("cross_id", &request.cross_id);
    fields.finish()?;
    let id = id.unwrap_or_default_id();
    let cross = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("cross", id))?;
    let rows = if request.with_superseded {
        store::passes_ever(unit.connection(), &[id]).await?
    } else {
        store::passes(unit.connection(), &[id]).await?
    };
    let rows: Vec<(i64, PassRow)> = (1i64..)
        .zip(rows)
        .filter(|(place, _)| after.is_none_or(|after| *place > after))
        .take(page.limit as usize + 1)
        .collect();
    let (rows, next_cursor) = page.cut(rows, |(place, _)| *place);
    Ok(PassList {
        items: rows
            .iter()
            .map(|(_, row)| told_of(row, cross.outcross_doubt))
            .collect(),
        next_cursor,
    })
}

/// Records passes as an app brings them back: in any order, twice or late.
pub async fn record_batch(
    app: &CrossingApp,
    unit: &mut Unit,
    request: RecordPassesRequest,
) -> Result<BatchReply, Fault> {
    let sent_n = request.rows.len();
    let mut rows: Vec<(u64, RecordPassRequest)> = (0..).zip(request.rows).collect();
    // A pass rests on those before it, whatever the order in which they come back.
    rows.sort_by(|(_, a), (_, b)| a.on.cmp(&b.on));
    let mut passes = Entries::new();
    for (row, pass) in rows {
        passes.push((row, pass.id.clone()), pass);
    }
    let mut report = Report::of(sent_n);
    passes
        .write(app, unit, |(row, id), verdict| {
            results::tell(&mut report, row, &id, verdict);
            ControlFlow::Continue(())
        })
        .await?;
    Ok(report.into_reply())
}
