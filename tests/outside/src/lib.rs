//! Outside checks: the science crates against published and independently computed values.
//!
//! The checks themselves are tests, one family per file in `tests/`; this library only finds the
//! case files, so that another folder of the same form can take the place of ours.

use std::path::PathBuf;

/// The folder that holds the check cases: `DRUPELINE_CHECKS` when set, else `tests/checks`.
pub fn checks_dir() -> PathBuf {
    std::env::var_os("DRUPELINE_CHECKS").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../checks"),
        PathBuf::from,
    )
}

/// Text of a case file that another folder need not have.
pub fn read_further_case_file(relative: &str) -> Option<String> {
    std::fs::read_to_string(checks_dir().join(relative)).ok()
}

/// Text of one case file, named relative to [`checks_dir`].
///
/// # Panics
/// When the file cannot be read: a missing case file is a failed check, not a skipped one.
pub fn read_case_file(relative: &str) -> String {
    let path = checks_dir().join(relative);
    std::fs::read_to_string(&path)
        .unwrap_or_else(|e| panic!("case file {} cannot be read: {e}", path.display()))
}
