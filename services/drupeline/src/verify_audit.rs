//! Checks that nothing of the audit trail is missing or changed.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use platform::audit::chain::{self, Head};
use sqlx::{ConnectOptions as _, Connection as _};

use crate::assembly;
use crate::installation::Installation;
use crate::migrate::DATABASE_URL;

type Failed = Box<dyn Error + Send + Sync>;

/// Checks the trails of all services, prints the heads of their chains, and names what is wrong.
///
/// # Errors
/// When the database cannot be reached, the kept heads cannot be read, or something is wrong with the
/// trail.
pub fn run(data_dir: &Path, kept: Option<&PathBuf>) -> Result<(), Failed> {
    let kept = kept.map_or_else(|| Ok(Vec::new()), |file| read_heads(file))?;
    Installation::reach(data_dir)?.work(async |installation| {
        let options = platform::database::options(DATABASE_URL, &installation.url)?;
        let mut connection = options.connect().await?;
        let report = chain::verify(&mut connection, &assembly::WITH_TABLES, &kept).await?;
        connection.close().await?;
        for head in &report.heads {
            println!("{head}");
        }
        for wrong in &report.breaks {
            eprintln!("drupeline: {wrong}");
        }
        eprintln!(
            "drupeline: {} entries in {} chains checked, against {} heads that were kept",
            report.entries_n,
            report.heads.len(),
            kept.len()
        );
        match report.breaks.len() {
            0 => Ok(()),
            n => Err(format!("the audit trail is not whole: {n} faults, as told above").into()),
        }
    })
}

/// Heads that an earlier run printed, one a line.
fn read_heads(file: &Path) -> Result<Vec<Head>, Failed> {
    let text = fs::read_to_string(file)
        .map_err(|error| format!("{} cannot be read: {error}", file.display()))?;
    text.lines()
        .zip(1..)
        .filter(|(line, _)| !line.trim().is_empty())
        .map(|(line, n)| {
            line.parse()
                .map_err(|error| format!("{} line {n}: {error}", file.display()).into())
        })
        .collect()
}
