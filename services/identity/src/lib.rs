//! People, organisations, roles, tokens and keys.
//!
//! [`operations`] is the table of all that can be asked; [`app`] holds one function per use case;
//! [`domain`] the rules for passwords, logins and roles; [`throttle`] counts wrong attempts;
//! [`hashing`] hashes passwords, so many at a time; [`keys`] signs tokens; [`store`] the SQL.

pub mod app;
pub mod domain;
pub mod hashing;
pub mod host;
pub mod keys;
pub mod operations;
pub mod store;
pub mod throttle;

use std::collections::BTreeMap;
use std::sync::Arc;

use contract::identity::identity_server::IdentityServer;
use jiff::Timestamp;
use platform::Fault;
use platform::config::Secret;
use platform::door::Door;
use platform::operation::{App, Context};
use platform::peers::ServiceName;
use platform::server::Mounted;

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations/identity");

/// What this service needs of the database.
pub fn schema() -> platform::database::Schema {
    platform::database::Schema {
        service: ServiceName::Identity,
        migrations: &MIGRATIONS,
        counts_changes: false,
        grants: Default::default(),
    }
}

/// Secrets that identity compares others' with.
#[derive(Clone)]
pub struct Secrets {
    /// What each service proves itself with.
    pub services: BTreeMap<ServiceName, Secret>,
    /// What founding a programme needs; none closes that door.
    pub setup_key: Option<Secret>,
}

/// The application layer of this service.
pub struct IdentityApp {
    context: Context,
    keys: keys::Keyring,
    secrets: Secrets,
    throttle: throttle::Throttle,
    hashing: hashing::Hashing,
}

impl IdentityApp {
    fn now(&self) -> Timestamp {
        self.context.clock.now()
    }
}

impl App for IdentityApp {
    fn context(&self) -> &Context {
        &self.context
    }
}

/// The service, ready to be served.
///
/// # Errors
/// When the signing keys can be neither read nor made.
pub async fn mount(context: Context, secrets: Secrets) -> Result<Mounted, Fault> {
    let pool = context.pool.clone();
    let door = Door::new(context.clone(), operations::methods());
    let keys = keys::Keyring::open(&context).await?;
    let app = Arc::new(IdentityApp {
        context,
        keys,
        secrets,
        throttle: throttle::Throttle::default(),
        hashing: hashing::Hashing::default(),
    });
    let rotating = keys::keep(app.clone());
    let grpc = IdentityServer::new(operations::Grpc(app.clone()));
    Ok(Mounted {
        service: ServiceName::Identity,
        router: door.mount(operations::rest(app), grpc),
        grpc_name: contract::identity::identity_server::SERVICE_NAME,
        catalogue: operations::catalogue(),
        pool: Some(pool),
        background: vec![Box::pin(rotating)],
    })
}
