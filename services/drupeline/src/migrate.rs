//! Brings the database up to date.

use std::collections::BTreeMap;
use std::error::Error;

use platform::config;
use platform::database::{self, DatabaseError};
use platform::peers::ServiceName;

use crate::assembly;

/// Name of the setting that holds the administrator's database URL.
pub const DATABASE_URL: &str = "DATABASE_URL";

/// The password of a service's database role: `DRUPELINE_<SERVICE>_DB_PASSWORD` or its file, else
/// one made from the administrator's URL.
///
/// # Errors
/// When the setting is given twice or its file cannot be read.
pub fn role_password(service: ServiceName, admin_url: &str) -> Result<String, config::ConfigError> {
    let name = format!("DRUPELINE_{}_DB_PASSWORD", service.schema().to_uppercase());
    Ok(config::setting(&name)?.unwrap_or_else(|| database::derived_password(admin_url, service)))
}

/// Brings every schema and role up to date.
///
/// # Errors
/// When a setting cannot be used, the database does not answer or a migration fails.
pub async fn run(admin_url: &str) -> Result<(), Box<dyn Error + Send + Sync>> {
    let mut passwords = BTreeMap::new();
    for service in assembly::WITH_TABLES {
        passwords.insert(service, role_password(service, admin_url)?);
    }
    run_with_role_passwords(admin_url, |service| {
        passwords.get(&service).cloned().unwrap_or_default()
    })
    .await?;
    Ok(())
}

/// Brings every schema and role up to date, with given passwords of the roles.
///
/// # Errors
/// When the database does not answer or a migration fails.
pub async fn run_with_role_passwords(
    admin_url: &str,
    role_password: impl Fn(ServiceName) -> String,
) -> Result<(), DatabaseError> {
    let options = database::options(DATABASE_URL, admin_url)?;
    let schemas: Vec<_> = assembly::WITH_TABLES
        .into_iter()
        .filter_map(assembly::schema)
        .collect();
    database::migrate(&options, &schemas, role_password).await
}
