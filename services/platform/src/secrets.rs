//! Secrets in requests: nothing is kept of them but a slow hash, by which a repeat with another
//! secret is told from one with the same.

use std::sync::LazyLock;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use tokio::sync::Semaphore;

use crate::fault::Fault;

/// Hashes made at once: each takes some 20 MB and tens of milliseconds.
static AT_ONCE: LazyLock<Semaphore> = LazyLock::new(|| Semaphore::new(2));

/// Hash of a request's secrets; empty when it has none.
///
/// # Errors
/// Internal, when hashing fails.
pub(crate) async fn hash(secrets: &[String]) -> Result<String, Fault> {
    if secrets.is_empty() {
        return Ok(String::new());
    }
    let joined = joined(secrets);
    slowly(move || {
        Argon2::default()
            .hash_password(&joined)
            .map(|hash: PasswordHash| hash.to_string())
    })
    .await
}

/// Whether a request's secrets are those of a hash. Without a hash nothing is known of them.
///
/// # Errors
/// Internal, when the hash cannot be read.
pub(crate) async fn hold(secrets: &[String], hash: &str) -> Result<bool, Fault> {
    if hash.is_empty() {
        return Ok(true);
    }
    let (joined, hash) = (joined(secrets), hash.to_owned());
    slowly(move || {
        let parsed = PasswordHash::new(&hash)?;
        Ok(Argon2::default().verify_password(&joined, &parsed).is_ok())
    })
    .await
}

/// One text of several, no two sets of which read alike.
fn joined(secrets: &[String]) -> Vec<u8> {
    let mut joined = Vec::new();
    for secret in secrets {
        joined.extend_from_slice(&secret.len().to_be_bytes());
        joined.extend_from_slice(secret.as_bytes());
    }
    joined
}

async fn slowly<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, argon2::password_hash::Error> + Send + 'static,
) -> Result<T, Fault> {
    let _place = AT_ONCE.acquire().await.map_err(Fault::internal)?;
    tokio::task::spawn_blocking(work)
        .await
        .map_err(Fault::internal)?
        .map_err(|error| Fault::internal(std::io::Error::other(error.to_string())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn only_the_same_secrets_hold() {
        let of = |secrets: &[&str]| secrets.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
        let hash = hash(&of(&["set-up key", "password"])).await.unwrap();
        assert!(hash.starts_with("$argon2id$"), "{hash}");
        assert!(hold(&of(&["set-up key", "password"]), &hash).await.unwrap());
        assert!(!hold(&of(&["set-up keyp", "assword"]), &hash).await.unwrap());
        assert!(!hold(&[], &hash).await.unwrap());
    }
}
