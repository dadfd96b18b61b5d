//! Apps that show codes, and recovery codes.

use platform::database::Instant;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

/// Whose second factors.
#[derive(Debug, Clone, Copy)]
pub struct Owner {
    /// The programme.
    pub programme: ProgrammeId,
    /// The person.
    pub person: PersonId,
}

/// An app that shows codes.
#[derive(FromRow)]
pub struct CodeApp {
    /// Its id.
    pub id: Uuid,
    /// What it makes codes from.
    pub secret: Vec<u8>,
    /// When a code from it was confirmed.
    pub confirmed_at: Option<Instant>,
    /// The time step of the last code that was taken.
    pub last_step: i64,
}

/// The app in use, or the newest that waits to be confirmed; locked, so that of two who come with
/// the same code one comes later.
///
/// # Errors
/// When the database refuses.
pub async fn app(
    connection: &mut PgConnection,
    owner: Owner,
    confirmed: bool,
) -> Result<Option<CodeApp>, Fault> {
    Ok(sqlx::query_as(
        "select id, secret, confirmed_at, last_step from code_app \
         where programme_id = $1 and person_id = $2 and ended_at is null \
           and (confirmed_at is not null) = $3 order by begun_at desc, id desc limit 1 for update",
    )
    .bind(owner.programme)
    .bind(owner.person)
    .bind(confirmed)
    .fetch_optional(connection)
    .await?)
}

/// When the app in use was confirmed; none when none is.
///
/// # Errors
/// When the database refuses.
pub async fn app_since(
    connection: &mut PgConnection,
    owner: Owner,
) -> Result<Option<Instant>, Fault> {
    Ok(sqlx::query_scalar(
        "select confirmed_at from code_app where programme_id = $1 and person_id = $2 \
           and ended_at is null and confirmed_at is not null",
    )
    .bind(owner.programme)
    .bind(owner.person)
    .fetch_optional(connection)
    .await?)
}

/// Keeps an app that waits to be confirmed.
///
/// # Errors
/// When the database refuses.
pub async fn begin_app(
    connection: &mut PgConnection,
    owner: Owner,
    id: Uuid,
    secret: &[u8],
    at: Instant,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into code_app (programme_id, id, person_id, secret, begun_at) \
         values ($1, $2, $3, $4, $5)",
    )
    .bind(owner.programme)
    .bind(id)
    .bind(owner.person)
    .bind(secret)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(())
}

/// Notes that a code of an app was taken; the first confirms the app.
///
/// # Errors
/// When the database refuses.
pub async fn code_taken(
    connection: &mut PgConnection,
    owner: Owner,
    app: Uuid,
    step: i64,
    at: Instant,
) -> Result<(), Fault> {
    sqlx::query(
        "update code_app set last_step = $3, confirmed_at = coalesce(confirmed_at, $4) \
         where programme_id = $1 and id = $2",
    )
    .bind(owner.programme)
    .bind(app)
    .bind(step)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(())
}

/// Ends every app and recovery code of a person.
///
/// # Errors
/// When the database refuses.
pub async fn end_all(
    connection: &mut PgConnection,
    owner: Owner,
    at: Instant,
) -> Result<(), Fault> {
    for statement in [
        "update code_app set ended_at = $3 \
         where programme_id = $1 and person_id = $2 and ended_at is null",
        "update recovery_code set ended_at = $3 \
         where programme_id = $1 and person_id = $2 and ended_at is null",
    ] {
        sqlx::query(statement)
            .bind(owner.programme)
            .bind(owner.person)
            .bind(at)
            .execute(&mut *connection)
            .await?;
    }
    Ok(())
}

/// Keeps the digests of new recovery codes.
///
/// # Errors
/// When the database refuses.
pub async fn keep_recovery_codes(
    connection: &mut PgConnection,
    owner: Owner,
    digests: &[Vec<u8>],
    at: Instant,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into recovery_code (programme_id, person_id, code_digest, made_at) \
         select $1, $2, digest, $4 from unnest($3::bytea[]) as digest",
    )
    .bind(owner.programme)
    .bind(owner.person)
    .bind(digests)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(())
}

/// How many recovery codes are left.
///
/// # Errors
/// When the database refuses.
pub async fn recovery_codes_left(
    connection: &mut PgConnection,
    owner: Owner,
) -> Result<i64, Fault> {
    Ok(sqlx::query_scalar(
        "select count(*) from recovery_code \
         where programme_id = $1 and person_id = $2 and used_at is null and ended_at is null",
    )
    .bind(owner.programme)
    .bind(owner.person)
    .fetch_one(connection)
    .await?)
}

/// Uses a recovery code up; false when there is none such left.
///
/// # Errors
/// When the database refuses.
pub async fn take_recovery_code(
    connection: &mut PgConnection,
    owner: Owner,
    digest: &[u8],
    at: Instant,
) -> Result<bool, Fault> {
    let taken = sqlx::query(
        "update recovery_code set used_at = $4 where programme_id = $1 and person_id = $2 \
           and code_digest = $3 and used_at is null and ended_at is null",
    )
    .bind(owner.programme)
    .bind(owner.person)
    .bind(digest)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(taken.rows_affected() == 1)
}
