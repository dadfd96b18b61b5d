//! Commands for the host itself: they work on its database, whether or not the services run.

use std::error::Error;
use std::path::Path;

use platform::peers::ServiceName;
use platform::{Clock, Fault, database};
use sqlx::PgPool;

use crate::installation::Installation;
use crate::migrate::DATABASE_URL;

type Failed = Box<dyn Error + Send + Sync>;

/// Does something with identity's tables.
fn with_identity<T>(
    data_dir: &Path,
    work: impl AsyncFnOnce(PgPool) -> Result<T, Fault>,
) -> Result<T, Failed> {
    Installation::reach(data_dir)?.work(async |installation| {
        let options = database::options(DATABASE_URL, &installation.url)?;
        let pool = database::connect(options, ServiceName::Identity, 1).await?;
        database::require_current(&pool, &identity::schema()).await?;
        let done = work(pool.clone()).await?;
        pool.close().await;
        Ok(done)
    })
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
