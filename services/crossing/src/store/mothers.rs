//! Mothers and what was done to them.

use std::collections::HashMap;

use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::ProgrammeId;
use platform::database::Day;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::ledger::days_between;
use crate::domain::passes::MotherOnDay;
use crate::domain::{MotherEventId, MotherId, PlantId};

/// A mother with her variety.
#[derive(Debug, Clone, FromRow)]
pub struct MotherRow {
    pub id: MotherId,
    pub number: i32,
    pub germplasm_id: PlantId,
    pub name: String,
    pub species: String,
    pub s_alleles: Vec<String>,
    pub clone_of_id: Option<PlantId>,
    pub house: String,
    pub row_n: i32,
    pub position_n: i32,
    pub container_l: Option<f64>,
    pub note: String,
    pub stands_from: Day,
    pub died_on: Option<Day>,
    pub last_pass_on: Option<Day>,
}

/// Something done to or seen on a mother.
#[derive(Debug, Clone, FromRow)]
pub struct MotherEventRow {
    pub id: MotherEventId,
    pub mother_id: MotherId,
    pub kind: String,
    pub on_day: Day,
    pub flowers_n: Option<i32>,
    pub note: String,
    pub house: String,
    pub row_n: i32,
    pub position_n: i32,
    pub by_name: String,
}

macro_rules! select_mother {
    ($tail:literal) => {
        concat!(
            "select m.id, m.number, m.germplasm_id, g.name, g.species, g.s_alleles, g.clone_of_id, \
             m.house, m.row_n, m.position_n, m.container_l, m.note, m.stands_from, m.died_on, \
             (select max(on_day) from pass p where p.programme_id = m.programme_id \
                 and p.mother_id = m.id) as last_pass_on \
             from mother m \
             join germplasm g on g.programme_id = m.programme_id and g.id = m.germplasm_id \
             where m.programme_id = current_programme() ",
            $tail
        )
    };
}

/// One mother.
pub async fn find(db: &mut Db, id: MotherId) -> Result<Option<MotherRow>, sqlx::Error> {
    sqlx::query_as(select_mother!("and m.id = $1"))
        .bind(id)
        .fetch_optional(db)
        .await
}

/// Several mothers.
pub async fn find_all(db: &mut Db, ids: &[MotherId]) -> Result<Vec<MotherRow>, sqlx::Error> {
    sqlx::query_as(select_mother!(
        "and m.id = any($1) order by m.house, m.row_n, m.position_n, m.number"
    ))
    .bind(ids)
    .fetch_all(db)
    .await
}

/// Every mother that stands on a day, in walking order.
pub async fn standing(db: &mut Db, day: Day) -> Result<Vec<MotherRow>, sqlx::Error> {
    sqlx::query_as(select_mother!(
        "and m.stands_from <= $1 and (m.died_on is null or m.died_on > $1) \
         order by m.house, m.row_n, m.position_n, m.number"
    ))
    .bind(day)
    .fetch_all(db)
    .await
}

/// What a list of mothers is narrowed to.
pub struct Filter<'a> {
    pub plant: Option<PlantId>,
    pub house: &'a str,
    pub living: bool,
}

/// Mothers in walking order from after a place, which is `house\u{1}row\u{1}position\u{1}number`.
pub async fn list(
    db: &mut Db,
    filter: Filter<'_>,
    after: Option<(String, i32, i32, i32)>,
    limit: i64,
) -> Result<Vec<MotherRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(select_mother!(""));
    if let Some(plant) = filter.plant {
        query.push(" and m.germplasm_id = ").push_bind(plant);
    }
    if !filter.house.is_empty() {
        query
            .push(" and m.house = ")
            .push_bind(filter.house.to_owned());
    }
    if filter.living {
        query.push(" and m.died_on is null");
    }
    if let Some((house, row, position, number)) = after {
        query
            .push(" and (m.house, m.row_n, m.position_n, m.number) > (")
            .push_bind(house);
        query.push(", ").push_bind(row);
        query.push(", ").push_bind(position);
        query.push(", ").push_bind(number).push(")");
    }
    query
        .push(" order by m.house, m.row_n, m.position_n, m.number limit ")
        .push_bind(limit);
    query.build_query_as().fetch_all(db).await
}

/// What was done to mothers, by day.
pub async fn events(
    db: &mut Db,
    mothers: &[MotherId],
) -> Result<HashMap<MotherId, Vec<MotherEventRow>>, sqlx::Error> {
    let rows: Vec<MotherEventRow> = sqlx::query_as(
        "select id, mother_id, kind, on_day, flowers_n, note, house, row_n, position_n, by_name \
         from mother_event where programme_id = current_programme() and mother_id = any($1) \
         order by mother_id, on_day, id",
    )
    .bind(mothers)
    .fetch_all(db)
    .await?;
    let mut by_mother: HashMap<MotherId, Vec<MotherEventRow>> = HashMap::new();
    for row in rows {
        by_mother.entry(row.mother_id).or_default().push(row);
    }
    Ok(by_mother)
}

/// Whether a cover was on at the end of a day.
pub fn covered_on(events: &[MotherEventRow], day: Date) -> bool {
    events
        .iter()
        .rfind(|event| {
            event.on_day.0 <= day && matches!(event.kind.as_str(), "covered" | "uncovered")
        })
        .is_some_and(|event| event.kind == "covered")
}

/// Writes a mother.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    row: &MotherRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into mother (programme_id, id, number, germplasm_id, house, row_n, position_n, \
         container_l, note, stands_from) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.number)
    .bind(row.germplasm_id)
    .bind(&row.house)
    .bind(row.row_n)
    .bind(row.position_n)
    .bind(row.container_l)
    .bind(&row.note)
    .bind(row.stands_from)
    .execute(db)
    .await
    .map(drop)
}

/// Writes something done to or seen on a mother.
pub async fn insert_event(
    db: &mut Db,
    programme: ProgrammeId,
    row: &MotherEventRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into mother_event (programme_id, id, mother_id, kind, on_day, flowers_n, note, \
         house, row_n, position_n, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.mother_id)
    .bind(&row.kind)
    .bind(row.on_day)
    .bind(row.flowers_n)
    .bind(&row.note)
    .bind(&row.house)
    .bind(row.row_n)
    .bind(row.position_n)
    .bind(&row.by_name)
    .execute(db)
    .await
    .map(drop)
}

/// Moves a mother.
pub async fn set_place(
    db: &mut Db,
    id: MotherId,
    house: &str,
    row: i32,
    position: i32,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update mother set house = $2, row_n = $3, position_n = $4 \
         where programme_id = current_programme() and id = $1",
    )
    .bind(id)
    .bind(house)
    .bind(row)
    .bind(position)
    .execute(db)
    .await
    .map(drop)
}

/// Notes that a mother died.
pub async fn set_died(db: &mut Db, id: MotherId, on: Day) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update mother set died_on = $2 where programme_id = current_programme() and id = $1",
    )
    .bind(id)
    .bind(on)
    .execute(db)
    .await
    .map(drop)
}

/// The mother as she stood on a day, with strays that earlier passes of the season left on her.
pub async fn on_day(
    db: &mut Db,
    id: MotherId,
    day: Date,
    season_from: Date,
) -> Result<MotherOnDay, sqlx::Error> {
    let events = events(db, &[id]).await?.remove(&id).unwrap_or_default();
    let stripped: Vec<Date> = events
        .iter()
        .filter(|event| event.kind == "stripped" && event.on_day.0 <= day)
        .map(|event| event.on_day.0)
        .collect();
    let since = stripped
        .iter()
        .max()
        .copied()
        .unwrap_or(season_from)
        .max(season_from);
    let strays: i64 = sqlx::query_scalar(
        "select coalesce(sum(stray_n - stray_stripped_n), 0) from pass \
         where programme_id = current_programme() and mother_id = $1 and on_day < $2 and on_day >= $3",
    )
    .bind(id)
    .bind(Day(day))
    // Strays of the day of stripping itself were there to be stripped.
    .bind(Day(if stripped.is_empty() { since } else { since.checked_add(1.day()).unwrap_or(since) }))
    .fetch_one(db)
    .await?;
    Ok(MotherOnDay {
        covered: covered_on(&events, day),
        insects_seen: events.iter().any(|event| {
            event.kind == "insects_seen" && (0..=7).contains(&days_between(event.on_day.0, day))
        }),
        strays_before_n: strays,
    })
}

/// Crosses that were worked on a mother or that she stands for.
pub async fn crosses_of(
    db: &mut Db,
    id: MotherId,
) -> Result<Vec<crate::domain::CrossId>, sqlx::Error> {
    sqlx::query_scalar(
        "select cross_id from pass where programme_id = current_programme() and mother_id = $1 \
         union select cross_id from cross_mother \
         where programme_id = current_programme() and mother_id = $1",
    )
    .bind(id)
    .fetch_all(db)
    .await
}
