//! Settings, from the environment or from files for secrets: `X` or `X_FILE`, never both.

use std::env::{self, VarError};

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
