//! Pollen lots and their ledgers.

use biometry::fruit_set::Count;
use biometry::fruit_set::proportion::{self, Method};
use contract::crossing::{
    CrossWarning, GatherPollenRequest, GetPollenLotRequest, ListPollenLotsRequest, PollenEvent,
    PollenLot, PollenLotList, RecordPollenEventRequest,
};
use jiff::civil::Date;
use phenology::pollen::GerminationTest;
use platform::database::Day;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::bloom::{known_plant, stage, stage_name};
use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, not_ahead, stored};
use crate::CrossingApp;
use crate::domain::ledger::{Entry, Place, PollenEventKind};
use crate::domain::warnings::{WarningCode, warning};
use crate::domain::{PlantId, PollenEventId, PollenLotId, numbers};
use crate::store::pollen::{self as store, EventRow, KeptLot, LotRow};
use crate::store::seasons::latest_day;
use crate::store::{id_text, next_number};

/// Flowers in one lot at most.
const MOST_FLOWERS: u32 = 100_000;

/// Records a lot as gathered.
pub async fn gather(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GatherPollenRequest,
) -> Result<PollenLot, Fault> {
    let mut fields = Fields::new();
    let id: PollenLotId = fields.client_id(&request.id);
    let plant = known_plant(&mut fields, unit, "germplasm_id", &request.germplasm_id).await?;
    let gathered_on = fields.date("gathered_on", &request.gathered_on);
    not_ahead(
        &mut fields,
        "gathered_on",
        gathered_on,
        latest_day(unit.now()),
    );
    let flowers_n = fields.count("flowers_n", request.flowers_n, 1, MOST_FLOWERS);
    let stage = stage(&mut fields, "stage_bbch", request.stage_bbch);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    at_most(&mut fields, "site", &request.site, NAME_CHARS);
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    fields.finish()?;
    let (Some(plant), Some(gathered_on), Some(stage)) = (plant, gathered_on, stage) else {
        return Err(Fault::field("/germplasm_id", "is required"));
    };
    let season = i32::from(gathered_on.year());
    let number = next_number(unit, "pollen_lot", season).await?;
    let row = LotRow {
        id,
        season,
        number,
        germplasm_id: plant,
        name: String::new(),
        gathered_on: Day(gathered_on),
        flowers_n,
        stage: stage.code().into(),
        site: request.site,
        by_name: request.by,
        note: request.note,
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row).await?;
    unit.touch("pollen_lot", id);
    one(unit, id, gathered_on).await
}

/// One lot as it stands on a day.
async fn one(unit: &mut Unit, id: PollenLotId, on: Date) -> Result<PollenLot, Fault> {
    let kept = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("pollen lot", id))?;
    Ok(told_of(&kept, on, true))
}

/// A lot as told to clients.
pub(crate) fn told_of(kept: &KeptLot, on: Date, with_ledger: bool) -> PollenLot {
    let (row, lot) = (&kept.row, kept.lot());
    let state = lot.on(on);
    let number = row.number_text();
    let code = u8::try_from(row.stage).unwrap_or_default();
    PollenLot {
        id: row.id.to_string(),
        checked_number: numbers::checked(&number),
        number,
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name.clone(),
        gathered_on: row.gathered_on.0.to_string(),
        flowers_n: u32::try_from(row.flowers_n).unwrap_or(0),
        stage_bbch: code.into(),
        stage: stage_name(code),
        dry_on: lot.dry_on().to_string(),
        dried: state.dried,
        place: state.place_word().to_owned(),
        germination: state.germination.share,
        germination_low: state.germination.low,
        germination_high: state.germination.high,
        verdict: state.germination.verdict.to_string(),
        own_tests_n: state.germination.own_tests_n,
        usable: state.usable,
        discard_due_on: state
            .discard_due_on
            .map(|day| day.to_string())
            .unwrap_or_default(),
        flowers_pollinated_n: state.flowers_pollinated_n,
        serves_flowers_n: state.serves_flowers_n,
        left_mg: state.left_mg,
        events: if with_ledger {
            ledger_of(kept)
        } else {
            Vec::new()
        },
        warnings: warnings_of(kept),
        site: row.site.clone(),
        by: row.by_name.clone(),
        note: row.note.clone(),
    }
}

fn ledger_of(kept: &KeptLot) -> Vec<PollenEvent> {
    let gathered = PollenEvent {
        id: kept.row.id.to_string(),
        kind: "gathered".into(),
        on: kept.row.gathered_on.0.to_string(),
        flowers_n: u32::try_from(kept.row.flowers_n).ok(),
        by: kept.row.by_name.clone(),
        ..PollenEvent::default()
    };
    std::iter::once(gathered)
        .chain(kept.events.iter().map(event_of))
        .collect()
}

fn event_of(row: &EventRow) -> PollenEvent {
    let counted = |n: Option<i32>| n.and_then(|n| u32::try_from(n).ok());
    let (germinated_n, tested_n) = (counted(row.germinated_n), counted(row.tested_n));
    let interval = germinated_n.zip(tested_n).and_then(|(germinated, tested)| {
        let count = Count::new(germinated.into(), tested.into()).ok()?;
        let interval = proportion::interval(count, Method::ClopperPearson, 0.95).ok()?;
        Some((count.proportion(), interval))
    });
    PollenEvent {
        id: row.id.to_string(),
        kind: row.kind.clone(),
        on: row.on_day.0.to_string(),
        place: row.place.clone(),
        germinated_n,
        tested_n,
        germination: interval.map(|(share, _)| share),
        germination_low: interval.map(|(_, interval)| interval.low),
        germination_high: interval.map(|(_, interval)| interval.high),
        quantity_mg: row.quantity_mg,
        flowers_n: counted(row.flowers_n),
        pass_id: id_text(row.pass_id),
        reason: row.reason.clone(),
        by: row.by_name.clone(),
    }
}

fn warnings_of(kept: &KeptLot) -> Vec<CrossWarning> {
    let mut warnings = Vec::new();
    let code = u8::try_from(kept.row.stage).unwrap_or_default();
    let balloon = phenology::stage::FlowerStage::try_from(code)
        .is_ok_and(phenology::stage::FlowerStage::is_pollen_stage);
    if !balloon {
        let what = if code < 59 {
            "younger flowers give less pollen"
        } else {
            "open flowers may have lost pollen or brought another's"
        };
        warnings.push(warning(
            WarningCode::NotBalloonStage,
            format!("gathered at BBCH {code} ({}); pollen is gathered at the balloon stage, BBCH 59: {what}", stage_name(code)),
        ));
    }
    let mut thawed = false;
    for event in &kept.events {
        thawed |= event.kind == "thawed";
        if thawed
            && event.kind == "stored"
            && Place::from_word(&event.place).is_some_and(Place::is_frozen)
        {
            warnings.push(warning(
                WarningCode::FrozenAgain,
                format!(
                    "{}: thawed and frozen again; test it before it is used",
                    event.on_day.0
                ),
            ));
        }
    }
    warnings
}

/// One lot.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetPollenLotRequest,
) -> Result<PollenLot, Fault> {
    let mut fields = Fields::new();
    let id: Option<PollenLotId> = fields.id("pollen_lot_id", &request.pollen_lot_id);
    fields.finish()?;
    let today = unit.today();
    one(unit, id.unwrap_or_default_id(), today).await
}

/// A list of lots.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListPollenLotsRequest,
) -> Result<PollenLotList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut after: Option<PollenLotId> = page.after_key()?;
    let mut fields = Fields::new();
    let plant: Option<PlantId> = fields.optional_id("germplasm_id", &request.germplasm_id);
    let on = fields
        .optional_date("on", &request.on)
        .unwrap_or_else(|| unit.today());
    fields.finish()?;
    let usable = request.usable == Some(true);
    let filter = store::Filter {
        plant,
        season: request.season,
        kept_on: usable.then_some(Day(on)),
    };
    // Whether a lot still lives is reckoned, not stored, so pages are filled until they are full.
    let mut found: Vec<(PollenLotId, PollenLot)> = Vec::new();
    let wanted = page.limit as usize + 1;
    while found.len() < wanted {
        let rows = store::list(unit.connection(), &filter, after, page.fetch()).await?;
        let ended = rows.len() < wanted;
        after = rows.last().map(|kept| kept.row.id);
        found.extend(
            rows.iter()
                .map(|kept| (kept.row.id, told_of(kept, on, false)))
                .filter(|(_, lot)| request.usable.is_none_or(|usable| lot.usable == usable)),
        );
        if ended {
            break;
        }
    }
    let (found, next_cursor) = page.cut(found, |(id, _)| *id);
    Ok(PollenLotList {
        items: found.into_iter().map(|(_, lot)| lot).collect(),
        next_cursor,
    })
}

/// Records what became of a lot.
pub async fn record_event(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordPollenEventRequest,
) -> Result<PollenLot, Fault> {
    let mut fields = Fields::new();
    let id: PollenEventId = fields.client_id(&request.id);
    let lot_id: Option<PollenLotId> = fields.id("pollen_lot_id", &request.pollen_lot_id);
    let kind: Option<PollenEventKind> = fields.word("kind", &request.kind);
    let on = fields.date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    let mut place: Option<Place> = fields.optional_word("place", &request.place);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    let test = match (request.germinated_n, request.tested_n) {
        (None, None) => None,
        (germinated, tested) => {
            let (germinated, tested) = (germinated.unwrap_or(0), tested.unwrap_or(0));
            match GerminationTest::new(germinated, tested) {
                Ok(test) if tested <= 1_000_000 => Some(test),
                Ok(_) => {
                    fields.fault("tested_n", format!("{tested} grains cannot be counted"));
                    None
                }
                Err(error) => {
                    let field = if tested == 0 {
                        "tested_n"
                    } else {
                        "germinated_n"
                    };
                    fields.fault(field, error.to_string());
                    None
                }
            }
        }
    };
    if kind == Some(PollenEventKind::Discarded) {
        fields.text("reason", &request.reason, NOTE_CHARS);
    }
    if let Some(flowers) = request.flowers_n {
        fields.count("flowers_n", flowers, 1, MOST_FLOWERS);
    }
    if matches!(kind, Some(PollenEventKind::Dried | PollenEventKind::Thawed)) {
        place = place.or(Some(Place::Vial));
    }
    let kept = match lot_id {
        Some(lot_id) => Some(
            store::hold(unit.connection(), lot_id)
                .await?
                .ok_or_else(|| Fault::not_found("pollen lot", lot_id))?,
        ),
        None => None,
    };
    if let (Some(kept), Some(kind), Some(on)) = (&kept, kind, on) {
        let next = Entry {
            kind,
            on,
            place,
            test,
            quantity_mg: request.quantity_mg,
            flowers_n: stored(request.flowers_n.unwrap_or(0)),
        };
        kept.lot().check_next(&mut fields, &next);
    }
    fields.finish()?;
    let (Some(kept), Some(kind), Some(on)) = (kept, kind, on) else {
        return Err(Fault::field("/kind", "is required"));
    };
    let row = EventRow {
        id,
        pollen_lot_id: kept.row.id,
        kind: kind.word().to_owned(),
        on_day: Day(on),
        place: place
            .map(|place| place.word().to_owned())
            .unwrap_or_default(),
        germinated_n: test.map(|test| stored(test.germinated_n())),
        tested_n: test.map(|test| stored(test.counted_n())),
        quantity_mg: request.quantity_mg,
        flowers_n: request.flowers_n.map(stored),
        pass_id: None,
        reason: request.reason.trim().to_owned(),
        by_name: request.by,
    };
    let programme = unit.programme()?;
    store::insert_event(unit.connection(), programme, &row).await?;
    unit.touch("pollen_lot", kept.row.id);
    one(unit, kept.row.id, on).await
}
