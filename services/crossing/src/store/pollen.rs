//! Pollen lots and their ledgers.

use std::collections::HashMap;

use phenology::pollen::GerminationTest;
use platform::ProgrammeId;
use platform::database::Day;
use platform::fields::Words as _;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::ledger::{Entry, Lot, Place, PollenEventKind};
use crate::domain::{PassId, PlantId, PollenEventId, PollenLotId};

/// A lot with its plant's name.
#[derive(Debug, Clone, FromRow)]
pub struct LotRow {
    pub id: PollenLotId,
    pub season: i32,
    pub number: i32,
    pub germplasm_id: PlantId,
    pub name: String,
    pub gathered_on: Day,
    pub flowers_n: i32,
    pub stage: i16,
    pub site: String,
    pub by_name: String,
    pub note: String,
}

impl LotRow {
    /// Its number.
    pub fn number_text(&self) -> String {
        crate::domain::numbers::pollen_lot(self.season, self.number)
    }
}

/// An entry of a ledger.
#[derive(Debug, Clone, FromRow)]
pub struct EventRow {
    pub id: PollenEventId,
    pub pollen_lot_id: PollenLotId,
    pub kind: String,
    pub on_day: Day,
    pub place: String,
    pub germinated_n: Option<i32>,
    pub tested_n: Option<i32>,
    pub quantity_mg: Option<f64>,
    pub flowers_n: Option<i32>,
    pub pass_id: Option<PassId>,
    pub reason: String,
    pub by_name: String,
}

impl EventRow {
    fn entry(&self) -> Option<Entry> {
        let counted = |n: Option<i32>| n.and_then(|n| u32::try_from(n).ok());
        Some(Entry {
            kind: PollenEventKind::from_word(&self.kind)?,
            on: self.on_day.0,
            place: Place::from_word(&self.place),
            test: counted(self.germinated_n)
                .zip(counted(self.tested_n))
                .and_then(|(germinated, tested)| GerminationTest::new(germinated, tested).ok()),
            quantity_mg: self.quantity_mg,
            flowers_n: self.flowers_n.unwrap_or(0),
        })
    }
}

/// A lot with its ledger.
#[derive(Debug, Clone)]
pub struct KeptLot {
    pub row: LotRow,
    pub events: Vec<EventRow>,
}

impl KeptLot {
    /// The lot as the rules see it.
    pub fn lot(&self) -> Lot {
        Lot {
            gathered_on: self.row.gathered_on.0,
            flowers_n: self.row.flowers_n,
            entries: self.events.iter().filter_map(EventRow::entry).collect(),
        }
    }
}

macro_rules! select_lot {
    ($tail:literal) => {
        concat!(
            "select l.id, l.season, l.number, l.germplasm_id, g.name, l.gathered_on, l.flowers_n, \
             l.stage, l.site, l.by_name, l.note from pollen_lot l \
             join germplasm g on g.programme_id = l.programme_id and g.id = l.germplasm_id \
             where l.programme_id = current_programme() ",
            $tail
        )
    };
}

async fn with_ledgers(db: &mut Db, rows: Vec<LotRow>) -> Result<Vec<KeptLot>, sqlx::Error> {
    let ids: Vec<PollenLotId> = rows.iter().map(|row| row.id).collect();
    let events: Vec<EventRow> = sqlx::query_as(
        "select id, pollen_lot_id, kind, on_day, place, germinated_n, tested_n, quantity_mg, \
         flowers_n, pass_id, reason, by_name from pollen_event \
         where programme_id = current_programme() and pollen_lot_id = any($1) \
         order by on_day, entry",
    )
    .bind(&ids)
    .fetch_all(db)
    .await?;
    let mut by_lot: HashMap<PollenLotId, Vec<EventRow>> = HashMap::new();
    for event in events {
        by_lot.entry(event.pollen_lot_id).or_default().push(event);
    }
    Ok(rows
        .into_iter()
        .map(|row| KeptLot {
            events: by_lot.remove(&row.id).unwrap_or_default(),
            row,
        })
        .collect())
}

/// One lot.
pub async fn find(db: &mut Db, id: PollenLotId) -> Result<Option<KeptLot>, sqlx::Error> {
    let rows = sqlx::query_as(select_lot!("and l.id = $1"))
        .bind(id)
        .fetch_all(&mut *db)
        .await?;
    Ok(with_ledgers(db, rows).await?.pop())
}

/// One lot, held until the transaction ends, so that its ledger grows one entry at a time.
pub async fn hold(db: &mut Db, id: PollenLotId) -> Result<Option<KeptLot>, sqlx::Error> {
    sqlx::query(
        "select 1 from pollen_lot where programme_id = current_programme() and id = $1 for no key update",
    )
    .bind(id)
    .execute(&mut *db)
    .await?;
    find(db, id).await
}

/// Several lots.
pub async fn find_all(db: &mut Db, ids: &[PollenLotId]) -> Result<Vec<KeptLot>, sqlx::Error> {
    let rows = sqlx::query_as(select_lot!("and l.id = any($1)"))
        .bind(ids)
        .fetch_all(&mut *db)
        .await?;
    with_ledgers(db, rows).await
}

/// Lots that were gathered by a day and not thrown away before it, of some plants or of all.
pub async fn kept(
    db: &mut Db,
    plants: Option<&[PlantId]>,
    day: Day,
) -> Result<Vec<KeptLot>, sqlx::Error> {
    let rows = sqlx::query_as(select_lot!(
        "and l.gathered_on <= $1 and (l.discarded_on is null or l.discarded_on > $1) \
         and ($2::uuid[] is null or l.germplasm_id = any($2)) \
         and l.gathered_on > $1 - 1500 order by l.gathered_on, l.number"
    ))
    .bind(day)
    .bind(plants)
    .fetch_all(&mut *db)
    .await?;
    with_ledgers(db, rows).await
}

/// What a list of lots is narrowed to.
#[derive(Debug, Default)]
pub struct Filter {
    pub plant: Option<PlantId>,
    pub season: Option<i32>,
    /// Recorded as dry by the day and not thrown away by it.
    pub kept_on: Option<Day>,
}

/// Lots by id, which is by time of recording.
pub async fn list(
    db: &mut Db,
    filter: &Filter,
    after: Option<PollenLotId>,
    limit: i64,
) -> Result<Vec<KeptLot>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(select_lot!(""));
    if let Some(plant) = filter.plant {
        query.push(" and l.germplasm_id = ").push_bind(plant);
    }
    if let Some(season) = filter.season {
        query.push(" and l.season = ").push_bind(season);
    }
    if let Some(day) = filter.kept_on {
        query.push(" and l.dried_on <= ").push_bind(day);
        query
            .push(" and (l.discarded_on is null or l.discarded_on > ")
            .push_bind(day)
            .push(")");
    }
    if let Some(after) = after {
        query.push(" and l.id > ").push_bind(after);
    }
    query.push(" order by l.id limit ").push_bind(limit);
    let rows = query.build_query_as().fetch_all(&mut *db).await?;
    with_ledgers(db, rows).await
}

/// Writes a lot.
pub async fn insert(db: &mut Db, programme: ProgrammeId, row: &LotRow) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into pollen_lot (programme_id, id, season, number, germplasm_id, gathered_on, \
         flowers_n, stage, site, by_name, note) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.season)
    .bind(row.number)
    .bind(row.germplasm_id)
    .bind(row.gathered_on)
    .bind(row.flowers_n)
    .bind(row.stage)
    .bind(&row.site)
    .bind(&row.by_name)
    .bind(&row.note)
    .execute(db)
    .await
    .map(drop)
}

/// Lets what a pass took of a lot stand back for what another took.
pub async fn supersede_use(db: &mut Db, old: PassId, new: PassId) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update pollen_entry set superseded_by = $2 \
         where programme_id = current_programme() and pass_id = $1 and superseded_by is null",
    )
    .bind(old)
    .bind(new)
    .execute(db)
    .await
    .map(drop)
}

/// Adds an entry to a ledger and keeps the lot in step with it.
pub async fn insert_event(
    db: &mut Db,
    programme: ProgrammeId,
    row: &EventRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into pollen_event (programme_id, id, pollen_lot_id, kind, on_day, place, \
         germinated_n, tested_n, quantity_mg, flowers_n, pass_id, reason, by_name) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.pollen_lot_id)
    .bind(&row.kind)
    .bind(row.on_day)
    .bind(&row.place)
    .bind(row.germinated_n)
    .bind(row.tested_n)
    .bind(row.quantity_mg)
    .bind(row.flowers_n)
    .bind(row.pass_id)
    .bind(&row.reason)
    .bind(&row.by_name)
    .execute(&mut *db)
    .await?;
    let kept_in_step = match PollenEventKind::from_word(&row.kind) {
        Some(PollenEventKind::Dried) => {
            "update pollen_lot set dried_on = $2 where programme_id = current_programme() and id = $1"
        }
        Some(PollenEventKind::Discarded) => {
            "update pollen_lot set discarded_on = $2 where programme_id = current_programme() and id = $1"
        }
        _ => return Ok(()),
    };
    sqlx::query(kept_in_step)
        .bind(row.pollen_lot_id)
        .bind(row.on_day)
        .execute(db)
        .await
        .map(drop)
}
