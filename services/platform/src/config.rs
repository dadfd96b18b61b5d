//! Settings, from the environment or from files for secrets: `X` or `X_FILE`, never both.

use std::env::{self, VarError};
use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest as _, Sha256};

/// A setting that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// Given twice.
    #[error("{0} and {0}_FILE are both set; keep one")]
    Twice(String),
    /// The file cannot be read.
    #[error("{name}_FILE names {path}, which cannot be read: {source}")]
    File {
        /// The setting.
        name: String,
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// Not text.
    #[error("{0} is not text")]
    NotText(String),
    /// Missing.
    #[error("{name} is not set; {remedy}")]
    Missing {
        /// The setting.
        name: String,
        /// What to do.
        remedy: &'static str,
    },
    /// Could be guessed.
    #[error(
        "{0} holds fewer than {SECRET_BYTES} random bytes; make one with `openssl rand -hex \
         {SECRET_BYTES}`"
    )]
    Weak(String),
}

/// Fewest random bytes in a secret.
pub const SECRET_BYTES: usize = 32;
/// Fewest different bytes in a secret: 32 random ones have about 30, and fewer than this once in
/// more than 10^12 times.
const DIFFERENT_BYTES: usize = 18;

/// A secret that nobody can guess: at least [`SECRET_BYTES`] random bytes, written as hexadecimal
/// digits or as base64. Never printed.
#[derive(Clone)]
pub struct Secret(String);

impl Secret {
    /// The secret in a text, which the setting `name` held.
    ///
    /// # Errors
    /// [`ConfigError::Weak`] when it is too short or plainly not random.
    pub fn read(name: &str, text: &str) -> Result<Self, ConfigError> {
        let text = text.trim();
        let mut bytes = decoded(text).unwrap_or_default();
        let long_enough = bytes.len() >= SECRET_BYTES;
        bytes.sort_unstable();
        bytes.dedup();
        if long_enough && bytes.len() >= DIFFERENT_BYTES {
            Ok(Self(text.to_owned()))
        } else {
            Err(ConfigError::Weak(name.to_owned()))
        }
    }

    /// The secret in a setting; see [`setting`].
    ///
    /// # Errors
    /// See [`ConfigError`].
    pub fn setting(name: &str) -> Result<Option<Self>, ConfigError> {
        setting(name)?
            .map(|text| Self::read(name, &text))
            .transpose()
    }

    /// A new one.
    pub fn random() -> Self {
        use rand::Rng as _;
        let mut bytes = [0; SECRET_BYTES];
        rand::rng().fill_bytes(&mut bytes);
        Self(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
    }

    /// Whether somebody who should know the secret does. Digests are compared, so that the time
    /// taken says nothing about the secret.
    pub fn is(&self, given: &str) -> bool {
        Sha256::digest(self.0.as_bytes()) == Sha256::digest(given.as_bytes())
    }

    /// The secret, to be sent or kept.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(withheld)")
    }
}

/// The bytes of hexadecimal digits or of base64, of either alphabet, padded or not.
fn decoded(text: &str) -> Option<Vec<u8>> {
    if text.len().is_multiple_of(2) && text.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return (0..text.len())
            .step_by(2)
            .map(|at| u8::from_str_radix(&text[at..at + 2], 16).ok())
            .collect();
    }
    let bare = text
        .trim_end_matches('=')
        .replace('+', "-")
        .replace('/', "_");
    URL_SAFE_NO_PAD.decode(bare).ok()
}

/// A setting by name, or the contents of the file that `<name>_FILE` names.
///
/// # Errors
/// See [`ConfigError`].
pub fn setting(name: &str) -> Result<Option<String>, ConfigError> {
    let direct = variable(name)?;
    let file = variable(&format!("{name}_FILE"))?;
    match (direct, file) {
        (Some(_), Some(_)) => Err(ConfigError::Twice(name.to_owned())),
        (Some(value), None) => Ok(Some(value)),
        (None, Some(path)) => std::fs::read_to_string(&path)
            .map(|text| Some(text.trim_end().to_owned()))
            .map_err(|source| ConfigError::File {
                name: name.to_owned(),
                path,
                source,
            }),
        (None, None) => Ok(None),
    }
}

/// A setting that must be there.
///
/// # Errors
/// See [`ConfigError`].
pub fn required(name: &str, remedy: &'static str) -> Result<String, ConfigError> {
    setting(name)?.ok_or_else(|| ConfigError::Missing {
        name: name.to_owned(),
        remedy,
    })
}

fn variable(name: &str) -> Result<Option<String>, ConfigError> {
    match env::var(name) {
        Ok(value) if value.is_empty() => Ok(None),
        Ok(value) => Ok(Some(value)),
        Err(VarError::NotPresent) => Ok(None),
        Err(VarError::NotUnicode(_)) => Err(ConfigError::NotText(name.to_owned())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_have_32_random_bytes() {
        let one = Secret::random();
        assert_ne!(one.reveal(), Secret::random().reveal());
        for taken in [
            one.reveal(),
            // Both alphabets of base64, padded and not.
            "3q2+7wABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhs=",
            "3q2-7wABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhs",
        ] {
            let secret = Secret::read("X", &format!("{taken}\n")).unwrap();
            assert!(secret.is(taken) && !secret.is("") && !secret.is(&taken[1..]));
            assert!(!format!("{secret:?}").contains(taken));
        }
    }

    #[test]
    fn secrets_that_could_be_guessed_are_refused_by_name() {
        let short = &Secret::random().reveal()[..62].to_owned();
        let repeated = "0123456789abcdef".repeat(5);
        let same = "A".repeat(64);
        for weak in [
            "",
            "secret",
            "a long phrase of many plain words that people know",
            short,
            &repeated,
            &same,
        ] {
            let refused = Secret::read("DRUPELINE_SETUP_KEY", weak).unwrap_err();
            let told = refused.to_string();
            assert!(
                told.starts_with("DRUPELINE_SETUP_KEY holds fewer than 32"),
                "{told}"
            );
            assert!(
                told.contains("openssl rand -hex 32") && (weak.is_empty() || !told.contains(weak))
            );
        }
    }
}
