//! An invented programme with its people and six seasons of history, made by the program from a
//! seed and loaded through the same use cases as anybody's own data.

pub mod accounts;
pub mod biology;
pub mod climate;
pub mod history;
pub mod life;
pub mod loading;
mod past;
pub mod rights;
pub mod season;

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

use accounts::{Account, Founding};
use platform::peers::Peers;

use crate::up::{random_secret, write_secret, write_whole};

/// File in the data folder that holds the demo's logins and passwords, by role.
pub const ACCOUNTS_FILE: &str = "demo-accounts.json";

/// File in the data folder that says that the demo is loaded.
pub const LOADED_FILE: &str = "demo-loaded";
/// File in the data folder that holds the day on which loading the demo began.
const STARTED_FILE: &str = "demo-started";

/// File in the data folder that holds the passwords of the demo's accounts while these are made.
const PASSWORDS_FILE: &str = "demo-passwords";

/// The demo's programme and its people. All names are invented.
pub const DEMO: Founding = Founding {
    programme: "Tannow Hollow stone fruit",
    login_suffix: "",
    nurseries: [
        ("Quillmere Nurseries", "US"),
        ("Vale of Ossery Trees", "CL"),
    ],
};

/// Loads the demo, or goes on with it where an earlier start was interrupted.
///
/// # Errors
/// When the accounts file cannot be written or a use case refuses.
pub async fn load(
    peers: &Peers,
    setup_key: &str,
    data_dir: &Path,
) -> Result<(), Box<dyn Error + Send + Sync>> {
    let path = data_dir.join(ACCOUNTS_FILE);
    let accounts: BTreeMap<String, Account> = match std::fs::read_to_string(&path) {
        Ok(text) => serde_json::from_str(&text)?,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            // Written down before they are used, so that a start that is killed can be repeated.
            let chosen = passwords(&data_dir.join(PASSWORDS_FILE))?;
            let mut left = chosen.into_iter();
            let accounts = accounts::found(peers, setup_key, &DEMO, || {
                left.next().unwrap_or_else(random_secret)
            })
            .await?;
            write_secret(
                &path,
                &format!("{}\n", serde_json::to_string_pretty(&accounts)?),
            )?;
            accounts
        }
        Err(error) => return Err(error.into()),
    };
    // The accounts are there, with their passwords in their own file.
    match std::fs::remove_file(data_dir.join(PASSWORDS_FILE)) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error.into()),
        _ => {}
    }
    let marker = data_dir.join(LOADED_FILE);
    if marker.exists() {
        return Ok(());
    }
    let bar = indicatif::ProgressBar::new(1);
    if let Ok(style) =
        indicatif::ProgressStyle::with_template("  {bar:30} {pos}/{len} {msg} ({elapsed})")
    {
        bar.set_style(style);
    }
    bar.enable_steady_tick(std::time::Duration::from_millis(200));
    let today = story_day(&data_dir.join(STARTED_FILE))?;
    let loaded = loading::load(peers, &accounts, history::Size::FULL, today, bar).await?;
    write_whole(&marker, &format!("{today}\n"), 0o644)?;
    eprintln!(
        "drupeline: the demo holds {} crosses, {} seedlings, {} trials and {} records",
        loaded.crosses_n,
        loaded.seedlings_n,
        loaded.trials.len(),
        loaded.records_n,
    );
    Ok(())
}

/// The passwords chosen for the demo's accounts, in the order in which these are made.
fn passwords(path: &Path) -> Result<Vec<String>, Box<dyn Error + Send + Sync>> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok(text.lines().map(str::to_owned).collect()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let chosen: Vec<String> = (0..accounts::ACCOUNTS_N).map(|_| random_secret()).collect();
            write_secret(path, &chosen.join("\n"))?;
            Ok(chosen)
        }
        Err(error) => Err(error.into()),
    }
}

/// The day up to which the history is told: today, or the day on which an interrupted load began.
fn story_day(path: &Path) -> Result<jiff::civil::Date, Box<dyn Error + Send + Sync>> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok(text.trim().parse()?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let today = platform::Clock::System.today();
            write_whole(path, &format!("{today}\n"), 0o644)?;
            Ok(today)
        }
        Err(error) => Err(error.into()),
    }
}
