//! Pages for people. Owns no tables: every page asks the services as the person who reads it.
//!
//! Pages are made on the server as plain HTML with pictures in SVG, and need no script and nothing
//! from elsewhere. A page's handler takes a [`desk::Desk`], which exists only for somebody who is
//! signed in, and gives back a [`layout::Page`]; [`session::enter`] finds out who asks before the
//! handler runs and puts the frame around the page afterwards.
//!
//! To add a page: write it under [`pages`], add its route to [`pages::routes`] and, when it is a
//! place to start from, a line to [`layout::PLACES`].

pub mod desk;
pub mod html;
pub mod layout;
pub mod pages;
pub mod picture;
pub mod session;
pub mod shield;
pub mod trouble;
pub mod words;

use std::sync::Arc;

use axum::middleware;
use platform::Clock;
use platform::gate::Gate;
use platform::peers::{Peers, ServiceName};
use platform::server::{Faces, Mounted};
use serde_json::Value;

/// What every page stands on.
#[derive(Clone)]
pub struct Dashboard(Arc<Inner>);

struct Inner {
    peers: Peers,
    clock: Clock,
    sessions: session::Sessions,
    description: Arc<Value>,
    faces: Faces,
    gate: Gate,
}

/// The pages, ready to be served.
///
/// `description` is the OpenAPI description of every operation, from which the documentation is
/// shown to people where `faces` says that it is.
pub fn mount(
    peers: Peers,
    clock: Clock,
    description: Arc<Value>,
    faces: Faces,
    gate: Gate,
) -> Mounted {
    let dashboard = Dashboard(Arc::new(Inner {
        sessions: session::Sessions::new(peers.clone(), faces.tls_in_front),
        peers,
        clock,
        description,
        faces,
        gate,
    }));
    let refusing = platform::token::refuse_ended_grants(dashboard.0.sessions.verifier());
    let router = pages::routes(faces)
        .route_layer(middleware::from_fn(desk::nothing_passed_over))
        .route_layer(middleware::from_fn_with_state(
            dashboard.clone(),
            session::enter,
        ))
        .merge(pages::files())
        .route_layer(middleware::from_fn(shield::guard))
        .with_state(dashboard);
    Mounted {
        service: ServiceName::Dashboard,
        router,
        grpc_name: "",
        catalogue: Vec::new(),
        pool: None,
        background: vec![Box::pin(refusing)],
    }
}
