//! Parents, pollen, mothers, crosses, passes, fruit, seed and seedlings.
//!
//! [`operations`] is the table of all that can be asked; [`app`] holds one function per use case;
//! `domain` the types and rules, without I/O; `store` the SQL.

pub mod app;
pub mod domain;
pub mod operations;
mod store;
mod stream;

use std::sync::Arc;

use contract::crossing::crossing_server::CrossingServer;
use platform::door::Door;
use platform::operation::{App, Context};
use platform::peers::ServiceName;
use platform::server::Mounted;
use platform::skin::BATCH_BYTES;

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations/crossing");

/// What this service needs of the database.
pub fn schema() -> platform::database::Schema {
    platform::database::Schema {
        service: ServiceName::Crossing,
        migrations: &MIGRATIONS,
        counts_changes: false,
        grants: platform::ownership::Grants {
            deletes: &["pollen_candidate", "cross_mother"],
            trusted: &["make_year_partition(text, int)"],
            ..Default::default()
        },
    }
}

/// The application layer of this service.
pub struct CrossingApp {
    context: Context,
    kept: Arc<app::kept_forecasts::KeptForecasts>,
}

impl App for CrossingApp {
    fn context(&self) -> &Context {
        &self.context
    }
}

/// The service, ready to be served.
pub fn mount(context: Context) -> Mounted {
    let pool = context.pool.clone();
    let door = Door::new(context.clone(), operations::methods());
    let app = Arc::new(CrossingApp {
        context,
        kept: Arc::default(),
    });
    let grpc = CrossingServer::new(operations::Grpc(app.clone()))
        .max_decoding_message_size(BATCH_BYTES)
        .max_encoding_message_size(BATCH_BYTES);
    Mounted {
        service: ServiceName::Crossing,
        router: door.mount(operations::rest(app.clone()), grpc),
        grpc_name: contract::crossing::crossing_server::SERVICE_NAME,
        catalogue: operations::catalogue(),
        pool: Some(pool),
        background: vec![Box::pin(platform::feed::follow::<app::following::Trials>(
            app,
        ))],
    }
}
