//! Commands for the host itself: they work on its database, whether or not the services run.

use std::error::Error;
use std::path::Path;

use platform::peers::ServiceName;
use platform::{Clock, config, database};
use private_postgres::{Options, PrivatePostgres, binaries_from_environment};
use sqlx::PgPool;

use crate::migrate::DATABASE_URL;
use crate::up::DATABASE;

type Failed = Box<dyn Error + Send + Sync>;

/// Does something with identity's tables: in the PostgreSQL that `DATABASE_URL` names, else in the
/// data folder's, which is started for as long as it takes where it does not run.
fn with_identity<T>(
    data_dir: &Path,
    work: impl AsyncFnOnce(PgPool) -> Result<T, platform::Fault>,
) -> Result<T, Failed> {
    let (url, started) = match config::setting(DATABASE_URL)? {
        Some(url) => (url, None),
        None if !data_dir.join("postgres").is_dir() => {
            return Err(format!(
                "there is no database in {}; name the data folder with --data-dir, or set {DATABASE_URL}",
                data_dir.display()
            )
            .into());
        }
        None => running_or_started(data_dir)?,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let done = runtime.block_on(async {
        let options = database::options(DATABASE_URL, &url)?;
        let pool = database::connect(options, ServiceName::Identity, 1).await?;
        database::require_current(&pool, &identity::schema()).await?;
        let done = work(pool.clone()).await?;
        pool.close().await;
        Ok::<T, Failed>(done)
    });
    drop(runtime);
    if let Some(started) = started {
        started.stop()?;
    }
    done
}

fn running_or_started(data_dir: &Path) -> Result<(String, Option<PrivatePostgres>), Failed> {
    let folder = data_dir.join("postgres");
    if let Some(url) = PrivatePostgres::url_of_running(&folder, DATABASE)? {
        return Ok((url, None));
    }
    let mut options = Options::lasting(folder);
    options.binaries = binaries_from_environment();
    let started = PrivatePostgres::start(options)?;
    Ok((started.url_of(DATABASE), Some(started)))
}

/// Gives a login a new password and prints it.
///
/// # Errors
/// When there is no such login, or the database cannot be reached.
pub fn reset_password(
    data_dir: &Path,
    login: &str,
    ends_second_factors: bool,
) -> Result<(), Failed> {
    let password = with_identity(data_dir, async |pool| {
        identity::host::reset_password(&pool, &Clock::System, login, ends_second_factors).await
    })?;
    eprintln!(
        "drupeline: {login} signs in with this password and is asked for another; all sessions have ended"
    );
    println!("{password}");
    Ok(())
}

/// Revokes every key that tokens are signed with.
///
/// # Errors
/// When the database cannot be reached.
pub fn revoke_signing_keys(data_dir: &Path) -> Result<(), Failed> {
    let revoked_n = with_identity(data_dir, async |pool| {
        identity::host::revoke_signing_keys(&pool, &Clock::System).await
    })?;
    eprintln!(
        "drupeline: {revoked_n} signing keys revoked; what they signed is refused within seconds"
    );
    Ok(())
}
