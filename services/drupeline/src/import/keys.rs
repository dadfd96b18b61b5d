//! Ids made from what a row is known by in its files, so that loading again meets the same ids.

use sha2::{Digest as _, Sha256};
use uuid::{Builder, Uuid};

/// The id of a thing by its programme, its kind and what it is known by: a UUID of version 8
/// (RFC 9562) from the first 122 bits of a SHA-256. Capitals and outer spaces make no difference.
pub fn id(programme: &str, kind: &str, key: &[&str]) -> Uuid {
    let mut digest = Sha256::new();
    for part in [programme, kind].iter().chain(key) {
        let part = part.trim().to_lowercase();
        // The length keeps ("ab", "c") and ("a", "bc") apart.
        digest.update((part.len() as u64).to_be_bytes());
        digest.update(part.as_bytes());
    }
    let digest = digest.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    Builder::from_custom_bytes(bytes).into_uuid()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_key_gives_the_same_id_and_another_another() {
        let first = id("p", "cross", &["A1"]);
        assert_eq!(first, id("p", "cross", &[" a1 "]));
        assert_eq!(first.get_version_num(), 8);
        for other in [
            id("q", "cross", &["A1"]),
            id("p", "mother", &["A1"]),
            id("p", "cross", &["A", "1"]),
            id("p", "cross", &["A2"]),
        ] {
            assert_ne!(first, other);
        }
    }
}
