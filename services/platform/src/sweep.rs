//! Forgets what is too old to be of use.
//!
//! A sweep trusts no clock alone. What counts as old is reckoned from the earlier of the process's
//! clock and the database's; and as both may be the clock of one machine, and wrong by years, the
//! moment before which rows are forgotten moves on no faster than [`CATCH_UP`] times the time that has
//! passed while the process ran, which no wrong clock can hurry. A process that starts with its clock
//! a year ahead forgets a few hours' worth before somebody sets it right, not a year's.

use std::time::{Duration, Instant as Moment};

use jiff::{SignedDuration, Timestamp, ToSpan as _};
use sqlx::PgPool;

use crate::clock::Clock;
use crate::database::{self, Begin, Instant, Scope};
use crate::retry::KEPT_DAYS;

/// How often old replies are looked for.
const BETWEEN_SWEEPS: Duration = Duration::from_secs(60 * 60);
/// How much faster than time passes a sweep may catch up with what was left lying.
const CATCH_UP: i32 = 4;
/// How many are forgotten in one transaction.
const SWEPT_AT_ONCE: i64 = 5_000;
/// Name of the sweep of kept replies.
const REPLIES: &str = "replies";

/// Forgets old replies for as long as the process lives.
pub async fn keep_swept(pool: PgPool, clock: Clock) {
    let mut since = Moment::now();
    loop {
        tokio::time::sleep(BETWEEN_SWEEPS).await;
        let passed = since.elapsed();
        match forget_replies(&pool, clock.now(), passed).await {
            Ok(_) => since += passed,
            Err(error) => {
                tracing::warn!(%error, "old replies could not be forgotten; trying again later");
            }
        }
    }
}

/// Forgets replies that are older than [`KEPT_DAYS`] by the process's clock and the database's, of at
/// most [`CATCH_UP`] times as long a stretch as has passed since the last sweep; gives their number.
///
/// # Errors
/// When the database refuses; what was forgotten before stays forgotten.
pub async fn forget_replies(
    pool: &PgPool,
    now: Timestamp,
    passed: Duration,
) -> Result<u64, sqlx::Error> {
    let old = now
        .saturating_sub((24 * KEPT_DAYS).hours())
        .unwrap_or(Timestamp::MIN);
    let Some(before) = move_on(pool, old, passed).await? else {
        return Ok(0);
    };
    let mut forgotten_n = 0;
    loop {
        let mut transaction = database::begin(pool, Begin::Writing, Scope::BOOKKEEPING).await?;
        // Ids stay known, without their replies.
        let swept_n: i64 = sqlx::query_scalar(
            "with old as materialized ( \
                 select programme_id, operation, key from retry \
                 where at < $1 and reply is not null order by at limit $2), \
             ids as ( \
                 update retry r set reply = null, secret_check = '' from old \
                 where (r.programme_id, r.operation, r.key) \
                     = (old.programme_id, old.operation, old.key) and r.key like 'id:%' \
                 returning 1), \
             keys as ( \
                 delete from retry r using old \
                 where (r.programme_id, r.operation, r.key) \
                     = (old.programme_id, old.operation, old.key) and r.key not like 'id:%' \
                 returning 1) \
             select (select count(*) from ids) + (select count(*) from keys)",
        )
        .bind(before)
        .bind(SWEPT_AT_ONCE)
        .fetch_one(&mut *transaction)
        .await?;
        transaction.commit().await?;
        forgotten_n += swept_n.unsigned_abs();
        if swept_n < SWEPT_AT_ONCE {
            return Ok(forgotten_n);
        }
    }
}

/// Moves the moment before which replies are forgotten on; none when there is nothing to forget. It
/// begins at the oldest reply.
async fn move_on(
    pool: &PgPool,
    old: Timestamp,
    passed: Duration,
) -> Result<Option<Instant>, sqlx::Error> {
    let stretch = SignedDuration::try_from(passed)
        .unwrap_or(SignedDuration::MAX)
        .saturating_mul(CATCH_UP);
    let mut transaction = database::begin(pool, Begin::Writing, Scope::BOOKKEEPING).await?;
    sqlx::query(
        "insert into sweep (what, forgotten_before) \
         select $1, oldest from (select min(at) as oldest from retry where reply is not null) r \
         where oldest is not null \
         on conflict (what) do nothing",
    )
    .bind(REPLIES)
    .execute(&mut *transaction)
    .await?;
    let known: Option<(Instant, Instant)> = sqlx::query_as(
        "select forgotten_before, now() - make_interval(hours => $2) from sweep \
         where what = $1 for update",
    )
    .bind(REPLIES)
    .bind(i32::try_from(24 * KEPT_DAYS).unwrap_or(i32::MAX))
    .fetch_optional(&mut *transaction)
    .await?;
    let Some((Instant(reached), Instant(old_to_the_database))) = known else {
        return Ok(None);
    };
    let allowed = reached.saturating_add(stretch).unwrap_or(Timestamp::MAX);
    let before = allowed.min(old).min(old_to_the_database);
    sqlx::query(
        "update sweep set forgotten_before = greatest(forgotten_before, $2) where what = $1",
    )
    .bind(REPLIES)
    .bind(Instant(before))
    .execute(&mut *transaction)
    .await?;
    transaction.commit().await?;
    Ok(Some(Instant(before)))
}
