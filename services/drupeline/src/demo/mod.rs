//! An invented programme with its people and six seasons of history, made by the program from a
//! seed and loaded through the same use cases as anybody's own data.

pub mod accounts;

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

use accounts::{Account, Founding};
use platform::peers::Peers;

use crate::up::{random_secret, write_secret};

/// File in the data folder that holds the demo's logins and passwords, by role.
pub const ACCOUNTS_FILE: &str = "demo-accounts.json";

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
    let _ = accounts;
    Ok(())
}
