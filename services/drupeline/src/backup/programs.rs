//! PostgreSQL's own programs for dumps.

use std::error::Error;
use std::ffi::OsStr;
use std::path::Path;
use std::process::Stdio;

use platform::database;
use private_postgres::{ClientProgram, binaries_from_environment};
use tokio::process::{Child, Command};

use crate::migrate::DATABASE_URL;

type Failed = Box<dyn Error + Send + Sync>;

/// A program that is new enough: an older one refuses to dump a server, or to read a dump.
pub fn find(name: &'static str, oldest_major: u32) -> Result<ClientProgram, Failed> {
    ClientProgram::find(binaries_from_environment().as_deref(), name, oldest_major).ok_or_else(
        || {
            format!(
                "{name} of PostgreSQL {oldest_major} or newer is not installed: `apt-get install \
             postgresql-client`, or name the folder of the programs in {}",
                private_postgres::BINARIES_VARIABLE
            )
            .into()
        },
    )
}

/// A program that works on a database. The password is handed over apart, so that no list of
/// processes shows it.
///
/// # Errors
/// When the URL is none.
pub fn command(program: &Path, url: &str) -> Result<Command, Failed> {
    // As the rest of the program reads it, so that a fault reads the same.
    database::options(DATABASE_URL, url)?;
    let mut without = reqwest::Url::parse(url)?;
    let password = without
        .password()
        .map(|password| {
            percent_encoding::percent_decode_str(password)
                .decode_utf8()
                .map(std::borrow::Cow::into_owned)
        })
        .transpose()?;
    let _ = without.set_password(None);
    let mut command = Command::new(program);
    command
        .env("LC_ALL", "C")
        .args([OsStr::new("--no-password"), OsStr::new("--dbname")])
        .arg(without.as_str())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true);
    if let Some(password) = password {
        command.env("PGPASSWORD", password);
    }
    Ok(command)
}

/// Waits for a program to end well.
///
/// # Errors
/// When it does not, with the last of what it said.
pub async fn finish(name: &str, child: Child) -> Result<(), Failed> {
    let output = child.wait_with_output().await?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    let lines: Vec<&str> = said.trim_end().lines().collect();
    let last = lines[lines.len().saturating_sub(8)..].join("\n");
    Err(format!("{name} ended with {}: {last}", output.status).into())
}
