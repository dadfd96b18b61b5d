//! The keys that tokens are signed with: made, rotated and revoked.
//!
//! The newest key signs for thirty days, then another does; those before go on verifying, so that a
//! token holds for as long as it says. Every process of identity looks every two seconds whether another
//! made or revoked one.

use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair as _};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation, encode};
use platform::Fault;
use platform::database::{self, Begin, Instant, Scope};
use platform::operation::Context;
use platform::token::ISSUER;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::postgres::{PgConnection, PgRow};
use sqlx::{Postgres, Row as _, Transaction};
use uuid::Uuid;

use crate::store;

/// How long a key signs.
const SIGNS_FOR: SignedDuration = SignedDuration::from_hours(30 * 24);
/// How long a new key is published before it signs: a service that lately asked for the keys asks again
/// within this time, so that none meets a token of a key that it cannot know yet.
const PUBLISHED_FOR: SignedDuration = SignedDuration::from_secs(10);
/// How many keys verify: the one that signs and those before it.
const VERIFY_N: i64 = 4;
/// How often the keys are looked at.
const LOOKED_AT_EVERY: Duration = Duration::from_secs(2);
/// Key of the lock under which a new signing key is made, so that two processes make one.
const KEY_LOCK: i64 = 0x6b65_7973;

/// A key's public half.
#[derive(Clone)]
struct Public {
    id: String,
    /// In base64url.
    x: String,
    verifying: DecodingKey,
}

/// The keys at one moment.
struct Ring {
    id: String,
    signing: EncodingKey,
    newest_made_at: Timestamp,
    public: Vec<Public>,
}

/// The signing key in use, and the public halves of all that still verify.
pub struct Keyring(RwLock<Arc<Ring>>);

async fn begin(context: &Context) -> Result<Transaction<'static, Postgres>, Fault> {
    Ok(database::begin(&context.pool, Begin::Writing, Scope::BOOKKEEPING).await?)
}

async fn read(connection: &mut PgConnection, now: Timestamp) -> Result<Option<Ring>, Fault> {
    let rows = sqlx::query(
        "select id, private_pkcs8, public_x, made_at from signing_key where revoked_at is null \
         order by made_at desc, id desc limit $1",
    )
    .bind(VERIFY_N)
    .fetch_all(connection)
    .await?;
    let made_at = |row: &PgRow| row.get::<Instant, _>("made_at").0;
    let known = rows
        .iter()
        .find(|&row| now.duration_since(made_at(row)) >= PUBLISHED_FOR);
    let (Some(newest), Some(signs)) = (rows.first(), known.or(rows.last())) else {
        return Ok(None);
    };
    let public = rows
        .iter()
        .map(|row| {
            let x: String = row.get("public_x");
            Ok(Public {
                id: row.get("id"),
                verifying: DecodingKey::from_ed_components(&x).map_err(Fault::internal)?,
                x,
            })
        })
        .collect::<Result<_, Fault>>()?;
    Ok(Some(Ring {
        id: signs.get("id"),
        signing: EncodingKey::from_ed_der(&signs.get::<Vec<u8>, _>("private_pkcs8")),
        newest_made_at: made_at(newest),
        public,
    }))
}

async fn make(connection: &mut PgConnection, now: Timestamp) -> Result<(), Fault> {
    let refused = |_| Fault::internal(std::io::Error::other("no signing key could be made"));
    let private = Ed25519KeyPair::generate_pkcs8(&SystemRandom::new()).map_err(refused)?;
    let pair = Ed25519KeyPair::from_pkcs8(private.as_ref())
        .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))?;
    sqlx::query(
        "insert into signing_key (id, private_pkcs8, public_x, made_at) values ($1, $2, $3, $4)",
    )
    .bind(Uuid::now_v7().to_string())
    .bind(private.as_ref())
    .bind(URL_SAFE_NO_PAD.encode(pair.public_key().as_ref()))
    .bind(Instant(now))
    .execute(connection)
    .await?;
    Ok(())
}

fn due(ring: &Ring, now: Timestamp) -> bool {
    now.duration_since(ring.newest_made_at) > SIGNS_FOR
}

/// Reads the keys, making a new one when there is none or the newest has signed for long enough.
async fn current(context: &Context) -> Result<Ring, Fault> {
    let now = context.clock.now();
    let mut transaction = begin(context).await?;
    if let Some(ring) = read(&mut transaction, now).await?
        && !due(&ring, now)
    {
        return Ok(ring);
    }
    sqlx::query("select pg_advisory_xact_lock($1)")
        .bind(KEY_LOCK)
        .execute(&mut *transaction)
        .await?;
    // Another process may have made one while this one waited for the lock.
    let known = read(&mut transaction, now).await?;
    if known.is_none_or(|ring| due(&ring, now)) {
        make(&mut transaction, now).await?;
    }
    let ring = read(&mut transaction, now).await?;
    transaction.commit().await?;
    ring.ok_or_else(|| Fault::internal(std::io::Error::other("there is no signing key")))
}

impl Keyring {
    /// Reads the keys, making a first one.
    ///
    /// # Errors
    /// When the database refuses or a key cannot be made.
    pub async fn open(context: &Context) -> Result<Self, Fault> {
        Ok(Self(RwLock::new(Arc::new(current(context).await?))))
    }

    /// Reads the keys anew, rotating them when it is time.
    ///
    /// # Errors
    /// When the database refuses or a key cannot be made; the keys known before stay in use.
    pub async fn renew(&self, context: &Context) -> Result<(), Fault> {
        let ring = Arc::new(current(context).await?);
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = ring;
        Ok(())
    }

    /// Revokes one key, or all that stand, and signs with another from now on; gives their ids. In a
    /// transaction of its own, so that nothing is signed by a revoked key once it is known.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn revoke(
        &self,
        context: &Context,
        only: Option<&str>,
        by: &str,
    ) -> Result<Vec<String>, Fault> {
        let now = Instant(context.clock.now());
        let mut transaction = begin(context).await?;
        let revoked = store::revoke_signing_keys(&mut transaction, only, by, now).await?;
        transaction.commit().await?;
        self.renew(context).await?;
        Ok(revoked)
    }

    fn ring(&self) -> Arc<Ring> {
        self.0
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Signs what a token says.
    ///
    /// # Errors
    /// Internal, when signing fails.
    pub fn sign(&self, claims: &impl Serialize) -> Result<String, Fault> {
        let ring = self.ring();
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(ring.id.clone());
        encode(&header, claims, &ring.signing).map_err(Fault::internal)
    }

    /// What one of our tokens for `audience` says; none when it is forged or has ended by `now`.
    pub fn read<C: DeserializeOwned>(
        &self,
        token: &str,
        audience: &str,
        now: Timestamp,
    ) -> Option<C> {
        #[derive(serde::Deserialize)]
        struct Ending<C> {
            exp: i64,
            #[serde(flatten)]
            claims: C,
        }
        let kid = jsonwebtoken::decode_header(token).ok()?.kid?;
        let ring = self.ring();
        let key = ring.public.iter().find(|key| key.id == kid)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[audience]);
        // Held against the program's clock below.
        validation.validate_exp = false;
        let read = jsonwebtoken::decode::<Ending<C>>(token, &key.verifying, &validation).ok()?;
        (read.claims.exp > now.as_second()).then_some(read.claims.claims)
    }

    /// Ids and public halves (base64url) of all keys that still verify.
    pub fn public(&self) -> Vec<(String, String)> {
        let ring = self.ring();
        ring.public
            .iter()
            .map(|key| (key.id.clone(), key.x.clone()))
            .collect()
    }
}

/// Rotates the keys for as long as the service lives, and hears of those that were revoked.
pub async fn keep(app: Arc<crate::IdentityApp>) {
    loop {
        tokio::time::sleep(LOOKED_AT_EVERY).await;
        if let Err(fault) = app.keys.renew(&app.context).await {
            tracing::warn!(%fault, "the signing keys could not be looked at; trying again");
        }
    }
}
