//! One port for REST, gRPC and pages.

use std::convert::Infallible;
use std::future::Future;
use std::net::SocketAddr;
use std::panic::AssertUnwindSafe;
use std::pin::Pin;
use std::sync::OnceLock;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::State;
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use futures_util::FutureExt as _;
use http::{HeaderValue, Request, StatusCode, header};
use http_body_util::Limited;
use sqlx::PgPool;
use tokio::net::TcpListener;
use tonic::server::NamedService;
use tower::{Layer as _, Service};
use tower_http::request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::RequestBodyTimeoutLayer;

use crate::connection::{self, Manners};
use crate::database::{self, Begin, Scope};
use crate::fault::{Fault, FaultKind};
use crate::gate::ANYONE_BYTES;
use crate::health::Health;
use crate::openapi;
use crate::operation::CatalogueEntry;
use crate::peers::ServiceName;
use crate::telemetry;

/// How long the database may take to show that it answers.
const READY_WITHIN: Duration = Duration::from_secs(2);

/// A task that runs for as long as the service.
pub type Background = Pin<Box<dyn Future<Output = ()> + Send>>;

/// A service ready to be served.
pub struct Mounted {
    /// Which it is.
    pub service: ServiceName,
    /// Its REST and gRPC skins.
    pub router: Router,
    /// Full name of its gRPC service; empty when it has none.
    pub grpc_name: &'static str,
    /// Its operations.
    pub catalogue: Vec<CatalogueEntry>,
    /// Its tables, for readiness; none for a service without any.
    pub pool: Option<PgPool>,
    /// What runs beside it.
    pub background: Vec<Background>,
}

/// What an installation shows of itself beside its operations.
#[derive(Debug, Clone, Copy)]
pub struct Faces {
    /// Counts at `/metrics`. They can be shown at an address of their own instead, by
    /// [`show_metrics`].
    pub metrics: bool,
    /// The description of the gRPC services over gRPC.
    pub reflection: bool,
    /// The description of the REST paths at `/openapi.json` and `/docs`.
    pub docs: bool,
    /// Browsers are told to come by TLS alone, because it stands in front.
    pub tls_in_front: bool,
}

impl Default for Faces {
    fn default() -> Self {
        Self {
            metrics: true,
            reflection: true,
            docs: true,
            tls_in_front: false,
        }
    }
}

/// Longest pause between two parts of any body; the gate before operations is stricter.
const BODY_PAUSE: Duration = Duration::from_secs(30);

/// For how long a browser remembers to come by TLS alone: a year.
const TLS_ALONE: HeaderValue = HeaderValue::from_static("max-age=31536000");

/// Adds a gRPC service that is open to everyone, and is sent little.
fn mount_open<S>(router: Router, service: S) -> Router
where
    S: NamedService
        + Service<Request<Body>, Response = http::Response<tonic::body::Body>, Error = Infallible>
        + Clone
        + Send
        + Sync
        + 'static,
    S::Future: Send + 'static,
{
    let service = middleware::from_fn(slight).layer(service);
    router.route_service(&format!("/{}/{{*method}}", S::NAME), service)
}

/// Lets no more through than needs no token.
async fn slight(request: Request<Body>, next: Next) -> Response {
    let limited = request.map(|body| Body::new(Limited::new(body, ANYONE_BYTES)));
    next.run(limited).await
}

/// Joins services into one router: their skins, documents, health, metrics and one fallback.
///
/// The router is also put into `here`, through which services of this process reach one another.
///
/// # Errors
/// When the descriptors for reflection do not hold together.
pub async fn assemble(
    services: Vec<Mounted>,
    here: &OnceLock<Router>,
    health: &Health,
    faces: Faces,
) -> Result<(Router, Vec<Background>), Box<dyn std::error::Error + Send + Sync>> {
    let mut router = Router::new();
    let mut catalogue = Vec::new();
    let mut background = Vec::new();
    let mut pools = Vec::new();
    let (reporter, health_service) = tonic_health::server::health_reporter();
    let mut grpc_names = Vec::new();
    for service in services {
        router = router.merge(service.router);
        catalogue.extend(service.catalogue);
        background.extend(service.background);
        pools.extend(service.pool);
        if !service.grpc_name.is_empty() {
            grpc_names.push(service.grpc_name);
        }
    }
    report(&reporter, &grpc_names, health).await;
    background.push(Box::pin(report_changes(
        reporter,
        grpc_names,
        health.clone(),
    )));
    if faces.reflection {
        let reflection = tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(contract::DESCRIPTORS)
            .build_v1()?;
        router = mount_open(router, reflection);
    }
    router = mount_open(router, health_service);
    if faces.docs {
        let description = openapi::describe(&catalogue).to_string();
        router = router.route("/openapi.json", get(move || json_text(description.clone())));
    }
    if faces.metrics {
        router = router.route("/metrics", get(metrics));
    }

    let router = router
        .route("/healthz", get(alive).with_state(health.clone()))
        .route("/readyz", get(ready).with_state((health.clone(), pools)))
        .method_not_allowed_fallback(async || {
            Fault::new(
                FaultKind::MethodNotAllowed,
                "see /docs for the methods of this path",
            )
        })
        .fallback(unknown)
        .layer(RequestBodyTimeoutLayer::new(BODY_PAUSE))
        .layer(middleware::from_fn(unbroken))
        .layer(PropagateRequestIdLayer::x_request_id())
        .layer(SetRequestIdLayer::x_request_id(MakeRequestUuid))
        .layer(SetResponseHeaderLayer::if_not_present(
            header::X_CONTENT_TYPE_OPTIONS,
            HeaderValue::from_static("nosniff"),
        ))
        .layer(SetResponseHeaderLayer::if_not_present(
            header::STRICT_TRANSPORT_SECURITY,
            faces.tls_in_front.then_some(TLS_ALONE),
        ));
    let _ = here.set(router.clone());
    Ok((router, background))
}

async fn json_text(text: String) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], text).into_response()
}

async fn metrics() -> Response {
    (
        [(header::CONTENT_TYPE, "text/plain; version=0.0.4")],
        telemetry::metrics_text(),
    )
        .into_response()
}

async fn alive(State(health): State<Health>) -> Response {
    match health.stopped_by() {
        Some(why) => Fault::unavailable(why).into_response(),
        None => (StatusCode::OK, "alive\n").into_response(),
    }
}

async fn ready(State((health, pools)): State<(Health, Vec<PgPool>)>) -> Response {
    if let Some(why) = health.stopped_by() {
        return Fault::unavailable(why).into_response();
    }
    for pool in &pools {
        let asked = tokio::time::timeout(READY_WITHIN, answers(pool));
        if !matches!(asked.await, Ok(Ok(1))) {
            return Fault::unavailable("the database does not answer").into_response();
        }
    }
    let told = match health.doubts() {
        Some(doubts) => format!("ready, but look at this:\n{doubts}\n"),
        None => "ready\n".to_owned(),
    };
    (StatusCode::OK, told).into_response()
}

async fn answers(pool: &PgPool) -> Result<i32, sqlx::Error> {
    let mut transaction = database::begin(pool, Begin::Reading, Scope::default()).await?;
    sqlx::query_scalar("select 1")
        .fetch_one(&mut *transaction)
        .await
}

/// Tells over gRPC whether the services can answer.
async fn report(
    reporter: &tonic_health::server::HealthReporter,
    grpc_names: &[&'static str],
    health: &Health,
) {
    let status = match health.stopped_by() {
        Some(_) => tonic_health::ServingStatus::NotServing,
        None => tonic_health::ServingStatus::Serving,
    };
    for name in grpc_names {
        reporter.set_service_status(name, status).await;
    }
}

async fn report_changes(
    reporter: tonic_health::server::HealthReporter,
    grpc_names: Vec<&'static str>,
    health: Health,
) {
    let mut changes = health.changes();
    while changes.changed().await.is_ok() {
        report(&reporter, &grpc_names, &health).await;
    }
}

/// What is answered at a path where there is nothing: an unimplemented method over gRPC, a problem
/// document otherwise.
pub async fn unknown(request: Request<Body>) -> Response {
    if is_grpc(&request) {
        let status =
            tonic::Status::unimplemented(format!("no service at {}", request.uri().path()));
        return status.into_http::<Body>();
    }
    Fault::new(
        FaultKind::NotFound,
        format!(
            "there is nothing at {}; see /docs for what there is",
            request.uri().path()
        ),
    )
    .into_response()
}

fn is_grpc(request: &Request<Body>) -> bool {
    request
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|value| value.as_bytes().starts_with(b"application/grpc"))
}

/// Answers a request that made the program panic as any other fault of ours, instead of breaking
/// the connection and with it whatever else is under way on it.
async fn unbroken(request: Request<Body>, next: Next) -> Response {
    let (grpc, path) = (is_grpc(&request), request.uri().path().to_owned());
    match AssertUnwindSafe(next.run(request)).catch_unwind().await {
        Ok(response) => response,
        Err(cause) => {
            let said = cause
                .downcast_ref::<String>()
                .map(String::as_str)
                .or_else(|| cause.downcast_ref::<&str>().copied())
                .unwrap_or("no words");
            let fault = Fault::internal(Panicked(format!("{path}: {said}")));
            if grpc {
                tonic::Status::from(fault).into_http::<Body>()
            } else {
                fault.into_response()
            }
        }
    }
}

/// What was said by a part of the program that gave up.
#[derive(Debug, thiserror::Error)]
#[error("panicked at {0}")]
struct Panicked(String);

/// Shows the counts of this process at an address of their own, for as long as it lives.
///
/// # Errors
/// When the address cannot be listened on.
pub async fn show_metrics(address: SocketAddr) -> std::io::Result<Background> {
    let listener = TcpListener::bind(address).await?;
    let router = Router::new()
        .route("/metrics", get(metrics))
        .fallback(unknown);
    let manners = Manners {
        connections_n: 32,
        ..Manners::default()
    };
    Ok(Box::pin(connection::serve(
        listener,
        router,
        manners,
        std::future::pending(),
    )))
}

/// Serves until `stop` resolves, then lets open requests end within ten seconds.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    background: Vec<Background>,
    stop: impl Future<Output = ()> + Send + 'static,
) {
    let tasks: Vec<_> = background.into_iter().map(tokio::spawn).collect();
    connection::serve(listener, router, Manners::default(), stop).await;
    for task in tasks {
        task.abort();
    }
}

#[cfg(test)]
mod tests {
    use axum::Router;
    use axum::body::{Body, to_bytes};
    use axum::middleware;
    use axum::routing::post;
    use http::{Request, StatusCode, header};
    use tower::ServiceExt as _;

    use super::unbroken;

    async fn asked(content_type: &str) -> axum::response::Response {
        let router = Router::new()
            .route(
                "/broken",
                post(async || -> &'static str { panic!("out of cheese") }),
            )
            .layer(middleware::from_fn(unbroken));
        let request = Request::post("/broken")
            .header(header::CONTENT_TYPE, content_type)
            .body(Body::empty())
            .unwrap();
        router.oneshot(request).await.unwrap()
    }

    #[tokio::test]
    async fn panic_over_rest_is_a_problem_that_does_not_tell_its_cause() {
        let response = asked("application/json").await;
        assert_eq!(response.status(), StatusCode::INTERNAL_SERVER_ERROR);
        assert_eq!(
            response.headers()[header::CONTENT_TYPE],
            "application/problem+json"
        );
        let body = to_bytes(response.into_body(), 4096).await.unwrap();
        let problem: serde_json::Value = serde_json::from_slice(&body).unwrap();
        assert_eq!(problem["status"], 500);
        assert!(!problem.to_string().contains("cheese"));
    }

    #[tokio::test]
    async fn panic_over_grpc_is_an_internal_status() {
        let response = asked("application/grpc").await;
        assert_eq!(response.status(), StatusCode::OK);
        assert_eq!(response.headers()["grpc-status"], "13");
    }
}
