//! Pollinizer trials and their counts.

use std::collections::HashMap;

use platform::ProgrammeId;
use platform::database::Day;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::pollinizers::{BranchCount, PollinizerCountId, PollinizerTrialId};
use crate::domain::{MotherId, PlantId};

/// A trial.
#[derive(Debug, Clone, FromRow)]
pub struct TrialRow {
    pub id: PollinizerTrialId,
    pub season: i32,
    pub germplasm_id: PlantId,
    pub name: String,
    pub mother_id: Option<MotherId>,
    pub isolation: String,
    pub site: String,
    pub note: String,
    /// In the order in which they were named.
    pub pollen_ids: Vec<PlantId>,
}

const SELECT_TRIAL: &str = "select t.id, t.season, t.germplasm_id, g.name, t.mother_id, t.isolation, t.site, t.note, \
     array(select p.germplasm_id from pollinizer_pollen p \
         where p.programme_id = t.programme_id and p.trial_id = t.id order by p.place) as pollen_ids \
     from pollinizer_trial t \
     join germplasm g on g.programme_id = t.programme_id and g.id = t.germplasm_id \
     where t.programme_id = current_programme()";

/// One trial.
pub async fn find(db: &mut Db, id: PollinizerTrialId) -> Result<Option<TrialRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(SELECT_TRIAL);
    query.push(" and t.id = ").push_bind(id);
    query.build_query_as().fetch_optional(db).await
}

/// Holds a trial against other writers of its counts.
pub async fn hold(db: &mut Db, id: PollinizerTrialId) -> Result<bool, sqlx::Error> {
    let held: Option<i32> = sqlx::query_scalar(
        "select season from pollinizer_trial \
         where programme_id = current_programme() and id = $1 for update",
    )
    .bind(id)
    .fetch_optional(db)
    .await?;
    Ok(held.is_some())
}

/// Trials by id, which is by time of opening.
pub async fn list(
    db: &mut Db,
    season: Option<i32>,
    plant: Option<PlantId>,
    after: Option<PollinizerTrialId>,
    limit: i64,
) -> Result<Vec<TrialRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(SELECT_TRIAL);
    if let Some(season) = season {
        query.push(" and t.season = ").push_bind(season);
    }
    if let Some(plant) = plant {
        query.push(" and t.germplasm_id = ").push_bind(plant);
    }
    if let Some(after) = after {
        query.push(" and t.id > ").push_bind(after);
    }
    query.push(" order by t.id limit ").push_bind(limit);
    query.build_query_as().fetch_all(db).await
}

/// Writes a trial with its pollens.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    trial: &TrialRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into pollinizer_trial (programme_id, id, season, germplasm_id, mother_id, \
         isolation, site, note) values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(programme)
    .bind(trial.id)
    .bind(trial.season)
    .bind(trial.germplasm_id)
    .bind(trial.mother_id)
    .bind(&trial.isolation)
    .bind(&trial.site)
    .bind(&trial.note)
    .execute(&mut *db)
    .await?;
    sqlx::query(
        "insert into pollinizer_pollen (programme_id, trial_id, germplasm_id, place) \
         select $1, $2, u.id, u.place from unnest($3::uuid[]) with ordinality as u (id, place)",
    )
    .bind(programme)
    .bind(trial.id)
    .bind(&trial.pollen_ids)
    .execute(db)
    .await
    .map(drop)
}

/// A count as it was recorded.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct CountRow {
    pub id: PollinizerCountId,
    pub trial_id: PollinizerTrialId,
    pub germplasm_id: PlantId,
    pub branch: String,
    pub on_day: Day,
    pub flowers_n: i32,
    pub set_n: Option<i32>,
    pub reason: String,
    pub by_name: String,
}

impl CountRow {
    /// What it says of its branch.
    pub fn count(&self) -> BranchCount {
        let number = |n: i32| u32::try_from(n).unwrap_or(0);
        BranchCount {
            pollen: self.germplasm_id,
            branch: self.branch.clone(),
            on: self.on_day.0,
            flowers_n: number(self.flowers_n),
            set_n: self.set_n.map(number),
        }
    }
}

/// Counts of some trials, by day and order of recording.
pub async fn counts(
    db: &mut Db,
    trials: &[PollinizerTrialId],
) -> Result<HashMap<PollinizerTrialId, Vec<CountRow>>, sqlx::Error> {
    let rows: Vec<CountRow> = sqlx::query_as(
        "select id, trial_id, germplasm_id, branch, on_day, flowers_n, set_n, reason, by_name \
         from pollinizer_count \
         where programme_id = current_programme() and trial_id = any($1) \
         order by trial_id, on_day, entry",
    )
    .bind(trials)
    .fetch_all(db)
    .await?;
    let mut by_trial: HashMap<PollinizerTrialId, Vec<CountRow>> = HashMap::new();
    for row in rows {
        by_trial.entry(row.trial_id).or_default().push(row);
    }
    Ok(by_trial)
}

/// Counts by their ids, of whatever trial.
pub async fn known(db: &mut Db, ids: &[PollinizerCountId]) -> Result<Vec<CountRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, trial_id, germplasm_id, branch, on_day, flowers_n, set_n, reason, by_name \
         from pollinizer_count where programme_id = current_programme() and id = any($1)",
    )
    .bind(ids)
    .fetch_all(db)
    .await
}

/// Adds counts, in order.
pub async fn add(
    db: &mut Db,
    programme: ProgrammeId,
    rows: &[CountRow],
) -> Result<(), sqlx::Error> {
    for row in rows {
        sqlx::query(
            "insert into pollinizer_count (programme_id, id, trial_id, germplasm_id, branch, \
             on_day, flowers_n, set_n, reason, by_name) \
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        )
        .bind(programme)
        .bind(row.id)
        .bind(row.trial_id)
        .bind(row.germplasm_id)
        .bind(&row.branch)
        .bind(row.on_day)
        .bind(row.flowers_n)
        .bind(row.set_n)
        .bind(&row.reason)
        .bind(&row.by_name)
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}
