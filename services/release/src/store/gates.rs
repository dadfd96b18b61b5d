//! Gates that a programme has set.

use platform::ProgrammeId;
use platform::database::Instant;
use sqlx::{FromRow, PgConnection};

/// A gate as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct GateRow {
    /// Word of the stage.
    pub stage: String,
    /// Words of what it asks for.
    pub needs: Vec<String>,
    /// Words of the roles that may decide.
    pub deciders: Vec<String>,
    /// Version for concurrent edits.
    pub version: i64,
    /// Who set it.
    pub set_by: String,
}

/// Every gate that the programme has set.
pub async fn all(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<GateRow>, sqlx::Error> {
    sqlx::query_as(
        "select stage, needs, deciders, version, set_by from stage_gate where programme_id = $1",
    )
    .bind(programme)
    .fetch_all(connection)
    .await
}

/// Writes a gate over that of an expected version; the gate as it came has version 1. Gives the new
/// version, or none when the version was another.
pub async fn set(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &GateRow,
    at: Instant,
) -> Result<Option<i64>, sqlx::Error> {
    sqlx::query_scalar(
        "insert into stage_gate (programme_id, stage, needs, deciders, version, set_by, at) \
         select $1, $2, $3, $4, 2, $6, $7 \
         where $5 = 1 or exists (select from stage_gate where programme_id = $1 and stage = $2) \
         on conflict (programme_id, stage) do update set needs = excluded.needs, \
           deciders = excluded.deciders, version = stage_gate.version + 1, \
           set_by = excluded.set_by, at = excluded.at \
         where stage_gate.version = $5 returning version",
    )
    .bind(programme)
    .bind(&row.stage)
    .bind(&row.needs)
    .bind(&row.deciders)
    .bind(row.version)
    .bind(&row.set_by)
    .bind(at)
    .fetch_optional(connection)
    .await
}
