//! The SQL of this service.

use jiff::Timestamp;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, OrganisationId, PersonId, ProgrammeId, Role};
use sqlx::postgres::{PgConnection, PgRow};
use sqlx::{FromRow, Row as _};
use uuid::Uuid;

use crate::domain::AccessKeyId;

/// A person as stored.
#[derive(Debug, Clone)]
pub struct PersonRow {
    /// The programme.
    pub programme_id: ProgrammeId,
    /// The person.
    pub id: PersonId,
    /// Login.
    pub login: String,
    /// Name.
    pub name: String,
    /// Hash of the password, in PHC form.
    pub password_hash: String,
    /// Roles.
    pub roles: Vec<Role>,
    /// The organisation a partner speaks for.
    pub organisation_id: Option<OrganisationId>,
    /// Whether the person may sign in.
    pub active: bool,
    /// Version for concurrent edits.
    pub version: i64,
    /// Whether this person keeps the partner's keys.
    pub keeps_keys: bool,
}

impl FromRow<'_, PgRow> for PersonRow {
    fn from_row(row: &PgRow) -> Result<Self, sqlx::Error> {
        let roles: Vec<String> = row.try_get("roles")?;
        Ok(Self {
            programme_id: row.try_get("programme_id")?,
            id: row.try_get("id")?,
            login: row.try_get("login")?,
            name: row.try_get("name")?,
            password_hash: row.try_get("password_hash")?,
            roles: roles
                .iter()
                .filter_map(|word| Role::from_word(word))
                .collect(),
            organisation_id: row.try_get("organisation_id")?,
            active: row.try_get("active")?,
            version: row.try_get("version")?,
            keeps_keys: row.try_get("keeps_keys")?,
        })
    }
}

/// The person of a login, whatever the programme.
///
/// # Errors
/// When the database refuses.
pub async fn person_by_login(
    connection: &mut PgConnection,
    login: &str,
) -> Result<Option<PersonRow>, Fault> {
    Ok(
        sqlx::query_as("select * from person where lower(login) = lower($1)")
            .bind(login)
            .fetch_optional(connection)
            .await?,
    )
}

/// A person by id.
///
/// # Errors
/// When the database refuses.
pub async fn person(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: PersonId,
) -> Result<Option<PersonRow>, Fault> {
    Ok(
        sqlx::query_as("select * from person where programme_id = $1 and id = $2")
            .bind(programme)
            .bind(id)
            .fetch_optional(connection)
            .await?,
    )
}

/// People in order of their ids, after one.
///
/// # Errors
/// When the database refuses.
pub async fn people(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<PersonRow>, Fault> {
    Ok(sqlx::query_as(
        "select * from person where programme_id = $1 and ($2::uuid is null or id > $2) order by id limit $3",
    )
    .bind(programme)
    .bind(after)
    .bind(limit)
    .fetch_all(connection)
    .await?)
}

/// Stores a new person.
///
/// # Errors
/// The violated constraint, for the caller to name; else when the database refuses.
pub async fn insert_person(
    connection: &mut PgConnection,
    person: &PersonRow,
    at: Timestamp,
) -> Result<(), sqlx::Error> {
    let roles: Vec<&str> = person.roles.iter().map(|role| role.word()).collect();
    sqlx::query(
        "insert into person (programme_id, id, login, name, password_hash, roles, organisation_id, registered_at, \
         keeps_keys) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(person.programme_id)
    .bind(person.id)
    .bind(&person.login)
    .bind(&person.name)
    .bind(&person.password_hash)
    .bind(roles)
    .bind(person.organisation_id)
    .bind(Instant(at))
    .bind(person.keeps_keys)
    .execute(connection)
    .await
    .map(drop)
}

/// Whether an organisation has nobody yet.
///
/// # Errors
/// When the database refuses.
pub async fn has_nobody(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    organisation: OrganisationId,
) -> Result<bool, Fault> {
    Ok(sqlx::query_scalar(
        "select not exists (select from person where programme_id = $1 and organisation_id = $2)",
    )
    .bind(programme)
    .bind(organisation)
    .fetch_one(connection)
    .await?)
}

/// A key of a device or system as stored.
#[derive(Debug, Clone, FromRow)]
pub struct AccessKeyRow {
    /// Its id.
    pub id: AccessKeyId,
    /// The partner whose it is.
    pub organisation_id: OrganisationId,
    /// The device or system.
    pub name: String,
    /// Word of its quota.
    pub quota: String,
    /// Its last day.
    pub expires_on: Day,
    /// When it was made.
    pub created_at: Instant,
    /// By whom.
    pub created_by: String,
    /// When it was last exchanged.
    pub last_used_at: Option<Instant>,
    /// When it was revoked.
    pub revoked_at: Option<Instant>,
    /// By whom.
    pub revoked_by: String,
    /// Words of what it may do.
    pub scopes: Vec<String>,
}

macro_rules! access_key_columns {
    () => {
        "id, organisation_id, name, quota, expires_on, created_at, created_by, last_used_at, \
         revoked_at, revoked_by, scopes"
    };
}

/// Stores a new key's digest.
///
/// # Errors
/// The violated constraint, for the caller to name; else when the database refuses.
pub async fn insert_access_key(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &AccessKeyRow,
    digest: &[u8],
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into access_key (programme_id, id, organisation_id, name, secret_digest, quota, \
         expires_on, created_at, created_by, scopes) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.organisation_id)
    .bind(&row.name)
    .bind(digest)
    .bind(&row.quota)
    .bind(row.expires_on)
    .bind(row.created_at)
    .bind(&row.created_by)
    .bind(&row.scopes)
    .execute(connection)
    .await
    .map(drop)
}

/// A page of keys.
///
/// # Errors
/// When the database refuses.
pub async fn access_keys(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    organisation: Option<OrganisationId>,
    page: &Page,
) -> Result<Vec<AccessKeyRow>, Fault> {
    Ok(sqlx::query_as(concat!(
        "select ",
        access_key_columns!(),
        " from access_key where programme_id = $1 and ($2::uuid is null or id > $2) \
         and ($3::uuid is null or organisation_id = $3) order by id limit $4"
    ))
    .bind(programme)
    .bind(page.after_key::<Uuid>()?)
    .bind(organisation)
    .bind(page.fetch())
    .fetch_all(connection)
    .await?)
}

/// Revokes a key; `None` when there is none such.
///
/// # Errors
/// When the database refuses.
pub async fn revoke_access_key(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: Option<AccessKeyId>,
    by: &str,
    at: Instant,
) -> Result<Option<AccessKeyRow>, Fault> {
    Ok(sqlx::query_as(concat!(
        "update access_key set revoked_by = case when revoked_at is null then $3 else revoked_by end, \
         revoked_at = coalesce(revoked_at, $4) where programme_id = $1 and id = $2 returning ",
        access_key_columns!()
    ))
    .bind(programme)
    .bind(id)
    .bind(by)
    .bind(at)
    .fetch_optional(connection)
    .await?)
}

/// Notes the use of a key in force; `None` when there is none of that id and digest.
///
/// # Errors
/// When the database refuses.
pub async fn use_access_key(
    connection: &mut PgConnection,
    id: AccessKeyId,
    digest: &[u8],
    today: Day,
    at: Instant,
) -> Result<Option<(ProgrammeId, AccessKeyRow)>, Fault> {
    let row: Option<PgRow> = sqlx::query(concat!(
        "update access_key set last_used_at = $4 where id = $1 and secret_digest = $2 \
         and revoked_at is null and expires_on >= $3 returning programme_id, ",
        access_key_columns!()
    ))
    .bind(id)
    .bind(digest)
    .bind(today)
    .bind(at)
    .fetch_optional(connection)
    .await?;
    row.map(|row| Ok((row.try_get("programme_id")?, AccessKeyRow::from_row(&row)?)))
        .transpose()
        .map_err(|error: sqlx::Error| error.into())
}

/// Keys revoked after one instant and sessions ended after another, of all programmes.
///
/// # Errors
/// When the database refuses.
pub async fn ended_grants(
    connection: &mut PgConnection,
    revoked_after: Instant,
    ended_after: Instant,
) -> Result<(Vec<Uuid>, Vec<Uuid>), Fault> {
    let keys = sqlx::query_scalar("select id from access_key where revoked_at > $1")
        .bind(revoked_after)
        .fetch_all(&mut *connection)
        .await?;
    let sessions = sqlx::query_scalar("select id from session where ended_at > $1")
        .bind(ended_after)
        .fetch_all(connection)
        .await?;
    Ok((keys, sessions))
}

/// Names of people by their ids; ids that are not known are left out.
///
/// # Errors
/// When the database refuses.
pub async fn names(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    ids: &[PersonId],
) -> Result<Vec<(PersonId, String)>, Fault> {
    Ok(
        sqlx::query_as("select id, name from person where programme_id = $1 and id = any($2)")
            .bind(programme)
            .bind(ids)
            .fetch_all(connection)
            .await?,
    )
}

/// A session that was just opened.
pub struct NewSession {
    /// The session.
    pub id: Uuid,
    /// The programme.
    pub programme: ProgrammeId,
    /// The person.
    pub person: PersonId,
}

/// Opens a session.
///
/// # Errors
/// When the database refuses.
pub async fn open_session(
    connection: &mut PgConnection,
    session: &NewSession,
    at: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into session (programme_id, id, person_id, opened_at) values ($1, $2, $3, $4)",
    )
    .bind(session.programme)
    .bind(session.id)
    .bind(session.person)
    .bind(Instant(at))
    .execute(connection)
    .await?;
    Ok(())
}

/// Keeps the digest of a refresh token.
///
/// # Errors
/// When the database refuses.
pub async fn keep_refresh_token(
    connection: &mut PgConnection,
    session: &NewSession,
    digest: &[u8],
    at: Timestamp,
    ends_at: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into refresh_token (programme_id, token_digest, session_id, issued_at, ends_at) \
         values ($1, $2, $3, $4, $5)",
    )
    .bind(session.programme)
    .bind(digest)
    .bind(session.id)
    .bind(Instant(at))
    .bind(Instant(ends_at))
    .execute(connection)
    .await?;
    Ok(())
}

/// A refresh token with its session.
pub struct RefreshRow {
    /// The session.
    pub session: NewSession,
    /// When the token ends.
    pub ends_at: Timestamp,
    /// Whether it was used before.
    pub used: bool,
    /// Whether its session has ended.
    pub ended: bool,
}

/// The refresh token of a digest, locked against a second use at the same time.
///
/// # Errors
/// When the database refuses.
pub async fn refresh_token(
    connection: &mut PgConnection,
    digest: &[u8],
) -> Result<Option<RefreshRow>, Fault> {
    let row = sqlx::query(
        "select t.programme_id, t.session_id, s.person_id, t.ends_at, t.used_at, s.ended_at \
         from refresh_token t join session s on s.programme_id = t.programme_id and s.id = t.session_id \
         where t.token_digest = $1 for update of t",
    )
    .bind(digest)
    .fetch_optional(connection)
    .await?;
    Ok(row.map(|row| RefreshRow {
        session: NewSession {
            id: row.get("session_id"),
            programme: row.get("programme_id"),
            person: row.get("person_id"),
        },
        ends_at: row.get::<Instant, _>("ends_at").0,
        used: row.get::<Option<Instant>, _>("used_at").is_some(),
        ended: row.get::<Option<Instant>, _>("ended_at").is_some(),
    }))
}

/// Marks a refresh token used.
///
/// # Errors
/// When the database refuses.
pub async fn use_refresh_token(
    connection: &mut PgConnection,
    digest: &[u8],
    at: Timestamp,
) -> Result<(), Fault> {
    sqlx::query("update refresh_token set used_at = $2 where token_digest = $1")
        .bind(digest)
        .bind(Instant(at))
        .execute(connection)
        .await?;
    Ok(())
}

/// Ends one session, or all of a person's but one.
///
/// # Errors
/// When the database refuses.
pub async fn end_sessions(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    which: Sessions,
    reason: &str,
    at: Timestamp,
) -> Result<(), Fault> {
    let (one, person, keep) = match which {
        Sessions::One(id) => (Some(id), None, None),
        Sessions::AllOf(person, keep) => (None, Some(person), keep),
    };
    sqlx::query(
        "update session set ended_at = $5, end_reason = $6 \
         where programme_id = $1 and ended_at is null \
           and ($2::uuid is null or id = $2) and ($3::uuid is null or person_id = $3) \
           and ($4::uuid is null or id <> $4)",
    )
    .bind(programme)
    .bind(one)
    .bind(person)
    .bind(keep)
    .bind(Instant(at))
    .bind(reason)
    .execute(connection)
    .await?;
    Ok(())
}

/// Which sessions to end.
pub enum Sessions {
    /// One.
    One(Uuid),
    /// All of a person's, but one when it is named.
    AllOf(PersonId, Option<Uuid>),
}
