//! Safe retries: the first reply to a request is kept and given again.
//!
//! A request is known by its `Idempotency-Key`, or, when it creates something under an id that the
//! client made, by that id. The kept reply commits together with what the request wrote, so there
//! is never a write without its reply nor a reply without its write.
//!
//! Replies are forgotten after [`KEPT_DAYS`]. A creation repeated after that still does no harm:
//! its id is taken, and it is refused as something that exists.

use std::time::Duration;

use jiff::{Timestamp, ToSpan as _};
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use sqlx::{PgPool, Row as _};

use crate::clock::Clock;
use crate::database::{Instant, Scope};
use crate::fault::{Fault, FaultKind};
use crate::unit::Unit;

/// How long a reply is kept, in days: a device that was out of reach for a whole season may still
/// repeat what it had sent before.
pub const KEPT_DAYS: i64 = 400;
/// How often old replies are looked for.
const BETWEEN_SWEEPS: Duration = Duration::from_secs(60 * 60);
/// How many are forgotten in one transaction.
const SWEPT_AT_ONCE: i64 = 5_000;

/// What a request is known by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RetryKey {
    /// The caller's `Idempotency-Key`.
    Header(String),
    /// The id that the client made for what is created.
    ClientId(String),
}

impl RetryKey {
    /// The key of a request: the header when there is one, else the client's id.
    ///
    /// # Errors
    /// Invalid when the header is not 1 to 200 visible ASCII characters.
    pub fn of(header: Option<&str>, request: &Value) -> Result<Option<Self>, Fault> {
        if let Some(key) = header {
            let sound = (1..=200).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_graphic());
            return if sound {
                Ok(Some(Self::Header(key.to_owned())))
            } else {
                Err(Fault::field(
                    "",
                    "the Idempotency-Key must be 1 to 200 visible ASCII characters, as a UUID",
                ))
            };
        }
        Ok(match request.get("id") {
            Some(Value::String(id)) if !id.is_empty() => Some(Self::ClientId(id.to_lowercase())),
            _ => None,
        })
    }

    /// The header's key belongs to its caller; an id belongs to the programme.
    fn stored(&self, unit: &Unit) -> String {
        match self {
            Self::Header(key) => format!("key:{}:{key}", unit.caller().subject),
            Self::ClientId(id) => format!("id:{id}"),
        }
    }
}

/// Digest of a request, by which a repeat with another body is told.
pub fn fingerprint(request: &Value) -> Vec<u8> {
    digest(request.to_string().as_bytes())
}

/// SHA-256 of some bytes.
pub fn digest(bytes: &[u8]) -> Vec<u8> {
    Sha256::digest(bytes).to_vec()
}

/// The reply kept for a key, when the request was answered before.
///
/// # Errors
/// - state, when the first request is still being answered;
/// - retry mismatch (header) or exists (client's id), when the body is another one.
pub async fn kept<R: DeserializeOwned>(
    unit: &mut Unit,
    operation: &str,
    key: &RetryKey,
    fingerprint: &[u8],
) -> Result<Option<R>, Fault> {
    let programme = programme_of(unit);
    let stored = key.stored(unit);
    take(unit, operation, &stored).await?;
    let row = sqlx::query(
        "select fingerprint, reply from retry where programme_id = $1 and operation = $2 and key = $3",
    )
    .bind(programme)
    .bind(operation)
    .bind(&stored)
    .fetch_optional(unit.connection())
    .await?;
    let Some(row) = row else { return Ok(None) };
    if row.get::<Vec<u8>, _>("fingerprint") != fingerprint {
        return Err(match key {
            RetryKey::Header(_) => Fault::new(
                FaultKind::RetryMismatch,
                "this Idempotency-Key was used with another body; use a new key for a new request",
            ),
            RetryKey::ClientId(id) => Fault::exists(
                "/id",
                format!(
                    "{id} was used for something with other contents; make a new id, or correct the first by a later entry"
                ),
            ),
        });
    }
    serde_json::from_value(row.get("reply"))
        .map(Some)
        .map_err(Fault::internal)
}

/// The nil programme stands for callers outside any.
fn programme_of(unit: &Unit) -> uuid::Uuid {
    unit.caller()
        .programme()
        .map(|p| p.uuid())
        .unwrap_or_default()
}

/// Takes a key for the rest of the transaction, so that one request at a time is answered under it.
async fn take(unit: &mut Unit, operation: &str, stored: &str) -> Result<(), Fault> {
    let programme = programme_of(unit).to_string();
    let free: bool =
        sqlx::query_scalar("select pg_try_advisory_xact_lock(hashtextextended($1 || $2 || $3, 0))")
            .bind(programme)
            .bind(operation)
            .bind(stored)
            .fetch_one(unit.connection())
            .await?;
    if free {
        Ok(())
    } else {
        Err(Fault::state(
            "the same request is being answered at this moment; repeat it in a second",
        ))
    }
}

/// Takes a key again after the unit had given its connection back, and holds that no repeat was
/// answered under it meanwhile.
///
/// # Errors
/// State, when one was, or is at this moment.
pub(crate) async fn still_open(
    unit: &mut Unit,
    operation: &str,
    key: &RetryKey,
) -> Result<(), Fault> {
    let (programme, stored) = (programme_of(unit), key.stored(unit));
    take(unit, operation, &stored).await?;
    let answered: bool = sqlx::query_scalar(
        "select exists (select from retry where programme_id = $1 and operation = $2 and key = $3)",
    )
    .bind(programme)
    .bind(operation)
    .bind(stored)
    .fetch_one(unit.connection())
    .await?;
    if answered {
        return Err(Fault::state(
            "the same request was answered at this moment; repeat it for its reply",
        ));
    }
    Ok(())
}

/// Keeps a reply, to commit with what the request wrote.
///
/// # Errors
/// When the database refuses.
pub async fn keep(
    unit: &mut Unit,
    operation: &str,
    key: &RetryKey,
    fingerprint: &[u8],
    reply: &Value,
) -> Result<(), Fault> {
    let programme = unit
        .caller()
        .programme()
        .map(|p| p.uuid())
        .unwrap_or_default();
    let stored = key.stored(unit);
    let now = unit.now();
    sqlx::query(
        "insert into retry (programme_id, operation, key, fingerprint, reply, at) \
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(programme)
    .bind(operation)
    .bind(stored)
    .bind(fingerprint)
    .bind(reply)
    .bind(Instant(now))
    .execute(unit.connection())
    .await?;
    Ok(())
}
/// Forgets old replies for as long as the process lives.
pub async fn sweep(pool: PgPool, clock: Clock) {
    loop {
        if let Err(error) = forget(&pool, clock.now()).await {
            tracing::warn!(%error, "old replies could not be forgotten; trying again later");
        }
        tokio::time::sleep(BETWEEN_SWEEPS).await;
    }
}

/// Forgets the replies that are older than [`KEPT_DAYS`]; gives their number.
///
/// # Errors
/// When the database refuses; what was forgotten before stays forgotten.
pub async fn forget(pool: &PgPool, now: Timestamp) -> Result<u64, sqlx::Error> {
    let before = now
        .saturating_sub((24 * KEPT_DAYS).hours())
        .unwrap_or(Timestamp::MIN);
    let mut forgotten = 0;
    loop {
        let mut transaction = pool.begin().await?;
        let scope = Scope {
            across_programmes: true,
            ..Scope::default()
        };
        scope.apply(&mut transaction).await?;
        let swept = sqlx::query(
            "delete from retry where (programme_id, operation, key) in \
             (select programme_id, operation, key from retry where at < $1 order by at limit $2)",
        )
        .bind(Instant(before))
        .bind(SWEPT_AT_ONCE)
        .execute(&mut *transaction)
        .await?
        .rows_affected();
        transaction.commit().await?;
        forgotten += swept;
        if swept < SWEPT_AT_ONCE.unsigned_abs() {
            return Ok(forgotten);
        }
    }
}
