//! Pages for people. Owns no tables: every page asks the services as the person who reads it.

use axum::Router;
use platform::peers::{Peers, ServiceName};
use platform::server::Mounted;

/// The pages, ready to be served.
pub fn mount(peers: Peers) -> Mounted {
    let _ = &peers;
    Mounted {
        service: ServiceName::Dashboard,
        router: Router::new(),
        grpc_name: "",
        catalogue: Vec::new(),
        pool: None,
        background: Vec::new(),
    }
}
