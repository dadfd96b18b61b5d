//! Container-grown mothers.

use contract::crossing::{
    GetMotherRequest, ListMothersRequest, Mother, MotherEvent, MotherList,
    RecordMotherEventRequest, RegisterMotherRequest,
};
use jiff::civil::Date;
use platform::database::Day;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::bloom::known_plant;
use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, entries, not_ahead, passes, stored};
use crate::CrossingApp;
use crate::domain::{MotherEventId, MotherEventKind, MotherId, PlantId, numbers, parents};
use crate::store::mothers::{self as store, MotherEventRow, MotherRow};
use crate::store::seasons::latest_day;
use crate::store::{next_number, text_of};

/// Registers a mother.
pub async fn register(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RegisterMotherRequest,
) -> Result<Mother, Fault> {
    let mut fields = Fields::new();
    let id: MotherId = fields.client_id(&request.id);
    let plant = known_plant(&mut fields, unit, "germplasm_id", &request.germplasm_id).await?;
    let house = fields.text("house", &request.house, NAME_CHARS).to_owned();
    let row_n = fields.count("row", request.row, 0, 100_000);
    let position_n = fields.count("position", request.position, 0, 100_000);
    if let Some(litres) = request.container_l {
        fields.number("container_l", litres, 0.1, 10_000.0);
    }
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    let today = latest_day(unit.now());
    let on = fields.optional_date("on", &request.on);
    not_ahead(&mut fields, "on", on, today);
    fields.finish()?;
    let number = next_number(unit, "mother", 0).await?;
    let row = MotherRow {
        id,
        number,
        germplasm_id: plant.unwrap_or_default_id(),
        name: String::new(),
        species: String::new(),
        s_alleles: Vec::new(),
        clone_of_id: None,
        house,
        row_n,
        position_n,
        container_l: request.container_l,
        note: request.note,
        // She stands there from now on as far as is known; history may place her earlier.
        stands_from: Day(on.unwrap_or_else(|| unit.today())),
        died_on: None,
        last_pass_on: None,
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row)
        .await
        .on_constraint("mother_place", || {
            place_taken(&row.house, row.row_n, row.position_n)
        })?;
    unit.touch("mother", id);
    one(unit, id).await
}

fn place_taken(house: &str, row: i32, position: i32) -> Fault {
    Fault::exists(
        "/position",
        format!("another living mother stands in {house}, row {row}, position {position}"),
    )
}

/// One mother with what was done to her.
async fn one(unit: &mut Unit, id: MotherId) -> Result<Mother, Fault> {
    let row = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("mother", id))?;
    let events = store::events(unit.connection(), &[id])
        .await?
        .remove(&id)
        .unwrap_or_default();
    Ok(told_of(&row, &events, true))
}

/// A mother as told to clients.
pub(crate) fn told_of(row: &MotherRow, events: &[MotherEventRow], with_events: bool) -> Mother {
    let number = numbers::mother(row.number);
    let self_compatible = parents::stored_genotype(&row.species, &row.s_alleles)
        .map_or("unknown", |genotype| {
            parents::self_compatibility_word(&genotype)
        });
    let stripped = events
        .iter()
        .filter(|event| event.kind == "stripped")
        .map(|event| event.on_day)
        .max();
    Mother {
        id: row.id.to_string(),
        checked_number: numbers::checked(&number),
        number,
        germplasm_id: row.germplasm_id.to_string(),
        name: row.name.clone(),
        house: row.house.clone(),
        row: u32::try_from(row.row_n).unwrap_or(0),
        position: u32::try_from(row.position_n).unwrap_or(0),
        container_l: row.container_l,
        living: row.died_on.is_none(),
        covered: store::covered_on(events, Date::MAX),
        self_compatible: self_compatible.to_owned(),
        last_pass_on: text_of(row.last_pass_on),
        last_stripped_on: text_of(stripped),
        events: if with_events {
            events.iter().map(event_of).collect()
        } else {
            Vec::new()
        },
        note: row.note.clone(),
    }
}

fn event_of(row: &MotherEventRow) -> MotherEvent {
    MotherEvent {
        id: row.id.to_string(),
        kind: row.kind.clone(),
        on: row.on_day.0.to_string(),
        flowers_n: row.flowers_n.and_then(|n| u32::try_from(n).ok()),
        note: row.note.clone(),
        house: row.house.clone(),
        row: u32::try_from(row.row_n).unwrap_or(0),
        position: u32::try_from(row.position_n).unwrap_or(0),
        by: row.by_name.clone(),
    }
}

/// One mother.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetMotherRequest,
) -> Result<Mother, Fault> {
    let mut fields = Fields::new();
    let id: Option<MotherId> = fields.id("mother_id", &request.mother_id);
    fields.finish()?;
    one(unit, id.unwrap_or_default_id()).await
}

/// Separates the parts of a place in a cursor.
const BETWEEN: char = '\u{1}';

/// A list of mothers in walking order.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListMothersRequest,
) -> Result<MotherList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let plant: Option<PlantId> = fields.optional_id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let after = match &page.after {
        None => None,
        Some(key) => {
            let parts: Vec<&str> = key.split(BETWEEN).collect();
            let number = |text: &str| text.parse::<i32>().ok();
            let place = match parts.as_slice() {
                [house, row, position, n] => number(row)
                    .zip(number(position))
                    .zip(number(n))
                    .map(|((row, position), n)| ((*house).to_owned(), row, position, n)),
                _ => None,
            };
            Some(place.ok_or_else(|| Fault::field("/cursor", "belongs to another list"))?)
        }
    };
    let filter = store::Filter {
        plant,
        house: request.house.trim(),
        living: request.living.unwrap_or(true),
    };
    let rows = store::list(unit.connection(), filter, after, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| {
        format!(
            "{}{BETWEEN}{}{BETWEEN}{}{BETWEEN}{}",
            row.house, row.row_n, row.position_n, row.number
        )
    });
    let ids: Vec<MotherId> = rows.iter().map(|row| row.id).collect();
    let events = store::events(unit.connection(), &ids).await?;
    let items = rows
        .iter()
        .map(|row| told_of(row, events.get(&row.id).map_or(&[], Vec::as_slice), false))
        .collect();
    Ok(MotherList { items, next_cursor })
}

/// Records what was done to or seen on a mother.
pub async fn record_event(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordMotherEventRequest,
) -> Result<Mother, Fault> {
    let mut fields = Fields::new();
    let id: MotherEventId = fields.client_id(&request.id);
    let mother: Option<MotherId> = fields.id("mother_id", &request.mother_id);
    let kind: Option<MotherEventKind> = fields.word("kind", &request.kind);
    let on = fields.date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    if let Some(flowers) = request.flowers_n {
        fields.count("flowers_n", flowers, 0, 50_000);
        fields.require(
            matches!(
                kind,
                Some(MotherEventKind::Stripped | MotherEventKind::InsectsSeen) | None
            ),
            "flowers_n",
            "flowers are counted when a mother is stripped",
        );
    }
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    let moved = kind == Some(MotherEventKind::Moved);
    if moved {
        fields.text("house", &request.house, NAME_CHARS);
        fields.require(request.row.is_some(), "row", "is required to move a mother");
        fields.require(
            request.position.is_some(),
            "position",
            "is required to move a mother",
        );
    }
    entries::hold(unit, &request).await?;
    let row = match mother {
        Some(mother) => Some(
            store::find(unit.connection(), mother)
                .await?
                .ok_or_else(|| Fault::not_found("mother", mother))?,
        ),
        None => None,
    };
    if let (Some(row), Some(on)) = (&row, on)
        && let Some(died_on) = row.died_on
        && on > died_on.0
    {
        fields.fault(
            "on",
            format!("she died on {}; nothing can follow", died_on.0),
        );
    }
    if let (Some(row), Some(on), Some(MotherEventKind::Died)) = (&row, on, kind) {
        fields.require(
            row.died_on.is_none(),
            "kind",
            "she is recorded as dead already",
        );
        if let Some(last) = row.last_pass_on {
            fields.require(
                on >= last.0,
                "on",
                format!("a pass was worked on her on {}", last.0),
            );
        }
    }
    fields.finish()?;
    let (Some(row), Some(kind), Some(on)) = (row, kind, on) else {
        return Err(Fault::field("/kind", "is required"));
    };
    let (house, row_n, position_n) = if moved {
        (
            request.house.trim().to_owned(),
            stored(request.row.unwrap_or(0)),
            stored(request.position.unwrap_or(0)),
        )
    } else {
        (row.house.clone(), row.row_n, row.position_n)
    };
    let event = MotherEventRow {
        id,
        mother_id: row.id,
        kind: kind.word().to_owned(),
        on_day: Day(on),
        flowers_n: request.flowers_n.map(stored),
        note: request.note,
        house: house.clone(),
        row_n,
        position_n,
        by_name: request.by,
    };
    let programme = unit.programme()?;
    store::insert_event(unit.connection(), programme, &event).await?;
    match kind {
        MotherEventKind::Moved => {
            store::set_place(unit.connection(), row.id, &house, row_n, position_n)
                .await
                .on_constraint("mother_place", || place_taken(&house, row_n, position_n))?
        }
        MotherEventKind::Died => store::set_died(unit.connection(), row.id, Day(on)).await?,
        MotherEventKind::Covered
        | MotherEventKind::Uncovered
        | MotherEventKind::Stripped
        | MotherEventKind::InsectsSeen => {
            for cross in store::crosses_of(unit.connection(), row.id).await? {
                passes::refresh_doubt(unit, cross).await?;
            }
        }
    }
    unit.touch("mother", row.id);
    one(unit, row.id).await
}
