//! Links to set a new password.

use platform::database::Instant;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use crate::domain::RecoveryLinkId;

/// A link that was just made.
pub struct NewLink {
    /// The link.
    pub id: RecoveryLinkId,
    /// The programme.
    pub programme: ProgrammeId,
    /// Whose password it sets.
    pub person: PersonId,
    /// SHA-256 of what it holds.
    pub digest: Vec<u8>,
    /// When it was made.
    pub made_at: Instant,
    /// By whom.
    pub made_by: String,
    /// Whether the person's second factors go with the old password.
    pub ends_second_factors: bool,
    /// When it ends.
    pub ends_at: Instant,
}

/// Keeps a link; those made for the person before it end.
///
/// # Errors
/// When the database refuses.
pub async fn insert(connection: &mut PgConnection, link: &NewLink) -> Result<(), Fault> {
    sqlx::query(
        "update recovery_link set ends_at = least(ends_at, $3) \
         where programme_id = $1 and person_id = $2 and used_at is null",
    )
    .bind(link.programme)
    .bind(link.person)
    .bind(link.made_at)
    .execute(&mut *connection)
    .await?;
    sqlx::query(
        "insert into recovery_link (programme_id, id, person_id, token_digest, made_at, made_by, \
         ends_second_factors, ends_at) values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(link.programme)
    .bind(link.id)
    .bind(link.person)
    .bind(&link.digest)
    .bind(link.made_at)
    .bind(&link.made_by)
    .bind(link.ends_second_factors)
    .bind(link.ends_at)
    .execute(connection)
    .await?;
    Ok(())
}

/// A link that holds.
#[derive(Debug, FromRow)]
pub struct LinkRow {
    /// The programme.
    pub programme_id: ProgrammeId,
    /// Whose password it sets.
    pub person_id: PersonId,
    /// Whether the person's second factors go with the old password.
    pub ends_second_factors: bool,
}

/// The link of a digest, when it was not used and has not ended.
///
/// # Errors
/// When the database refuses.
pub async fn standing(
    connection: &mut PgConnection,
    digest: &[u8],
    now: Instant,
) -> Result<Option<LinkRow>, Fault> {
    Ok(sqlx::query_as(
        "select programme_id, person_id, ends_second_factors from recovery_link \
         where token_digest = $1 and used_at is null and ends_at > $2",
    )
    .bind(digest)
    .bind(now)
    .fetch_optional(connection)
    .await?)
}

/// Uses a link up; false when it was used or has ended.
///
/// # Errors
/// When the database refuses.
pub async fn take(
    connection: &mut PgConnection,
    digest: &[u8],
    now: Instant,
) -> Result<bool, Fault> {
    let taken = sqlx::query(
        "update recovery_link set used_at = $2 \
         where token_digest = $1 and used_at is null and ends_at > $2",
    )
    .bind(digest)
    .bind(now)
    .execute(connection)
    .await?;
    Ok(taken.rows_affected() == 1)
}
