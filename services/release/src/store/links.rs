//! Seals, and the links under them.

use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::{PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use crate::domain::CalendarLinkId;
use crate::domain::seal::{Sealed, Use};

/// The tag of a text of the present scope's programme; `None` when it is not the scope's to seal.
pub async fn seal(
    connection: &mut PgConnection,
    purpose: Use,
    content: &[u8],
) -> Result<Option<Vec<u8>>, sqlx::Error> {
    sqlx::query_scalar("select seal($1, $2)")
        .bind(purpose.word())
        .bind(content)
        .fetch_one(connection)
        .await
}

/// Whether a sealed text is its programme's own.
pub async fn seal_holds(
    connection: &mut PgConnection,
    purpose: Use,
    sealed: &Sealed,
) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar("select seal_holds($1, $2, $3, $4)")
        .bind(sealed.programme)
        .bind(purpose.word())
        .bind(&sealed.content)
        .bind(&sealed.tag)
        .fetch_one(connection)
        .await
}

/// A calendar link as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct LinkRow {
    /// Its id.
    pub id: CalendarLinkId,
    /// Whose it is.
    pub person_id: PersonId,
    /// What it is for.
    pub name: String,
    /// Only what this person answers for.
    pub responsible_id: Option<PersonId>,
    /// When it was made.
    pub created_at: Instant,
    /// Its last day.
    pub expires_on: Day,
    /// When it was revoked.
    pub revoked_at: Option<Instant>,
    /// By whom.
    pub revoked_by: String,
}

macro_rules! links {
    ($rest:literal) => {
        concat!(
            "select id, person_id, name, responsible_id, created_at, expires_on, revoked_at, \
             revoked_by from calendar_link where programme_id = $1 ",
            $rest
        )
    };
}

/// Writes a link.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &LinkRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into calendar_link (programme_id, id, person_id, name, responsible_id, created_at, \
         expires_on) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.person_id)
    .bind(&row.name)
    .bind(row.responsible_id)
    .bind(row.created_at)
    .bind(row.expires_on)
    .execute(connection)
    .await
    .map(drop)
}

/// One link.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: CalendarLinkId,
) -> Result<Option<LinkRow>, sqlx::Error> {
    sqlx::query_as(links!("and id = $2"))
        .bind(programme)
        .bind(id)
        .fetch_optional(connection)
        .await
}

/// A person's links, or everybody's, newest first.
pub async fn of_person(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    person: Option<PersonId>,
) -> Result<Vec<LinkRow>, sqlx::Error> {
    sqlx::query_as(links!(
        "and ($2::uuid is null or person_id = $2) order by id desc limit 1000"
    ))
    .bind(programme)
    .bind(person)
    .fetch_all(connection)
    .await
}

/// Revokes a link, of this person's when one is named; false when there is no such link.
pub async fn revoke(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    person: Option<PersonId>,
    id: CalendarLinkId,
    by: &str,
    at: Instant,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update calendar_link set \
         revoked_by = case when revoked_at is null then $5 else revoked_by end, \
         revoked_at = coalesce(revoked_at, $4) \
         where programme_id = $1 and id = $2 and ($3::uuid is null or person_id = $3)",
    )
    .bind(programme)
    .bind(id)
    .bind(person)
    .bind(at)
    .bind(by)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}
