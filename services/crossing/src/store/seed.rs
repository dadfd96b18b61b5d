//! Steps of seed.

use std::collections::BTreeMap;

use platform::ProgrammeId;
use platform::database::Day;
use platform::fields::Words as _;
use sqlx::FromRow;

use super::Db;
use crate::domain::seed::{Balance, SeedStep, Stage};
use crate::domain::{CrossId, SeedEntryId};

/// A step of seed.
#[derive(Debug, Clone, FromRow)]
pub struct SeedRow {
    pub id: SeedEntryId,
    pub cross_id: CrossId,
    pub on_day: Day,
    pub step: String,
    pub from_step: String,
    pub source_id: Option<SeedEntryId>,
    pub batch_n: Option<i32>,
    pub seed_n: i32,
    pub found_n: i32,
    pub stones_n: Option<i32>,
    pub cause: String,
    pub medium: String,
    pub temperature_c: Option<f64>,
    pub note: String,
    pub reason: String,
    pub by_name: String,
    pub supersedes: Option<SeedEntryId>,
    pub superseded_by: Option<SeedEntryId>,
    pub correction: String,
    pub withdrawn: bool,
}

impl SeedRow {
    /// Whether it counts.
    pub fn stands(&self) -> bool {
        self.superseded_by.is_none() && !self.withdrawn
    }
}

/// Steps of a cross's seed by day, superseded and withdrawn ones too.
pub async fn ever(db: &mut Db, cross: CrossId) -> Result<Vec<SeedRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, cross_id, on_day, step, from_step, source_id, batch_n, seed_n, found_n, \
         stones_n, cause, medium, temperature_c, note, reason, by_name, supersedes, superseded_by, \
         correction, withdrawn from seed_record \
         where programme_id = current_programme() and cross_id = $1 order by on_day, entered_at, id",
    )
    .bind(cross)
    .fetch_all(db)
    .await
}

/// A lot or batch of seed with its cross, for its label.
#[derive(Debug, Clone, FromRow)]
pub struct LotRow {
    pub season: i32,
    pub cross_number: i32,
    pub batch_n: i32,
    pub seed_parent_name: String,
    pub pollen_parent_name: Option<String>,
    pub step: String,
    pub on_day: Day,
    pub seed_n: i32,
}

/// Lots and batches that stand, in the order of their numbers.
pub async fn lots(db: &mut Db, ids: &[SeedEntryId]) -> Result<Vec<LotRow>, sqlx::Error> {
    sqlx::query_as(
        "select c.season, c.number as cross_number, s.batch_n, m.name as seed_parent_name, \
             f.name as pollen_parent_name, s.step, s.on_day, s.seed_n \
         from seed_record s \
         join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
         join germplasm m on m.programme_id = c.programme_id and m.id = c.seed_parent_id \
         left join germplasm f on f.programme_id = c.programme_id and f.id = c.pollen_parent_id \
         where s.programme_id = current_programme() and s.id = any($1) and s.batch_n is not null \
             and s.superseded_by is null and not s.withdrawn \
         order by c.season, c.number, s.batch_n",
    )
    .bind(ids)
    .fetch_all(db)
    .await
}

/// The cross that seed is of.
pub async fn cross_of(db: &mut Db, id: SeedEntryId) -> Result<Option<CrossId>, sqlx::Error> {
    sqlx::query_scalar(
        "select cross_id from seed_record where programme_id = current_programme() and id = $1",
    )
    .bind(id)
    .fetch_optional(db)
    .await
}

/// Writes a step of seed.
pub async fn insert(db: &mut Db, programme: ProgrammeId, row: &SeedRow) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into seed_record (programme_id, id, cross_id, on_day, step, from_step, source_id, \
         batch_n, seed_n, found_n, stones_n, cause, medium, temperature_c, note, reason, by_name, \
         supersedes, correction, withdrawn) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, \
         $12, $13, $14, $15, $16, $17, $18, $19, $20)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.cross_id)
    .bind(row.on_day)
    .bind(&row.step)
    .bind(&row.from_step)
    .bind(row.source_id)
    .bind(row.batch_n)
    .bind(row.seed_n)
    .bind(row.found_n)
    .bind(row.stones_n)
    .bind(&row.cause)
    .bind(&row.medium)
    .bind(row.temperature_c)
    .bind(&row.note)
    .bind(&row.reason)
    .bind(&row.by_name)
    .bind(row.supersedes)
    .bind(&row.correction)
    .bind(row.withdrawn)
    .execute(db)
    .await
    .map(drop)
}

/// Lets what came of a lot or batch come of the one that took its place.
pub async fn hand_on(db: &mut Db, old: SeedEntryId, new: SeedEntryId) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update seed_record set source_id = $2 \
         where programme_id = current_programme() and source_id = $1",
    )
    .bind(old)
    .bind(new)
    .execute(db)
    .await
    .map(drop)
}

/// A cross's seed by stage.
pub async fn balance(db: &mut Db, cross: CrossId) -> Result<Balance, sqlx::Error> {
    let rows: Vec<(String, i64, i64, i64, i64)> = sqlx::query_as(
        "select step, into_n, found_n, out_n, lost_n from seed_stage \
         where programme_id = current_programme() and cross_id = $1",
    )
    .bind(cross)
    .fetch_all(db)
    .await?;
    let stages: BTreeMap<SeedStep, Stage> = rows
        .into_iter()
        .filter_map(|(step, into_n, found_n, out_n, lost_n)| {
            let stage = Stage {
                into_n,
                found_n,
                out_n,
                lost_n,
            };
            Some((SeedStep::from_word(&step)?, stage))
        })
        .collect();
    Ok(Balance(stages))
}

/// Crosses with seed in the cold, of one crossing year or all.
pub async fn crosses_in_the_cold(
    db: &mut Db,
    season: Option<i32>,
) -> Result<Vec<CrossId>, sqlx::Error> {
    sqlx::query_scalar(
        "select s.cross_id from seed_stage s join planned_cross c \
             on c.programme_id = s.programme_id and c.id = s.cross_id \
         where s.programme_id = current_programme() and s.step = 'stratified' \
             and s.into_n + s.found_n > s.out_n and ($1::int is null or c.season = $1) \
         order by c.season, c.number",
    )
    .bind(season)
    .fetch_all(db)
    .await
}

/// Seedlings of a cross that were planted, and that live.
pub async fn seedlings(db: &mut Db, cross: CrossId) -> Result<(i64, i64), sqlx::Error> {
    sqlx::query_as(
        "select count(*), count(*) filter (where died_on is null) from seedling \
         where programme_id = current_programme() and cross_id = $1",
    )
    .bind(cross)
    .fetch_one(db)
    .await
}
