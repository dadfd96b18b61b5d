//! `drupeline import`: signs in, loads, reports.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::PathBuf;

use clap::Args;
use platform::peers::{Peers, Place, ServiceName};

use super::{Progress, Report, load};
use crate::assembly::WITH_TABLES;
use crate::demo::accounts::{self, Account};

/// Environment variable that holds the password of `--login`.
pub const PASSWORD: &str = "DRUPELINE_PASSWORD";

/// Where Drupeline is and who signs in.
#[derive(Debug, Clone, Args)]
pub struct SignIn {
    /// Address of Drupeline, with https where it stands behind a certificate.
    #[arg(long, default_value = "http://127.0.0.1:8470")]
    pub url: String,
    /// File with accounts by role, as demo-accounts.json.
    #[arg(long, conflicts_with = "login", required_unless_present = "login")]
    pub accounts: Option<PathBuf>,
    /// Login; the password is taken from DRUPELINE_PASSWORD or from --password-file.
    #[arg(long)]
    pub login: Option<String>,
    /// File that holds the password of --login and nothing else.
    #[arg(long, requires = "login")]
    pub password_file: Option<PathBuf>,
}

impl SignIn {
    fn account(&self, role: &str) -> Result<Account, Box<dyn Error + Send + Sync>> {
        if let Some(path) = &self.accounts {
            let text = std::fs::read_to_string(path)
                .map_err(|error| format!("cannot read {}: {error}", path.display()))?;
            let mut all: BTreeMap<String, Account> =
                serde_json::from_str(&text).map_err(|error| {
                    format!("{} does not hold accounts by role: {error}", path.display())
                })?;
            return all
                .remove(role)
                .ok_or_else(|| format!("{} holds no account {role}", path.display()).into());
        }
        let login = self.login.clone().unwrap_or_default();
        let password = match &self.password_file {
            Some(path) => std::fs::read_to_string(path)
                .map_err(|error| format!("cannot read {}: {error}", path.display()))?
                .trim_end_matches(['\r', '\n'])
                .to_owned(),
            None => std::env::var(PASSWORD).map_err(|_| {
                format!(
                    "no password for {login}: set {PASSWORD}, or name a file with --password-file"
                )
            })?,
        };
        Ok(Account { login, password })
    }

    /// The services at the address, and an access token of the account.
    ///
    /// # Errors
    /// When the account cannot be read, the address is not a URL or signing in is refused.
    pub async fn connect(
        &self,
        role: &str,
    ) -> Result<(Peers, String), Box<dyn Error + Send + Sync>> {
        let account = self.account(role)?;
        let place = Place::at(&self.url).map_err(|error| {
            format!(
                "{} is not an address such as http://127.0.0.1:8470: {error}",
                self.url
            )
        })?;
        let places = WITH_TABLES
            .into_iter()
            .map(|service| (service, place.clone()))
            .collect();
        let peers = Peers::new(ServiceName::Dashboard, String::new(), places);
        let token = accounts::sign_in(&peers, &account).await.map_err(|fault| {
            format!(
                "signing in as {} at {} did not succeed: {fault}",
                account.login, self.url
            )
        })?;
        Ok((peers, token))
    }
}

/// What `import` was asked for.
#[derive(Debug, Clone, Args)]
pub struct ImportCommand {
    /// Folder with the files of a season.
    pub folder: PathBuf,
    /// Where, and as whom.
    #[command(flatten)]
    pub sign_in: SignIn,
    /// Check everything and write nothing.
    #[arg(long)]
    pub check_only: bool,
}

/// Loads a season and tells what became of it.
///
/// # Errors
/// When it could not be loaded, or has faults.
pub async fn run(command: &ImportCommand) -> Result<(), Box<dyn Error + Send + Sync>> {
    let (peers, token) = command.sign_in.connect("breeder").await?;
    let progress = Progress::shown();
    let report = load(
        &peers,
        &token,
        &command.folder,
        command.check_only,
        &progress,
    )
    .await;
    progress.finish();
    let report = report?;
    tell(&report);
    match (report.faults.len(), report.written) {
        (0, _) => Ok(()),
        (n, true) => Err(format!(
            "{n} faults in the records; crosses and trials are loaded, records are not: mend them and run it again"
        )
        .into()),
        (n, false) => Err(format!("{n} faults; nothing was written").into()),
    }
}

fn tell(report: &Report) {
    for skipped in &report.skipped {
        println!("skipped: {} {}", skipped.name, skipped.reason);
    }
    for warning in &report.warnings {
        println!("look again: {warning}");
    }
    for fault in &report.faults {
        println!("fault: {fault}");
    }
    for loaded in &report.loaded {
        let verb = if report.written {
            "written"
        } else {
            "would be written"
        };
        println!(
            "{}: {} {verb}, {} unchanged",
            loaded.section, loaded.written_n, loaded.unchanged_n
        );
    }
    if report.faults.is_empty() && !report.written {
        println!("no faults; nothing was written");
    }
}
