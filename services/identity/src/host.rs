//! What is done on the host itself, by whoever has its database in hand.

use platform::access::Standing;
use platform::database::Instant;
use platform::{Caller, Clock, Fault, Unit};
use rand::distr::{Alphanumeric, SampleString as _};
use sqlx::PgPool;

use crate::app::second_factors;
use crate::hashing::Hashing;
use crate::store::{self, Sessions};

/// Letters and digits of a password that the host gives: some 119 random bits.
const PASSWORD_CHARS: usize = 20;

/// Gives a login a new password, which is to be changed at the next sign-in, and ends all of its
/// sessions; its second factors as well, when that is asked for. Gives the password.
///
/// # Errors
/// Not found, when nobody has the login; when the database refuses.
pub async fn reset_password(
    pool: &PgPool,
    clock: &Clock,
    login: &str,
    ends_second_factors: bool,
) -> Result<String, Fault> {
    let password = Alphanumeric.sample_string(&mut rand::rng(), PASSWORD_CHARS);
    let hash = Hashing::default().hash(password.clone()).await?;
    let mut unit = Unit::begin_on_host(pool, clock).await?;
    let person = store::person_by_login(unit.connection(), login)
        .await?
        .ok_or_else(|| Fault::not_found("login", login))?;
    let person = store::set_password(unit.connection(), &person, &hash, true)
        .await?
        .ok_or_else(|| Fault::stale(person.version + 1))?;
    if ends_second_factors {
        second_factors::end_all(&mut unit, &person).await?;
    }
    let (all, now) = (Sessions::AllOf(person.id, None), unit.now());
    store::end_sessions(
        unit.connection(),
        person.programme_id,
        all,
        "password reset",
        now,
    )
    .await?;
    unit.turned_out_to_be(Caller {
        standing: Standing::TurnedAway {
            programme: person.programme_id,
        },
        ..unit.caller().clone()
    });
    unit.touch("person", person.id);
    unit.commit_on_host("reset_password").await?;
    Ok(password)
}

/// Revokes every key that tokens are signed with; gives their number. Identity makes another within
/// seconds, and every service refuses what the revoked ones signed.
///
/// # Errors
/// When the database refuses.
pub async fn revoke_signing_keys(pool: &PgPool, clock: &Clock) -> Result<usize, Fault> {
    let mut unit = Unit::begin_on_host(pool, clock).await?;
    let now = Instant(unit.now());
    let revoked = store::revoke_signing_keys(unit.connection(), None, "the host", now).await?;
    for id in &revoked {
        unit.touch("signing_key", id);
    }
    unit.commit_on_host("revoke_signing_keys").await?;
    Ok(revoked.len())
}
