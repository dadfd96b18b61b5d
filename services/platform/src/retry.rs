//! Safe retries: the first reply to a request is kept and given again.
//!
//! A request is known by its `Idempotency-Key`, and, when it creates something under an id that the
//! client made, by that id as well. There is one memory of both (`retry`), whichever way an entry comes
//! in: alone, or as a row of a batch ([`crate::batch`]). A key is claimed before anything else is
//! written and remembered with the reply in the same transaction, so there is never a write without
//! its reply nor a reply without its write; a repeat that comes in meanwhile waits for the first.
//!
//! A kept reply is given to the one who was answered first and to nobody else. Of the request a
//! digest is kept, and of the secrets in it an Argon2 hash of their own.
//!
//! Replies are forgotten after [`KEPT_DAYS`] ([`crate::sweep`]); ids are remembered for ever. A
//! creation repeated after that does no harm: it is refused as something that exists.

use sha2::{Digest as _, Sha256};
use sqlx::Row as _;
use std::collections::HashMap;
use uuid::Uuid;

use crate::database::Instant;
use crate::fault::{Fault, FaultKind};
use crate::secrets;
use crate::unit::Unit;

/// How long a reply is kept, in days: a device that was out of reach for a whole season may still
/// repeat what it had sent before.
pub const KEPT_DAYS: i64 = 400;

/// What a request is known by.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum RetryKey {
    /// The caller's `Idempotency-Key`.
    Header(String),
    /// The id that the client made for what is created.
    ClientId(String),
}

impl RetryKey {
    /// The caller's key, from the header.
    ///
    /// # Errors
    /// Invalid when the header is not 1 to 200 visible ASCII characters.
    pub fn header(key: &str) -> Result<Self, Fault> {
        let sound = (1..=200).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_graphic());
        if sound {
            Ok(Self::Header(key.to_owned()))
        } else {
            Err(Fault::field(
                "",
                "the Idempotency-Key must be 1 to 200 visible ASCII characters, as a UUID",
            ))
        }
    }

    /// The id that the client made.
    pub fn client_id(id: &str) -> Self {
        Self::ClientId(id.to_lowercase())
    }

    /// The header's key belongs to its caller; an id belongs to the programme.
    fn stored(&self, unit: &Unit) -> String {
        match self {
            Self::Header(key) => format!("key:{}:{key}", unit.caller().subject),
            Self::ClientId(id) => format!("id:{id}"),
        }
    }
}

/// Digest of a message, secrets left out, by which a repeat with other content is told. It is that of
/// the message's wire form, in which what was not said takes no room: a field that is added to the
/// contract later changes nothing.
pub fn fingerprint<M: prost::Message + Clone + contract::Secrets>(message: &M) -> Vec<u8> {
    if M::HAS_SECRETS {
        let mut open = message.clone();
        open.withhold(&mut Vec::new());
        digest(&open.encode_to_vec())
    } else {
        digest(&message.encode_to_vec())
    }
}

/// A reply as it is kept: its message's bytes, to the last digit. One that holds a secret is told
/// once and never kept.
pub(crate) fn kept_form<M: prost::Message + Clone + contract::Secrets>(
    reply: &M,
) -> Option<Vec<u8>> {
    if M::HAS_SECRETS {
        let mut taken = Vec::new();
        reply.clone().withhold(&mut taken);
        if !taken.is_empty() {
            return None;
        }
    }
    Some(reply.encode_to_vec())
}

/// SHA-256 of some bytes.
pub fn digest(bytes: &[u8]) -> Vec<u8> {
    Sha256::digest(bytes).to_vec()
}

/// Whether two fingerprints are of the same content, as far as is known: of some old entries it is
/// not.
pub(crate) fn same(known: &[u8], asked: &[u8]) -> bool {
    known.is_empty() || known == asked
}

/// What a request is known by, in every way in which a repeat of it may come.
#[derive(Clone, Default)]
pub(crate) struct Asked {
    /// Its keys.
    pub keys: Vec<RetryKey>,
    /// Digest of what was asked, without its secrets.
    pub fingerprint: Vec<u8>,
    /// The secrets in it.
    pub secrets: Vec<String>,
    /// Hash of the secrets; empty when there are none.
    pub secret_check: String,
}

/// What is known of a key after it was claimed.
pub(crate) enum Known {
    /// Nothing: it is claimed now.
    Fresh,
    /// It was used before.
    Before(Before),
    /// It was used by somebody of whom the caller may know nothing.
    Hidden,
}

/// What a key was used for.
pub(crate) struct Before {
    /// Digest of what was asked.
    pub fingerprint: Vec<u8>,
    secret_check: String,
    /// The reply, unless it is forgotten.
    reply: Option<Vec<u8>>,
    /// Who was answered.
    subject: Option<Uuid>,
}

/// The programme as the memory names it: the nil one holds what callers outside any programme asked.
fn programme(unit: &Unit) -> Uuid {
    unit.caller()
        .programme()
        .map(|programme| programme.uuid())
        .unwrap_or_default()
}

/// Claims keys for the rest of the transaction, each with its operation and fingerprint, and tells
/// what is known of each, in the order asked. Keys that another request has claimed are waited for.
///
/// # Errors
/// Unavailable, when the wait is too long.
pub(crate) async fn claim(
    unit: &mut Unit,
    asked: &[(&'static str, RetryKey, &[u8])],
) -> Result<Vec<Known>, Fault> {
    let stored: Vec<String> = asked.iter().map(|(_, key, _)| key.stored(unit)).collect();
    let (programme, subject, now) = (programme(unit), unit.caller().subject, unit.now());
    let rows = sqlx::query("select * from claim_keys($1, $2, $3, $4, $5, $6)")
        .bind(programme)
        .bind(
            asked
                .iter()
                .map(|(operation, ..)| *operation)
                .collect::<Vec<_>>(),
        )
        .bind(&stored)
        .bind(asked.iter().map(|(_, _, print)| *print).collect::<Vec<_>>())
        .bind(subject)
        .bind(Instant(now))
        .fetch_all(unit.connection())
        .await?;
    let mut found: HashMap<(String, String), Known> = rows
        .into_iter()
        .map(|row| {
            let known = if row.get("fresh") {
                Known::Fresh
            } else {
                Known::Before(Before {
                    fingerprint: row.get("fingerprint"),
                    secret_check: row.get("secret_check"),
                    reply: row.get("reply"),
                    subject: row.get("subject"),
                })
            };
            ((row.get("operation"), row.get("key")), known)
        })
        .collect();
    Ok(asked
        .iter()
        .zip(stored)
        .map(|((operation, ..), key)| {
            found
                .remove(&((*operation).to_owned(), key))
                .unwrap_or(Known::Hidden)
        })
        .collect())
}

/// Claims what a request is known by; the kept reply, when it was answered before.
///
/// # Errors
/// - unavailable, when the first request is still being answered;
/// - retry mismatch (header) or exists (client's id), when the content is other;
/// - exists, when the same was written under the id by somebody else, or so long ago that its reply
///   is forgotten.
pub(crate) async fn claim_request(
    unit: &mut Unit,
    operation: &'static str,
    asked: &Asked,
) -> Result<Option<Vec<u8>>, Fault> {
    let claims: Vec<_> = asked
        .keys
        .iter()
        .map(|key| (operation, key.clone(), asked.fingerprint.as_slice()))
        .collect();
    if claims.is_empty() {
        return Ok(None);
    }
    let known = claim(unit, &claims).await?;
    for (key, known) in asked.keys.iter().zip(known) {
        let before = match known {
            Known::Fresh => continue,
            Known::Before(before) => before,
            Known::Hidden => return Err(taken(key)),
        };
        let alike = same(&before.fingerprint, &asked.fingerprint)
            && secrets::hold(&asked.secrets, &before.secret_check).await?;
        if !alike {
            return Err(match key {
                RetryKey::Header(_) => Fault::new(
                    FaultKind::RetryMismatch,
                    "this Idempotency-Key was used with another body; use a new key for a new request",
                ),
                RetryKey::ClientId(id) => other_content(id),
            });
        }
        let own = before.subject == Some(unit.caller().subject.uuid());
        return match (before.reply, key) {
            (Some(reply), _) if own => Ok(Some(reply)),
            (_, RetryKey::ClientId(id)) => Err(Fault::exists(
                "/id",
                format!(
                    "{id} was written before with the same content, by somebody else or long ago; it is there, and nothing more was written"
                ),
            )),
            (_, key) => Err(taken(key)),
        };
    }
    Ok(None)
}

/// The fault of an id that was used for other content.
pub(crate) fn other_content(id: &str) -> Fault {
    Fault::exists(
        "/id",
        format!(
            "{id} was used for something with other contents; make a new id, or correct the first by a later entry"
        ),
    )
}

/// The fault of an id that something else has.
pub(crate) fn taken(key: &RetryKey) -> Fault {
    match key {
        RetryKey::ClientId(id) => {
            Fault::exists("/id", format!("{id} is there already; make a new id"))
        }
        RetryKey::Header(_) => Fault::new(
            FaultKind::RetryMismatch,
            "this Idempotency-Key was used before; use a new key for a new request",
        ),
    }
}

/// A reply to remember under a claimed key.
pub(crate) struct Answered {
    pub operation: &'static str,
    pub key: RetryKey,
    pub fingerprint: Vec<u8>,
    pub secret_check: String,
    /// None for one that is never told again.
    pub reply: Option<Vec<u8>>,
}

/// Remembers replies under the keys that were claimed for them, to commit with what was written.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn remember(unit: &mut Unit, answered: &[Answered]) -> Result<(), Fault> {
    fn each<'a, T>(answered: &'a [Answered], of: impl Fn(&'a Answered) -> T) -> Vec<T> {
        answered.iter().map(of).collect()
    }
    if answered.is_empty() {
        return Ok(());
    }
    let keys: Vec<String> = answered.iter().map(|a| a.key.stored(unit)).collect();
    let programme = programme(unit);
    sqlx::query(
        "update retry r set fingerprint = a.print, secret_check = a.secret_check, reply = a.reply \
         from unnest($2::text[], $3::text[], $4::bytea[], $5::text[], $6::bytea[]) \
             as a (operation, key, print, secret_check, reply) \
         where r.programme_id = $1 and r.operation = a.operation and r.key = a.key",
    )
    .bind(programme)
    .bind(each(answered, |a| a.operation))
    .bind(keys)
    .bind(each(answered, |a| a.fingerprint.as_slice()))
    .bind(each(answered, |a| a.secret_check.as_str()))
    .bind(each(answered, |a| a.reply.as_deref()))
    .execute(unit.connection())
    .await?;
    Ok(())
}

/// Gives up claims under which nothing was written.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn give_up(
    unit: &mut Unit,
    claimed: &[(&'static str, RetryKey)],
) -> Result<(), Fault> {
    if claimed.is_empty() {
        return Ok(());
    }
    let keys: Vec<String> = claimed.iter().map(|(_, key)| key.stored(unit)).collect();
    let programme = programme(unit);
    sqlx::query(
        "delete from retry r using unnest($2::text[], $3::text[]) as a (operation, key) \
         where r.programme_id = $1 and r.operation = a.operation and r.key = a.key",
    )
    .bind(programme)
    .bind(
        claimed
            .iter()
            .map(|(operation, _)| *operation)
            .collect::<Vec<_>>(),
    )
    .bind(keys)
    .execute(unit.connection())
    .await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use contract::identity::RegisterPersonRequest;

    use super::*;

    #[test]
    fn no_fingerprint_holds_a_secret() {
        let asked = |password: &str| RegisterPersonRequest {
            name: "Ines Vadell".into(),
            password: password.into(),
            ..RegisterPersonRequest::default()
        };
        // Else whoever reads it could try passwords until the digest fits.
        assert_eq!(fingerprint(&asked("first")), fingerprint(&asked("second")));
        let other = RegisterPersonRequest {
            name: "Ruy Ferrer".into(),
            ..asked("first")
        };
        assert_ne!(fingerprint(&asked("first")), fingerprint(&other));
    }

    #[test]
    fn no_reply_with_a_secret_is_kept() {
        let mut key = contract::identity::AccessKey {
            name: "till".into(),
            ..Default::default()
        };
        assert!(kept_form(&key).is_some());
        key.secret_key = "dpk_x".into();
        assert!(kept_form(&key).is_none());
    }

    #[test]
    fn a_header_key_is_visible_ascii() {
        for unsound in ["", "a b", "ä", &"x".repeat(201)] {
            assert!(RetryKey::header(unsound).is_err(), "{unsound:?}");
        }
        assert!(RetryKey::header(&"x".repeat(200)).is_ok());
    }
}
