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

use crate::up::{random_secret, write_secret};

/// File in the data folder that holds the demo's logins and passwords, by role.
pub const ACCOUNTS_FILE: &str = "demo-accounts.json";

/// File in the data folder that says that the demo is loaded.
pub const LOADED_FILE: &str = "demo-loaded";
/// File in the data folder that holds the day on which loading the demo began.
const STARTED_FILE: &str = "demo-started";

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
            let accounts = accounts::found(peers, setup_key, &DEMO, random_secret).await?;
            write_secret(
                &path,
                &format!("{}\n", serde_json::to_string_pretty(&accounts)?),
            )?;
            accounts
        }
        Err(error) => return Err(error.into()),
    };
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
    std::fs::write(&marker, format!("{today}\n"))?;
    eprintln!(
        "drupeline: the demo holds {} crosses, {} seedlings, {} trials and {} records",
        loaded.crosses_n,
        loaded.seedlings_n,
        loaded.trials.len(),
        loaded.records_n,
    );
    Ok(())
}

/// The day up to which the history is told: today, or the day on which an interrupted load began.
fn story_day(path: &Path) -> Result<jiff::civil::Date, Box<dyn Error + Send + Sync>> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok(text.trim().parse()?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let today = platform::Clock::System.today();
            std::fs::write(path, format!("{today}\n"))?;
            Ok(today)
        }
        Err(error) => Err(error.into()),
    }
}
