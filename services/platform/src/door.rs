//! The door of a gRPC service: whatever is true of every call is done here, once, whether it is a
//! single message or a stream: span, caller, permission, quota, place, bounds, time and metrics.

use std::collections::HashMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Instant;

use axum::Router;
use axum::body::Body;
use axum::extract::State;
use axum::middleware::{self, Next};
use axum::response::Response;
use http::{HeaderMap, Request};
use tonic::server::NamedService;
use tower::{Layer as _, Service};
use tracing::Instrument as _;

use crate::fault::{Fault, PROBLEM_METADATA, Problem};
use crate::gate::{Admission, Gate, in_time};
use crate::operation::{Context, Operation};
use crate::telemetry;
use crate::wire::{self, Asked};

/// What stands before a service's gRPC methods.
#[derive(Clone)]
pub struct Door {
    context: Context,
    methods: Arc<HashMap<String, (Operation, Asked)>>,
}

impl Door {
    /// The door before these methods. A method that is not among them is closed.
    ///
    /// # Panics
    /// When an operation is no method of the contract.
    pub fn new(context: Context, methods: Vec<Operation>) -> Self {
        let methods = methods.into_iter().map(|operation| {
            let asked = wire::asked(&operation)
                .unwrap_or_else(|| panic!("{} is no method of the contract", operation.name));
            (wire::method_name(operation.name), (operation, asked))
        });
        Self {
            context,
            methods: Arc::new(methods.collect()),
        }
    }

    /// Puts a gRPC service behind this door and adds it to a router under its own prefix, so that no
    /// second fallback comes along.
    pub fn mount<S>(self, router: Router, service: S) -> Router
    where
        S: NamedService
            + Service<Request<Body>, Response = http::Response<tonic::body::Body>, Error = Infallible>
            + Clone
            + Send
            + Sync
            + 'static,
        S::Future: Send + 'static,
    {
        let path = format!("/{}/{{*method}}", S::NAME);
        let guarded = middleware::from_fn_with_state(self, pass).layer(service);
        router.route_service(&path, guarded)
    }
}

async fn pass(State(door): State<Door>, request: Request<Body>, next: Next) -> Response {
    let started = Instant::now();
    let method = request.uri().path().rsplit('/').next().unwrap_or_default();
    let Some((operation, asked)) = door.methods.get(method) else {
        return tonic::Status::unimplemented(format!("no method at {}", request.uri().path()))
            .into_http();
    };
    let span = telemetry::span(operation, "grpc", request_id(request.headers()));
    let mut tally = None;
    let passed = async {
        let admission =
            Gate::admit(&door.context, operation, request.headers(), &mut tally).await?;
        let admission = Arc::new(admission);
        let (mut parts, body) = request.into_parts();
        parts.extensions.insert(admission.clone());
        let body = wire::bounded(body, operation, *asked, admission.clone());
        let response = next.run(Request::from_parts(parts, body)).await;
        drop(admission);
        Ok(response)
    };
    let mut response = match in_time(operation, passed).instrument(span).await {
        Ok(response) => response,
        Err(fault) => tonic::Status::from(fault).into_http(),
    };
    if let Some(tally) = tally {
        tally.write_headers(response.headers_mut());
    }
    telemetry::count(operation, "grpc", status_of(&response), started.elapsed());
    response
}

/// The id under which a request is known in the log.
pub(crate) fn request_id(headers: &HeaderMap) -> &str {
    headers
        .get("x-request-id")
        .and_then(|id| id.to_str().ok())
        .unwrap_or_default()
}

/// The HTTP status that a gRPC reply amounts to.
fn status_of(response: &Response) -> u16 {
    let Some(status) = tonic::Status::from_header_map(response.headers()) else {
        return 200;
    };
    if status.code() == tonic::Code::Ok {
        return 200;
    }
    let problem = status
        .metadata()
        .get_bin(PROBLEM_METADATA)
        .and_then(|value| value.to_bytes().ok())
        .and_then(|bytes| serde_json::from_slice::<Problem>(&bytes).ok());
    problem.map_or_else(
        || Fault::from(status).kind().http().0.as_u16(),
        |problem| problem.status,
    )
}

/// Who was let in.
///
/// # Errors
/// Unauthenticated for a call that did not come through the door.
pub(crate) fn admitted(extensions: &http::Extensions) -> Result<&Arc<Admission>, Fault> {
    extensions
        .get::<Arc<Admission>>()
        .ok_or_else(|| Fault::unauthenticated("the call did not come through the door"))
}
