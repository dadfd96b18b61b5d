//! Brings the database up to date.

use std::collections::BTreeMap;
use std::error::Error;

use platform::config;
use platform::database::{self, DatabaseError, RoleSecret};
use platform::peers::ServiceName;
use sqlx::postgres::PgConnectOptions;

use crate::assembly;

/// Name of the setting that holds the administrator's database URL.
pub const DATABASE_URL: &str = "DATABASE_URL";

/// The password of a service's database role, where one is set: `DRUPELINE_<SERVICE>_DB_PASSWORD` or
/// its file.
pub(crate) fn set_password(service: ServiceName) -> Result<Option<String>, config::ConfigError> {
    config::setting(&format!(
        "DRUPELINE_{}_DB_PASSWORD",
        service.schema().to_uppercase()
    ))
}

/// The database of services, each as its own role, reached as the administrator's is. A role whose
/// password is not set has one that `migrate` made from a secret in the database.
///
/// # Errors
/// When a setting cannot be used, or the database does not answer or was never brought up to date.
pub async fn role_databases(
    admin_url: &str,
    services: impl IntoIterator<Item = ServiceName>,
) -> Result<BTreeMap<ServiceName, PgConnectOptions>, Box<dyn Error + Send + Sync>> {
    let admin = database::options(DATABASE_URL, admin_url)?;
    let mut secret = None;
    let mut databases = BTreeMap::new();
    for service in services {
        let password = match set_password(service)? {
            Some(password) => password,
            None => {
                if secret.is_none() {
                    secret = Some(RoleSecret::read(&admin).await?);
                }
                secret
                    .as_ref()
                    .map(|secret| secret.password_of(service))
                    .unwrap_or_default()
            }
        };
        let options = admin
            .clone()
            .username(&service.database_role())
            .password(&password);
        databases.insert(service, options);
    }
    Ok(databases)
}

/// Brings every schema and role up to date.
///
/// # Errors
/// When a setting cannot be used, the database does not answer or a migration fails.
pub async fn run(admin_url: &str) -> Result<(), Box<dyn Error + Send + Sync>> {
    let mut passwords = BTreeMap::new();
    for service in assembly::WITH_TABLES {
        passwords.insert(service, set_password(service)?);
    }
    run_with_role_passwords(admin_url, |service| {
        passwords.get(&service).cloned().flatten()
    })
    .await?;
    Ok(())
}

/// Brings every schema and role up to date, with given passwords of the roles; a role for which none
/// is given has one made.
///
/// # Errors
/// When the database does not answer or a migration fails.
pub async fn run_with_role_passwords(
    admin_url: &str,
    role_password: impl Fn(ServiceName) -> Option<String>,
) -> Result<(), DatabaseError> {
    let options = database::options(DATABASE_URL, admin_url)?;
    let schemas: Vec<_> = assembly::WITH_TABLES
        .into_iter()
        .filter_map(assembly::schema)
        .collect();
    database::migrate(&options, &schemas, role_password).await
}
