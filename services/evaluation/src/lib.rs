//! Sites, traits, trials, layouts, records, analyses and selections.
//!
//! [`operations`] is the table of all that can be asked; [`app`] holds one function per use case;
//! `domain` the types and rules, without I/O; `store` the SQL.

pub mod app;
pub mod domain;
pub mod operations;
mod store;
pub mod stream;

use std::sync::Arc;

use contract::evaluation::evaluation_server::EvaluationServer;
use platform::door::Door;
use platform::operation::{App, Context};
use platform::peers::ServiceName;
use platform::server::Mounted;
use platform::skin::BATCH_BYTES;

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations/evaluation");

/// What this service needs of the database.
pub fn schema() -> platform::database::Schema {
    platform::database::Schema {
        service: ServiceName::Evaluation,
        migrations: &MIGRATIONS,
        counts_changes: false,
        grants: Default::default(),
    }
}

/// The application layer of this service.
pub struct EvaluationApp {
    context: Context,
    /// Wakes the worker when an analysis is queued.
    queued: tokio::sync::Notify,
    /// Figures at hand.
    figures: app::figures::AtHand,
}

impl App for EvaluationApp {
    fn context(&self) -> &Context {
        &self.context
    }
}

/// The service, ready to be served.
pub fn mount(context: Context) -> Mounted {
    let pool = context.pool.clone();
    let door = Door::new(context.clone(), operations::methods());
    let app = Arc::new(EvaluationApp {
        context,
        queued: tokio::sync::Notify::new(),
        figures: app::figures::AtHand::default(),
    });
    let worker = app.clone();
    let grpc = EvaluationServer::new(operations::Grpc(app.clone()))
        .max_decoding_message_size(BATCH_BYTES)
        .max_encoding_message_size(BATCH_BYTES);
    Mounted {
        service: ServiceName::Evaluation,
        router: door.mount(operations::rest(app.clone()), grpc),
        grpc_name: contract::evaluation::evaluation_server::SERVICE_NAME,
        catalogue: operations::catalogue(),
        pool: Some(pool),
        background: vec![
            Box::pin(app::worker::run(worker)),
            Box::pin(platform::feed::follow::<app::following::Seedlings>(app)),
        ],
    }
}
