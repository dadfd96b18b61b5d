//! Counts of trees and budwood at places.

use platform::ProgrammeId;
use platform::database::{Day, Instant};
use sqlx::{FromRow, PgConnection};

use crate::domain::{CandidateId, MaterialId};

/// A count as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct MaterialRow {
    /// Its id.
    pub id: MaterialId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Where.
    pub place: String,
    /// In which country.
    pub country: String,
    /// Word of what was counted.
    pub what: String,
    /// How many.
    pub n: i32,
    /// When.
    pub on_day: Day,
    /// What was noted.
    pub note: String,
    /// Who counted.
    pub counted_by: String,
}

/// Writes a count.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &MaterialRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into material_count (programme_id, id, candidate_id, place, country, what, n, \
         on_day, note, counted_by, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.place)
    .bind(&row.country)
    .bind(&row.what)
    .bind(row.n)
    .bind(row.on_day)
    .bind(&row.note)
    .bind(&row.counted_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// The latest count of each place, of a candidate.
pub async fn latest(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidate: CandidateId,
) -> Result<Vec<MaterialRow>, sqlx::Error> {
    sqlx::query_as(
        "select distinct on (country, place, what) id, candidate_id, place, country, what, n, \
           on_day, note, counted_by \
         from material_count where programme_id = $1 and candidate_id = $2 \
         order by country, place, what, on_day desc, id desc",
    )
    .bind(programme)
    .bind(candidate)
    .fetch_all(connection)
    .await
}
