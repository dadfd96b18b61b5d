//! Candidates, stages, disclosures, rights, licences and reports.
//!
//! [`operations`] is the table of all that can be asked; [`app`] holds one function per use case;
//! `domain` the types and rules, without I/O; `store` the SQL.

pub mod app;
pub mod domain;
pub mod operations;
pub mod pass;
mod store;

use std::sync::Arc;

use contract::release::release_server::ReleaseServer;
use platform::door::Door;
use platform::operation::{App, Context};
use platform::peers::ServiceName;
use platform::server::Mounted;
use platform::skin::BATCH_BYTES;

pub use domain::webhook::Reach;

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations/release");

/// What this service needs of the database.
pub fn schema() -> platform::database::Schema {
    platform::database::Schema {
        service: ServiceName::Release,
        migrations: &MIGRATIONS,
        counts_changes: true,
        grants: platform::ownership::Grants {
            trusted: &["seal(text, bytea)", "seal_holds(uuid, text, bytea, bytea)"],
            ..Default::default()
        },
    }
}

/// What an installation decides for this service.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Address under which the public reaches the pages, as `https://example.org`; printed on tags.
    pub public_url: Option<String>,
    /// Where webhooks may lead.
    pub webhooks: Reach,
}

/// The application layer of this service.
pub struct ReleaseApp {
    context: Context,
    settings: Settings,
}

impl App for ReleaseApp {
    fn context(&self) -> &Context {
        &self.context
    }
}

/// The service, ready to be served.
pub fn mount(context: Context, settings: Settings) -> Mounted {
    let pool = context.pool.clone();
    let door = Door::new(context.clone(), operations::methods());
    let app = Arc::new(ReleaseApp { context, settings });
    let grpc = ReleaseServer::new(operations::Grpc(app.clone()))
        .max_decoding_message_size(BATCH_BYTES)
        .max_encoding_message_size(BATCH_BYTES);
    Mounted {
        service: ServiceName::Release,
        router: door.mount(operations::rest(app.clone()), grpc),
        grpc_name: contract::release::release_server::SERVICE_NAME,
        catalogue: operations::catalogue(),
        pool: Some(pool),
        background: vec![
            Box::pin(platform::feed::follow::<app::following::Trials>(
                app.clone(),
            )),
            Box::pin(platform::feed::follow::<app::events::Webhooks>(app.clone())),
            Box::pin(app::courier::send(app.clone())),
            Box::pin(app::courier::watch_due_dates(app)),
        ],
    }
}
