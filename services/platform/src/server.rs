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
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use futures_util::FutureExt as _;
use http::{HeaderValue, Request, StatusCode, header};
use sqlx::PgPool;
use tokio::net::TcpListener;
use tonic::server::NamedService;
use tower::Service;
use tower_http::request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer};
use tower_http::set_header::SetResponseHeaderLayer;

use crate::fault::{Fault, FaultKind};
use crate::openapi;
use crate::operation::CatalogueEntry;
use crate::peers::ServiceName;
use crate::telemetry;

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

/// Adds a gRPC service to a router under its own prefix, so that no second fallback comes along.
pub fn mount_grpc<S>(router: Router, service: S) -> Router
where
    S: NamedService
        + Service<Request<Body>, Response = http::Response<tonic::body::Body>, Error = Infallible>
        + Clone
        + Send
        + Sync
        + 'static,
    S::Future: Send + 'static,
{
    router.route_service(&format!("/{}/{{*method}}", S::NAME), service)
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
) -> Result<(Router, Vec<Background>), Box<dyn std::error::Error + Send + Sync>> {
    let mut router = Router::new();
    let mut catalogue = Vec::new();
    let mut background = Vec::new();
    let mut pools = Vec::new();
    let (health, health_service) = tonic_health::server::health_reporter();
    for service in services {
        router = router.merge(service.router);
        catalogue.extend(service.catalogue);
        background.extend(service.background);
        pools.extend(service.pool);
        if !service.grpc_name.is_empty() {
            health
                .set_service_status(service.grpc_name, tonic_health::ServingStatus::Serving)
                .await;
        }
    }
    let reflection = tonic_reflection::server::Builder::configure()
        .register_encoded_file_descriptor_set(contract::DESCRIPTORS)
        .build_v1()?;
    router = mount_grpc(router, reflection);
    router = mount_grpc(router, health_service);

    let description = openapi::describe(&catalogue).to_string();
    let router = router
        .route("/openapi.json", get(move || json_text(description.clone())))
        .route("/healthz", get(async || "alive\n"))
        .route("/readyz", get(move || ready(pools.clone())))
        .route("/metrics", get(metrics))
        .method_not_allowed_fallback(async || {
            Fault::new(
                FaultKind::MethodNotAllowed,
                "see /docs for the methods of this path",
            )
        })
        .fallback(unknown)
        .layer(middleware::from_fn(unbroken))
        .layer(PropagateRequestIdLayer::x_request_id())
        .layer(SetRequestIdLayer::x_request_id(MakeRequestUuid))
        .layer(SetResponseHeaderLayer::if_not_present(
            header::X_CONTENT_TYPE_OPTIONS,
            HeaderValue::from_static("nosniff"),
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

async fn ready(pools: Vec<PgPool>) -> Response {
    for pool in &pools {
        let asked = tokio::time::timeout(
            Duration::from_secs(2),
            sqlx::query_scalar::<_, i32>("select 1").fetch_one(pool),
        );
        if !matches!(asked.await, Ok(Ok(1))) {
            return Fault::unavailable("the database does not answer").into_response();
        }
    }
    (StatusCode::OK, "ready\n").into_response()
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

/// Serves until `stop` resolves, then lets open requests end within ten seconds.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    background: Vec<Background>,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let tasks: Vec<_> = background.into_iter().map(tokio::spawn).collect();
    let (stopping, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = axum::serve(
        listener,
        router.into_make_service_with_connect_info::<SocketAddr>(),
    )
    .with_graceful_shutdown(async move {
        stop.await;
        let _ = stopping.send(());
    });
    let result = tokio::select! {
        result = serving.into_future() => result,
        () = async { let _ = stopped.await; tokio::time::sleep(Duration::from_secs(10)).await; } => Ok(()),
    };
    for task in tasks {
        task.abort();
    }
    result
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
