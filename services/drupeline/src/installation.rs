//! Where an installation's database is, for commands that work on it whether or not it is up.

use std::error::Error;
use std::path::Path;

use platform::config;
use private_postgres::{Options, PrivatePostgres, binaries_from_environment};

use crate::migrate::DATABASE_URL;
use crate::up::DATABASE;

type Failed = Box<dyn Error + Send + Sync>;

/// Name of the private PostgreSQL's folder in the data folder.
pub const POSTGRES_FOLDER: &str = "postgres";

/// Whether `DATABASE_URL` names a database, in place of the data folder's own.
///
/// # Errors
/// When the setting is given twice or its file cannot be read.
pub fn is_given() -> Result<bool, config::ConfigError> {
    Ok(config::setting(DATABASE_URL)?.is_some())
}

/// An installation's database, within reach of its administrator.
pub struct Installation {
    /// The administrator's URL.
    pub url: String,
    /// The private PostgreSQL, where it did not run and was started for the occasion.
    started: Option<PrivatePostgres>,
}

impl Installation {
    /// The database that `DATABASE_URL` names, else the one of the data folder, whose PostgreSQL is
    /// started where it does not run. To be called outside of the runtime.
    ///
    /// # Errors
    /// When there is no database, or it cannot be started.
    pub fn reach(data_dir: &Path) -> Result<Self, Failed> {
        if let Some(url) = config::setting(DATABASE_URL)? {
            return Ok(Self { url, started: None });
        }
        let folder = data_dir.join(POSTGRES_FOLDER);
        if !folder.is_dir() {
            return Err(format!(
                "there is no database in {}; name the data folder with --data-dir, or set \
                 {DATABASE_URL}",
                data_dir.display()
            )
            .into());
        }
        if let Some(url) = PrivatePostgres::url_of_running(&folder, DATABASE)? {
            return Ok(Self { url, started: None });
        }
        Self::start(data_dir)
    }

    /// Starts the data folder's own PostgreSQL, which is made where there is none. To be called
    /// outside of the runtime.
    ///
    /// # Errors
    /// When it runs already, or cannot be started.
    pub fn start(data_dir: &Path) -> Result<Self, Failed> {
        let mut options = Options::lasting(data_dir.join(POSTGRES_FOLDER));
        options.binaries = binaries_from_environment();
        let started = PrivatePostgres::start(options)?;
        Ok(Self {
            url: started.url_of(DATABASE),
            started: Some(started),
        })
    }

    /// The private PostgreSQL's URL for making databases, where it was started for the occasion.
    pub fn maintenance_url(&self) -> Option<String> {
        self.started.as_ref().map(PrivatePostgres::url)
    }

    /// Works on the database, then stops what was started for it.
    ///
    /// # Errors
    /// Whatever the work finds; that PostgreSQL did not stop cleanly.
    pub fn work<T>(self, work: impl AsyncFnOnce(&Self) -> Result<T, Failed>) -> Result<T, Failed> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()?;
        let done = runtime.block_on(work(&self));
        drop(runtime);
        if let Some(started) = self.started {
            started.stop()?;
        }
        done
    }
}
