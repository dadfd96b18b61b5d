//! The keys that access tokens are signed with.

use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair as _};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use jsonwebtoken::{Algorithm, EncodingKey, Header, encode};
use platform::Fault;
use platform::database::{self, Begin, Instant, Scope};
use platform::operation::Context;
use platform::token::Claims;
use sqlx::Row as _;
use uuid::Uuid;

/// How long a key signs before the next start makes a new one.
const SIGNS_FOR: SignedDuration = SignedDuration::from_hours(30 * 24);
/// Key of the lock under which a new signing key is made, so that two processes make one.
const KEY_LOCK: i64 = 0x6b65_7973;

/// The signing key in use, and the public halves of all that still verify.
pub struct Keyring {
    id: String,
    signing: EncodingKey,
    public: Vec<(String, String)>,
}

impl Keyring {
    /// Reads the keys, making a new one when there is none or the newest is old.
    ///
    /// # Errors
    /// When the database refuses or a key cannot be made.
    pub async fn open(context: &Context) -> Result<Self, Fault> {
        let now = context.clock.now();
        let mut transaction =
            database::begin(&context.pool, Begin::Writing, Scope::BOOKKEEPING).await?;
        sqlx::query("select pg_advisory_xact_lock($1)")
            .bind(KEY_LOCK)
            .execute(&mut *transaction)
            .await?;
        let newest: Option<Timestamp> =
            sqlx::query_scalar::<_, Option<Instant>>("select max(made_at) from signing_key")
                .fetch_one(&mut *transaction)
                .await?
                .map(|at| at.0);
        if newest.is_none_or(|at| now.duration_since(at) > SIGNS_FOR) {
            let refused =
                |_| Fault::internal(std::io::Error::other("no signing key could be made"));
            let private = Ed25519KeyPair::generate_pkcs8(&SystemRandom::new()).map_err(refused)?;
            let pair = Ed25519KeyPair::from_pkcs8(private.as_ref())
                .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))?;
            let public_x = URL_SAFE_NO_PAD.encode(pair.public_key().as_ref());
            sqlx::query(
                "insert into signing_key (id, private_pkcs8, public_x, made_at) values ($1, $2, $3, $4)",
            )
            .bind(Uuid::now_v7().to_string())
            .bind(private.as_ref())
            .bind(public_x)
            .bind(Instant(now))
            .execute(&mut *transaction)
            .await?;
        }
        let rows = sqlx::query(
            "select id, private_pkcs8, public_x from signing_key order by made_at desc, id desc limit 4",
        )
        .fetch_all(&mut *transaction)
        .await?;
        transaction.commit().await?;
        let first = rows
            .first()
            .ok_or_else(|| Fault::internal(std::io::Error::other("there is no signing key")))?;
        Ok(Self {
            id: first.get("id"),
            signing: EncodingKey::from_ed_der(&first.get::<Vec<u8>, _>("private_pkcs8")),
            public: rows
                .iter()
                .map(|row| (row.get("id"), row.get("public_x")))
                .collect(),
        })
    }

    /// Signs what a token says.
    ///
    /// # Errors
    /// Internal, when signing fails.
    pub fn sign(&self, claims: &Claims) -> Result<String, Fault> {
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(self.id.clone());
        encode(&header, claims, &self.signing).map_err(Fault::internal)
    }

    /// Ids and public halves (base64url) of all keys that still verify.
    pub fn public(&self) -> &[(String, String)] {
        &self.public
    }
}
