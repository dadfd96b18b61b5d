//! The SQL of this service.

pub mod recovery;
pub mod second_factors;

use jiff::Timestamp;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, OrganisationId, PersonId, ProgrammeId, Role};
use sqlx::postgres::{PgConnection, PgRow};
use sqlx::{FromRow, Row as _};
use uuid::Uuid;

use crate::domain::{AccessKeyId, Proof};

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
    /// Whether the person is active.
    pub active: bool,
    /// Whether the person, and the organisation that a partner speaks for, are active.
    pub may_act: bool,
    /// Whether somebody else gave the password, so that it is to be changed.
    pub password_to_change: bool,
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
            may_act: row.try_get("may_act")?,
            password_to_change: row.try_get("password_to_change")?,
            version: row.try_get("version")?,
            keeps_keys: row.try_get("keeps_keys")?,
        })
    }
}

macro_rules! people {
    ($rest:literal) => {
        concat!(
            "select p.*, p.active and coalesce(o.active, true) as may_act from person p \
             left join organisation o on o.programme_id = p.programme_id and o.id = p.organisation_id ",
            $rest
        )
    };
}

/// The person of a login, whatever the programme.
///
/// # Errors
/// When the database refuses.
pub async fn person_by_login(
    connection: &mut PgConnection,
    login: &str,
) -> Result<Option<PersonRow>, Fault> {
    Ok(sqlx::query_as(people!("where lower(p.login) = lower($1)"))
        .bind(login)
        .fetch_optional(connection)
        .await?)
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
        sqlx::query_as(people!("where p.programme_id = $1 and p.id = $2"))
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
    Ok(sqlx::query_as(people!(
        "where p.programme_id = $1 and ($2::uuid is null or p.id > $2) order by p.id limit $3"
    ))
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
         keeps_keys, password_to_change) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
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
    .bind(person.password_to_change)
    .execute(connection)
    .await
    .map(drop)
}

/// Sets a person's password, unless the person changed since it was read; gives the person as it is
/// then.
///
/// # Errors
/// When the database refuses.
pub async fn set_password(
    connection: &mut PgConnection,
    person: &PersonRow,
    hash: &str,
    to_change: bool,
) -> Result<Option<PersonRow>, Fault> {
    let changed = sqlx::query(
        "update person set password_hash = $4, password_to_change = $5, version = version + 1 \
         where programme_id = $1 and id = $2 and version = $3",
    )
    .bind(person.programme_id)
    .bind(person.id)
    .bind(person.version)
    .bind(hash)
    .bind(to_change)
    .execute(connection)
    .await?;
    Ok((changed.rows_affected() == 1).then(|| PersonRow {
        password_hash: hash.to_owned(),
        password_to_change: to_change,
        version: person.version + 1,
        ..person.clone()
    }))
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
    /// The partner whose it is; none for one of the programme's own machines.
    pub organisation_id: Option<OrganisationId>,
    /// The device, system or machine.
    pub name: String,
    /// Word of its quota.
    pub quota: String,
    /// Its last day.
    pub expires_on: Day,
    /// When it was made.
    pub created_at: Instant,
    /// By whom.
    pub created_by: String,
    /// The person who answers for it; none of keys made before that was noted.
    pub created_by_id: Option<PersonId>,
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
        "id, organisation_id, name, quota, expires_on, created_at, created_by, created_by_id, last_used_at, \
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
         expires_on, created_at, created_by, scopes, created_by_id) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
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
    .bind(row.created_by_id)
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
    machines: bool,
    page: &Page,
) -> Result<Vec<AccessKeyRow>, Fault> {
    Ok(sqlx::query_as(concat!(
        "select ",
        access_key_columns!(),
        " from access_key where programme_id = $1 and ($2::uuid is null or id > $2) \
         and ($3::uuid is null or organisation_id = $3) \
         and (not $5 or organisation_id is null) order by id limit $4"
    ))
    .bind(programme)
    .bind(page.after_key::<Uuid>()?)
    .bind(organisation)
    .bind(page.fetch())
    .bind(machines)
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

/// The programme of a key, whatever its standing; none when there is none of that id.
///
/// # Errors
/// When the database refuses.
pub async fn programme_of_key(
    connection: &mut PgConnection,
    id: AccessKeyId,
) -> Result<Option<ProgrammeId>, Fault> {
    Ok(
        sqlx::query_scalar("select programme_id from access_key where id = $1")
            .bind(id)
            .fetch_optional(connection)
            .await?,
    )
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
         and revoked_at is null and expires_on >= $3 \
         and not exists (select from organisation o where o.programme_id = access_key.programme_id \
             and o.id = access_key.organisation_id and not o.active) \
         returning programme_id, ",
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

/// Revokes every key that a person made and answers for.
///
/// # Errors
/// When the database refuses.
pub async fn revoke_keys_made_by(
    connection: &mut PgConnection,
    person: &PersonRow,
    at: Instant,
) -> Result<(), Fault> {
    sqlx::query(
        "update access_key set revoked_at = $3, revoked_by = $4 \
         where programme_id = $1 and created_by_id = $2 and revoked_at is null",
    )
    .bind(person.programme_id)
    .bind(person.id)
    .bind(at)
    .bind(format!("the end of {}'s role or standing", person.name))
    .execute(connection)
    .await?;
    Ok(())
}

/// Revokes one signing key, or all that stand; gives their ids.
///
/// # Errors
/// When the database refuses.
pub async fn revoke_signing_keys(
    connection: &mut PgConnection,
    only: Option<&str>,
    by: &str,
    at: Instant,
) -> Result<Vec<String>, Fault> {
    Ok(sqlx::query_scalar(
        "update signing_key set revoked_at = $2, revoked_by = $3 \
         where revoked_at is null and ($1::text is null or id = $1) returning id",
    )
    .bind(only)
    .bind(at)
    .bind(by)
    .fetch_all(connection)
    .await?)
}

/// What was taken back, in all programmes.
#[derive(Debug, Default)]
pub struct Ended {
    /// Keys revoked of late.
    pub access_keys: Vec<Uuid>,
    /// Sessions ended of late.
    pub sessions: Vec<Uuid>,
    /// Organisations that are not active.
    pub organisations: Vec<Uuid>,
    /// Signing keys that were revoked.
    pub signing_keys: Vec<String>,
}

/// Keys revoked after one instant and sessions ended after another; organisations that are not
/// active, and signing keys that were ever revoked.
///
/// # Errors
/// When the database refuses.
pub async fn ended_grants(
    connection: &mut PgConnection,
    revoked_after: Instant,
    ended_after: Instant,
) -> Result<Ended, Fault> {
    let access_keys = sqlx::query_scalar("select id from access_key where revoked_at > $1")
        .bind(revoked_after)
        .fetch_all(&mut *connection)
        .await?;
    let sessions = sqlx::query_scalar("select id from session where ended_at > $1")
        .bind(ended_after)
        .fetch_all(&mut *connection)
        .await?;
    let organisations = sqlx::query_scalar("select id from organisation where not active")
        .fetch_all(&mut *connection)
        .await?;
    let signing_keys =
        sqlx::query_scalar("select id from signing_key where revoked_at is not null")
            .fetch_all(connection)
            .await?;
    Ok(Ended {
        access_keys,
        sessions,
        organisations,
        signing_keys,
    })
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
    proofs: &[Proof],
    address: &str,
    at: Timestamp,
) -> Result<(), Fault> {
    let proofs: Vec<&str> = proofs.iter().map(|proof| proof.word()).collect();
    sqlx::query(
        "insert into session (programme_id, id, person_id, opened_at, proofs, address) \
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(session.programme)
    .bind(session.id)
    .bind(session.person)
    .bind(Instant(at))
    .bind(proofs)
    .bind(address)
    .execute(connection)
    .await?;
    Ok(())
}

/// A session that is open.
#[derive(Debug, FromRow)]
pub struct SessionRow {
    /// The session.
    pub id: Uuid,
    /// When it was opened.
    pub opened_at: Instant,
    /// When tokens were last refreshed for it.
    pub seen_at: Option<Instant>,
    /// The address it was opened from.
    pub address: String,
    /// How its owner proved who they are.
    pub proofs: Vec<String>,
}

/// A person's sessions that can still be refreshed, newest first.
///
/// # Errors
/// When the database refuses.
pub async fn open_sessions(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    person: PersonId,
    now: Instant,
) -> Result<Vec<SessionRow>, Fault> {
    Ok(sqlx::query_as(
        "select id, opened_at, seen_at, address, proofs from session s \
         where programme_id = $1 and person_id = $2 and ended_at is null \
           and exists (select from refresh_token t where t.programme_id = s.programme_id \
               and t.session_id = s.id and t.used_at is null and t.ends_at > $3) \
         order by opened_at desc, id desc limit 200",
    )
    .bind(programme)
    .bind(person)
    .bind(now)
    .fetch_all(connection)
    .await?)
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

/// Marks a refresh token used, and its session as seen.
///
/// # Errors
/// When the database refuses.
pub async fn use_refresh_token(
    connection: &mut PgConnection,
    session: &NewSession,
    digest: &[u8],
    at: Timestamp,
) -> Result<(), Fault> {
    sqlx::query("update refresh_token set used_at = $2 where token_digest = $1")
        .bind(digest)
        .bind(Instant(at))
        .execute(&mut *connection)
        .await?;
    sqlx::query("update session set seen_at = $3 where programme_id = $1 and id = $2")
        .bind(session.programme)
        .bind(session.id)
        .bind(Instant(at))
        .execute(connection)
        .await?;
    Ok(())
}

/// Ends sessions; gives their number.
///
/// # Errors
/// When the database refuses.
pub async fn end_sessions(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    which: Sessions,
    reason: &str,
    at: Timestamp,
) -> Result<u64, Fault> {
    let (one, person, keep, organisation) = match which {
        Sessions::One(id) => (Some(id), None, None, None),
        Sessions::OneOf(person, id) => (Some(id), Some(person), None, None),
        Sessions::AllOf(person, keep) => (None, Some(person), keep, None),
        Sessions::OfOrganisation(organisation) => (None, None, None, Some(organisation)),
    };
    let ended = sqlx::query(
        "update session s set ended_at = $5, end_reason = $6 \
         where programme_id = $1 and ended_at is null \
           and ($2::uuid is null or id = $2) and ($3::uuid is null or person_id = $3) \
           and ($4::uuid is null or id <> $4) \
           and ($7::uuid is null or exists (select from person p where p.programme_id = s.programme_id \
               and p.id = s.person_id and p.organisation_id = $7))",
    )
    .bind(programme)
    .bind(one)
    .bind(person)
    .bind(keep)
    .bind(Instant(at))
    .bind(reason)
    .bind(organisation)
    .execute(connection)
    .await?;
    Ok(ended.rows_affected())
}

/// Which sessions to end.
pub enum Sessions {
    /// One.
    One(Uuid),
    /// One, when it is this person's.
    OneOf(PersonId, Uuid),
    /// All of a person's, but one when it is named.
    AllOf(PersonId, Option<Uuid>),
    /// All of an organisation's people.
    OfOrganisation(OrganisationId),
}
