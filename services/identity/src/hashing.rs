//! Hashing of passwords, which is slow and large on purpose: bounded, and off the async threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::available_parallelism;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use platform::Fault;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Most hashes at once; each takes some 20 MB.
const PLACES_MAX: usize = 4;
/// Most that wait for a place. A place is free again within a tenth of a second, so who waits
/// behind so many waits for less than a minute.
const WAITING_MAX: usize = 1000;
/// After how long somebody should come back who found the queue full.
const COME_BACK_S: u32 = 30;

/// The places at which passwords are hashed.
#[derive(Debug)]
pub struct Hashing {
    places: Arc<Semaphore>,
    waiting_n: AtomicUsize,
}

impl Default for Hashing {
    fn default() -> Self {
        let cores = available_parallelism().map_or(1, usize::from);
        Self::with_places(cores.min(PLACES_MAX))
    }
}

/// One fewer waits when this goes, also when the request was given up.
struct Waiting<'a>(&'a AtomicUsize);

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Hashing {
    fn with_places(places_n: usize) -> Self {
        Self {
            places: Arc::new(Semaphore::new(places_n)),
            waiting_n: AtomicUsize::new(0),
        }
    }

    /// Waits for a place, first come first served.
    ///
    /// # Errors
    /// Throttled when too many wait already.
    pub async fn place(&self) -> Result<Place, Fault> {
        let before = self.waiting_n.fetch_add(1, Ordering::Relaxed);
        let _waiting = Waiting(&self.waiting_n);
        if before >= WAITING_MAX {
            return Err(Fault::throttled(
                format!(
                    "too many people sign in at this moment; try again in {COME_BACK_S} seconds"
                ),
                COME_BACK_S,
            ));
        }
        let permit = self.places.clone().acquire_owned().await;
        permit
            .map(|_permit| Place { _permit })
            .map_err(Fault::internal)
    }

    /// Hashes a new password.
    ///
    /// # Errors
    /// Throttled when too many wait already; internal, when hashing fails.
    pub async fn hash(&self, password: String) -> Result<String, Fault> {
        self.place().await?.hash(password).await
    }
}

/// A place at which one password is hashed. It stays taken until the work is done, also when nobody
/// waits for the outcome any more.
pub struct Place {
    _permit: OwnedSemaphorePermit,
}

impl Place {
    async fn work<T: Send + 'static>(
        self,
        work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        tokio::task::spawn_blocking(move || {
            let done = work();
            drop(self);
            done
        })
        .await
        .map_err(Fault::internal)?
    }

    /// Hashes a password with argon2id.
    ///
    /// # Errors
    /// Internal, when hashing fails.
    pub async fn hash(self, password: String) -> Result<String, Fault> {
        self.work(move || {
            Argon2::default()
                .hash_password(password.as_bytes())
                .map(|hash: PasswordHash| hash.to_string())
                .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))
        })
        .await
    }

    /// Whether a password is the hashed one. With no hash it works as long and says no, so that an
    /// unknown login cannot be told by the time it takes.
    ///
    /// # Errors
    /// Internal, when the stored hash cannot be read.
    pub async fn holds(self, password: String, hash: Option<String>) -> Result<bool, Fault> {
        self.work(move || match hash.filter(|hash| !hash.is_empty()) {
            Some(hash) => {
                let parsed = PasswordHash::new(&hash)
                    .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))?;
                Ok(Argon2::default()
                    .verify_password(password.as_bytes(), &parsed)
                    .is_ok())
            }
            None => {
                let _: Result<PasswordHash, _> =
                    Argon2::default().hash_password(password.as_bytes());
                Ok(false)
            }
        })
        .await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_password_holds_against_its_own_hash_only() {
        let hashing = Hashing::default();
        let hash = hashing.hash("apricot-in-winter".into()).await.unwrap();
        assert!(hash.starts_with("$argon2id$"));
        let holds = async |password: &str, hash: Option<&str>| {
            let place = hashing.place().await.unwrap();
            let hash = hash.map(str::to_owned);
            place.holds(password.to_owned(), hash).await.unwrap()
        };
        assert!(holds("apricot-in-winter", Some(&hash)).await);
        assert!(!holds("apricot-in-summer", Some(&hash)).await);
        assert!(!holds("apricot-in-winter", None).await);
        assert!(!holds("", Some("")).await);
    }

    #[tokio::test]
    async fn no_more_hash_at_once_than_there_are_places() {
        let hashing = Arc::new(Hashing::with_places(2));
        let (one, _other) = (
            hashing.place().await.unwrap(),
            hashing.place().await.unwrap(),
        );
        let third = tokio::spawn({
            let hashing = hashing.clone();
            async move { hashing.place().await.map(drop) }
        });
        tokio::task::yield_now().await;
        assert!(!third.is_finished());
        drop(one);
        third.await.unwrap().unwrap();
        assert_eq!(hashing.waiting_n.load(Ordering::Relaxed), 0);
    }

    #[tokio::test]
    async fn who_finds_the_queue_full_is_told_when_to_come_back() {
        let hashing = Hashing::with_places(0);
        hashing.waiting_n.store(WAITING_MAX, Ordering::Relaxed);
        let refused = hashing.place().await.err().unwrap();
        assert_eq!(refused.kind(), platform::fault::FaultKind::Throttled);
        assert_eq!(hashing.waiting_n.load(Ordering::Relaxed), WAITING_MAX);
    }
}
