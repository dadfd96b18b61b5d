//! Notes of bloom.

use contract::crossing::{
    BloomRecord, BloomRecordList, CrossWarning, ListBloomRecordsRequest, RecordBloomRequest,
};
use phenology::stage::FlowerStage;
use platform::database::Day;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::{NAME_CHARS, NOTE_CHARS, at_most, not_ahead};
use crate::CrossingApp;
use crate::domain::warnings::{WarningCode, warning};
use crate::domain::{BloomRecordId, PlantId};
use crate::store::germplasm as plants;
use crate::store::seasons::{self as store, BloomRow, latest_day};

/// Reads a BBCH code of a flower stage.
pub(crate) fn stage(fields: &mut Fields, field: &str, code: u32) -> Option<FlowerStage> {
    let read = u8::try_from(code)
        .map_err(|_| format!("{code} is no BBCH code; flower stages are 51 to 69"))
        .and_then(|code| FlowerStage::try_from(code).map_err(|error| error.to_string()));
    match read {
        Ok(stage) => Some(stage),
        Err(message) => {
            fields.fault(field, message);
            None
        }
    }
}

/// The plant that a record is about, which must be known.
pub(crate) async fn known_plant(
    fields: &mut Fields,
    unit: &mut Unit,
    field: &str,
    text: &str,
) -> Result<Option<PlantId>, Fault> {
    let Some(id) = fields.id(field, text) else {
        return Ok(None);
    };
    if plants::adopt(unit, &[id]).await?.is_empty() {
        fields.fault(
            field,
            format!("no plant {id} is known here; register it first"),
        );
        return Ok(None);
    }
    Ok(Some(id))
}

/// Notes how far a variety's bloom is.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordBloomRequest,
) -> Result<BloomRecord, Fault> {
    let mut fields = Fields::new();
    let id: BloomRecordId = fields.client_id(&request.id);
    let plant = known_plant(&mut fields, unit, "germplasm_id", &request.germplasm_id).await?;
    let on = fields.date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    let stage = stage(&mut fields, "stage_bbch", request.stage_bbch);
    if let Some(percent) = request.percent_open {
        fields.number("percent_open", percent, 0.0, 100.0);
    }
    at_most(&mut fields, "site", &request.site, NAME_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    fields.finish()?;
    let (Some(plant), Some(on), Some(stage)) = (plant, on, stage) else {
        return Err(Fault::field("/germplasm_id", "is required"));
    };
    let notes = store::bloom_notes(unit.connection(), &[plant]).await?;
    let backwards = notes.get(&plant).into_iter().flatten().find(|note| {
        note.on.year() == on.year()
            && ((note.on < on && note.stage > stage.code())
                || (note.on > on && note.stage < stage.code()))
    });
    let warnings: Vec<CrossWarning> = backwards
        .map(|note| {
            warning(
                WarningCode::BloomRunsBackwards,
                format!(
                    "stage {} on {} does not fit stage {} noted on {}",
                    stage.code(),
                    on,
                    note.stage,
                    note.on
                ),
            )
        })
        .into_iter()
        .collect();
    let name = plants::find(unit.connection(), plant)
        .await?
        .map(|row| row.name)
        .unwrap_or_default();
    let row = BloomRow {
        id,
        germplasm_id: plant,
        name,
        on_day: Day(on),
        stage: stage.code().into(),
        site: request.site,
        percent_open: request.percent_open,
        by_name: request.by,
        note: request.note,
    };
    let programme = unit.programme()?;
    store::insert_bloom(unit.connection(), programme, &row).await?;
    unit.touch("bloom_record", id);
    let mut told = told_of(row);
    told.warnings = warnings;
    Ok(told)
}

fn told_of(row: BloomRow) -> BloomRecord {
    let code = u8::try_from(row.stage).unwrap_or_default();
    BloomRecord {
        id: row.id.to_string(),
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name,
        on: row.on_day.0.to_string(),
        stage_bbch: code.into(),
        stage: stage_name(code),
        site: row.site,
        percent_open: row.percent_open,
        by: row.by_name,
        note: row.note,
        warnings: Vec::new(),
    }
}

/// A stage in words.
pub(crate) fn stage_name(code: u8) -> String {
    FlowerStage::try_from(code)
        .map(|stage| stage.name().to_owned())
        .unwrap_or_default()
}

/// A list of notes of bloom.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListBloomRecordsRequest,
) -> Result<BloomRecordList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let after: Option<BloomRecordId> = page.after_key()?;
    let mut fields = Fields::new();
    let plant: Option<PlantId> = fields.optional_id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let rows = store::list_bloom(
        unit.connection(),
        plant,
        request.season,
        after,
        page.fetch(),
    )
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(BloomRecordList {
        items: rows.into_iter().map(told_of).collect(),
        next_cursor,
    })
}
