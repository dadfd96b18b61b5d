//! Groups of countries that a programme has defined.

use platform::ProgrammeId;
use platform::database::Instant;
use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use crate::domain::groups::Member;

/// A group as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct GroupRow {
    /// Its code.
    pub code: String,
    /// Its name.
    pub name: String,
    /// Where its members are told.
    pub source: String,
    /// Its members.
    pub members: Json<Vec<Member>>,
    /// Version for concurrent edits.
    pub version: i64,
    /// Who defined or last changed it.
    pub defined_by: String,
}

/// Every group of the programme's own.
pub async fn all(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<GroupRow>, sqlx::Error> {
    sqlx::query_as(
        "select code, name, source, members, version, defined_by from territory_group \
         where programme_id = $1 order by code",
    )
    .bind(programme)
    .fetch_all(connection)
    .await
}

/// Writes a new group; false when its code is taken.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &GroupRow,
    at: Instant,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "insert into territory_group (programme_id, code, name, source, members, version, \
         defined_by, at) values ($1, $2, $3, $4, $5, 1, $6, $7) on conflict do nothing",
    )
    .bind(programme)
    .bind(&row.code)
    .bind(&row.name)
    .bind(&row.source)
    .bind(&row.members)
    .bind(&row.defined_by)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Writes a group over that of its version; false when the version was another.
pub async fn update(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &GroupRow,
    at: Instant,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update territory_group set name = $4, source = $5, members = $6, defined_by = $7, \
         at = $8, version = version + 1 where programme_id = $1 and code = $2 and version = $3",
    )
    .bind(programme)
    .bind(&row.code)
    .bind(row.version)
    .bind(&row.name)
    .bind(&row.source)
    .bind(&row.members)
    .bind(&row.defined_by)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}
