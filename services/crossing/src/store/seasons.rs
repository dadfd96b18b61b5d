//! Seasons and notes of bloom.

use jiff::civil::Date;
use platform::ProgrammeId;
use platform::database::Day;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::windows::Note;
use crate::domain::{BloomRecordId, PlantId, SeasonId};

/// A season.
#[derive(Debug, Clone, FromRow)]
pub struct SeasonRow {
    pub id: SeasonId,
    pub year: i32,
    pub site: String,
    pub time_zone: String,
    pub opens_on: Day,
    pub closes_on: Day,
}

impl SeasonRow {
    /// The day it is at its site.
    pub fn today(&self, now: jiff::Timestamp) -> Date {
        now.in_tz(&self.time_zone)
            .map_or_else(|_| latest_day(now), |zoned| zoned.date())
    }
}

/// The latest day it is anywhere.
pub fn latest_day(now: jiff::Timestamp) -> Date {
    let east = jiff::tz::TimeZone::fixed(jiff::tz::offset(14));
    now.to_zoned_datetime(east).date()
}

/// One season.
pub async fn find(db: &mut Db, year: i32) -> Result<Option<SeasonRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, year, site, time_zone, opens_on, closes_on from season \
         where programme_id = current_programme() and year = $1",
    )
    .bind(year)
    .fetch_optional(db)
    .await
}

/// Every season, the latest first.
pub async fn all(db: &mut Db) -> Result<Vec<SeasonRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, year, site, time_zone, opens_on, closes_on from season \
         where programme_id = current_programme() order by year desc",
    )
    .fetch_all(db)
    .await
}

/// Writes a season and makes room for its seedlings.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    season: &SeasonRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into season (programme_id, year, id, site, time_zone, opens_on, closes_on) \
         values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(season.year)
    .bind(season.id)
    .bind(&season.site)
    .bind(&season.time_zone)
    .bind(season.opens_on)
    .bind(season.closes_on)
    .execute(&mut *db)
    .await?;
    sqlx::query("select make_year_partition('seedling', $1)")
        .bind(season.year)
        .execute(db)
        .await
        .map(drop)
}

/// A note of bloom.
#[derive(Debug, Clone, FromRow)]
pub struct BloomRow {
    pub id: BloomRecordId,
    pub germplasm_id: PlantId,
    pub name: String,
    pub on_day: Day,
    pub stage: i16,
    pub site: String,
    pub percent_open: Option<f64>,
    pub by_name: String,
    pub note: String,
}

/// Writes a note of bloom.
pub async fn insert_bloom(
    db: &mut Db,
    programme: ProgrammeId,
    row: &BloomRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into bloom_record (programme_id, id, germplasm_id, on_day, stage, site, \
         percent_open, by_name, note) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.germplasm_id)
    .bind(row.on_day)
    .bind(row.stage)
    .bind(&row.site)
    .bind(row.percent_open)
    .bind(&row.by_name)
    .bind(&row.note)
    .execute(db)
    .await
    .map(drop)
}

/// Notes of bloom by id, which is by time of recording.
pub async fn list_bloom(
    db: &mut Db,
    germplasm: Option<PlantId>,
    year: Option<i32>,
    after: Option<BloomRecordId>,
    limit: i64,
) -> Result<Vec<BloomRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(
        "select b.id, b.germplasm_id, g.name, b.on_day, b.stage, b.site, b.percent_open, b.by_name, \
         b.note from bloom_record b \
         join germplasm g on g.programme_id = b.programme_id and g.id = b.germplasm_id \
         where b.programme_id = current_programme()",
    );
    if let Some(germplasm) = germplasm {
        query.push(" and b.germplasm_id = ").push_bind(germplasm);
    }
    if let Some(year) = year {
        query
            .push(" and extract(year from b.on_day)::int = ")
            .push_bind(year);
    }
    if let Some(after) = after {
        query.push(" and b.id > ").push_bind(after);
    }
    query.push(" order by b.id limit ").push_bind(limit);
    query.build_query_as().fetch_all(db).await
}

/// Every note of bloom of some plants, by plant and day.
pub async fn bloom_notes(
    db: &mut Db,
    plants: &[PlantId],
) -> Result<std::collections::HashMap<PlantId, Vec<Note>>, sqlx::Error> {
    let rows: Vec<(PlantId, Day, i16)> = sqlx::query_as(
        "select germplasm_id, on_day, stage from bloom_record \
         where programme_id = current_programme() and germplasm_id = any($1) \
         order by germplasm_id, on_day, stage",
    )
    .bind(plants)
    .fetch_all(db)
    .await?;
    let mut notes: std::collections::HashMap<PlantId, Vec<Note>> = std::collections::HashMap::new();
    for (plant, on, stage) in rows {
        notes.entry(plant).or_default().push(Note {
            on: on.0,
            stage: u8::try_from(stage).unwrap_or_default(),
        });
    }
    Ok(notes)
}
