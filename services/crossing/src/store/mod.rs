//! The SQL of this service; row structs are turned into the domain's types here or in the use
//! case that reads them. Every statement names the programme, and row-level security holds it to it.

pub mod corrections;
pub mod crosses;
pub mod germplasm;
pub mod holds;
pub mod mothers;
pub mod pollen;
pub mod raising;
pub mod relatives;
pub mod seasons;
pub mod seed;
pub mod weather;

use platform::database::Day;
use platform::{Fault, Unit};
use sqlx::PgConnection;

/// A date as text, empty for none.
pub fn text_of(day: Option<Day>) -> String {
    day.map(|day| day.0.to_string()).unwrap_or_default()
}

/// A count as it is told; what is stored is never negative.
pub fn count(value: i64) -> u32 {
    u32::try_from(value).unwrap_or(0)
}

/// An id as text, empty for none.
pub fn id_text<T>(id: Option<platform::ids::Id<T>>) -> String {
    id.map(|id| id.to_string()).unwrap_or_default()
}

/// The next number of a kind, or the given one, which must not have been given before.
///
/// # Errors
/// When the database refuses.
pub async fn next_number(unit: &mut Unit, kind: &'static str, season: i32) -> Result<i32, Fault> {
    let programme = unit.programme()?;
    Ok(sqlx::query_scalar(
        "insert into counter (programme_id, kind, season, last) values ($1, $2, $3, 1) \
         on conflict (programme_id, kind, season) do update set last = counter.last + 1 \
         returning last",
    )
    .bind(programme)
    .bind(kind)
    .bind(season)
    .fetch_one(unit.connection())
    .await?)
}

/// Takes a number that was given elsewhere out of those to come.
///
/// # Errors
/// When the database refuses.
pub async fn reserve_number(
    unit: &mut Unit,
    kind: &'static str,
    season: i32,
    number: i32,
) -> Result<(), Fault> {
    let programme = unit.programme()?;
    sqlx::query(
        "insert into counter (programme_id, kind, season, last) values ($1, $2, $3, $4) \
         on conflict (programme_id, kind, season) do update set last = greatest(counter.last, $4)",
    )
    .bind(programme)
    .bind(kind)
    .bind(season)
    .bind(number)
    .execute(unit.connection())
    .await?;
    Ok(())
}

/// A short name for what every statement runs on.
pub type Db = PgConnection;
