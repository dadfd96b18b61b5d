//! The two skins, REST and gRPC: translate, and nothing else.

use std::any::Any;
use std::future::Future;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::rejection::RawPathParamsRejection;
use axum::extract::{RawPathParams, State};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodFilter, on};
use contract::common::Document;
use http::{HeaderValue, Request, StatusCode, header};
use serde_json::{Map, Value};
use tracing::Instrument as _;

use crate::access::Caller;
use crate::fault::{Fault, FaultKind};
use crate::ids::ProgrammeId;
use crate::operation::{App, Context, Kind, Outcome, UseCase, execute};
use crate::peers::PROGRAMME_METADATA;
use crate::quota::Tally;
use crate::reading::{self, Beside};
use crate::text::settle_all;
use crate::{steady, telemetry};

/// Largest body of a plain request.
pub const BODY_BYTES: usize = 4 * 1024 * 1024;
/// Largest body of a batch, and largest gRPC message.
pub const BATCH_BYTES: usize = 128 * 1024 * 1024;
/// How long a request may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long a batch may take.
const BATCH_PATIENCE: Duration = Duration::from_secs(600);

/// Name of the header by which a retry is known.
pub const IDEMPOTENCY_KEY: &str = "idempotency-key";

/// Adds an operation's route to a router.
pub fn route<U: UseCase>(router: Router<Arc<U::App>>) -> Router<Arc<U::App>> {
    let operation = U::OPERATION;
    let filter = match operation.method {
        "GET" => MethodFilter::GET,
        "POST" => MethodFilter::POST,
        "PUT" => MethodFilter::PUT,
        "PATCH" => MethodFilter::PATCH,
        "DELETE" => MethodFilter::DELETE,
        other => unreachable!("operation {} has method {other}", operation.name),
    };
    router.route(&operation.full_path(), on(filter, rest::<U>))
}

async fn rest<U: UseCase>(
    State(app): State<Arc<U::App>>,
    path: Result<RawPathParams, RawPathParamsRejection>,
    request: Request<Body>,
) -> Response {
    let started = Instant::now();
    let id = request
        .headers()
        .get("x-request-id")
        .and_then(|id| id.to_str().ok());
    let span = tracing::info_span!(
        "request",
        request.id = id.unwrap_or_default(),
        request.operation = U::OPERATION.name
    );
    let mut tally = None;
    let answered = match &path {
        Ok(path) => {
            answer::<U>(app, path, request, &mut tally)
                .instrument(span.clone())
                .await
        }
        Err(error) => Err(Fault::malformed(format!(
            "the path cannot be read: {error}"
        ))),
    };
    let mut response = answered.unwrap_or_else(IntoResponse::into_response);
    if let Some(tally) = tally {
        tally.write_headers(response.headers_mut());
    }
    telemetry::count(
        &U::OPERATION,
        "rest",
        response.status().as_u16(),
        started.elapsed(),
    );
    response
}

async fn answer<U: UseCase>(
    app: Arc<U::App>,
    path: &RawPathParams,
    request: Request<Body>,
    tally: &mut Option<Tally>,
) -> Result<Response, Fault> {
    let kind = U::OPERATION.kind;
    let (parts, body) = request.into_parts();
    let header = |name: &str| {
        parts
            .headers
            .get(name)
            .and_then(|value| value.to_str().ok())
    };
    let caller = caller(
        app.context(),
        header("authorization"),
        header(PROGRAMME_METADATA),
    )
    .await?;
    // Before the body is read: whoever may not ask need not be listened to.
    caller.may(U::OPERATION.permission)?;
    charge(app.context(), &caller, tally).await?;
    // A body is refused where there is none to be, and so is read there too.
    let limit = match (U::OPERATION.method, kind) {
        ("GET" | "DELETE", _) => BODY_BYTES,
        (_, Kind::Batch | Kind::File) => BATCH_BYTES,
        _ => BODY_BYTES,
    };
    let bytes = to_bytes(body, limit).await.map_err(|_| {
        Fault::new(
            FaultKind::TooLarge,
            format!("the body is larger than {limit} bytes or broke off; send less at once"),
        )
    })?;
    let beside = Beside {
        path: path.iter().collect(),
        query: parts.uri.query().unwrap_or_default(),
        headers: &parts.headers,
    };
    let mut asked: U::Request = reading::message(&U::OPERATION, &beside, &bytes)?;
    settle_all(kind == Kind::Batch, &mut asked)?;
    if kind == Kind::Steady {
        let kept = in_time(kind, steady::answer::<U>(&app, caller, asked)).await?;
        return Ok(json(StatusCode::OK, kept.body.clone()));
    }
    let outcome = in_time(
        kind,
        execute::<U>(app, caller, "rest", header(IDEMPOTENCY_KEY), asked),
    )
    .await?;
    reply(kind, outcome)
}

/// Gives a call up that takes too long for its kind.
async fn in_time<T>(kind: Kind, call: impl Future<Output = Result<T, Fault>>) -> Result<T, Fault> {
    let patience = if matches!(kind, Kind::Batch | Kind::File) {
        BATCH_PATIENCE
    } else {
        PATIENCE
    };
    tokio::time::timeout(patience, call).await.map_err(|_| {
        Fault::unavailable("this took too long and was given up; nothing was written")
    })?
}

fn json(status: StatusCode, body: impl Into<Body>) -> Response {
    let body: Body = body.into();
    (status, [(header::CONTENT_TYPE, "application/json")], body).into_response()
}

fn reply<R: serde::Serialize + Any>(kind: Kind, outcome: Outcome<R>) -> Result<Response, Fault> {
    let Outcome { reply, replayed } = outcome;
    if let Some(document) = (&reply as &dyn Any).downcast_ref::<Document>() {
        return Ok((
            [
                (header::CONTENT_TYPE, document.content_type.clone()),
                (
                    header::CONTENT_DISPOSITION,
                    format!("inline; filename=\"{}\"", document.file_name),
                ),
            ],
            document.content.clone(),
        )
            .into_response());
    }
    let body = serde_json::to_value(&reply).map_err(Fault::internal)?;
    let status = match kind {
        Kind::Create => StatusCode::CREATED,
        Kind::Accept => StatusCode::ACCEPTED,
        Kind::Act if body.as_object().is_some_and(Map::is_empty) => StatusCode::NO_CONTENT,
        _ => StatusCode::OK,
    };
    let version = body.get("version").and_then(Value::as_i64);
    let mut response = if status == StatusCode::NO_CONTENT {
        status.into_response()
    } else {
        json(status, body.to_string())
    };
    if let Some(version) = version
        && let Ok(tag) = HeaderValue::from_str(&format!("\"{version}\""))
    {
        response.headers_mut().insert(header::ETAG, tag);
    }
    if replayed {
        response
            .headers_mut()
            .insert("idempotent-replay", HeaderValue::from_static("true"));
    }
    Ok(response)
}

/// The gRPC form of an operation.
///
/// # Errors
/// The fault as a status, with the problem document in its metadata.
pub async fn grpc<U: UseCase>(
    app: Arc<U::App>,
    request: tonic::Request<U::Request>,
) -> Result<tonic::Response<U::Reply>, tonic::Status> {
    let started = Instant::now();
    let (metadata, _, mut message) = request.into_parts();
    let text = |name: &str| metadata.get(name).and_then(|value| value.to_str().ok());
    let mut tally = None;
    let result = async {
        let caller = caller(
            app.context(),
            text("authorization"),
            text(PROGRAMME_METADATA),
        )
        .await?;
        caller.may(U::OPERATION.permission)?;
        charge(app.context(), &caller, &mut tally).await?;
        settle_all(U::OPERATION.kind == Kind::Batch, &mut message)?;
        in_time(
            U::OPERATION.kind,
            execute::<U>(app, caller, "grpc", text(IDEMPOTENCY_KEY), message),
        )
        .await
    }
    .await;
    let code = match &result {
        Ok(_) => 200,
        Err(fault) => fault.kind().http().0.as_u16(),
    };
    telemetry::count(&U::OPERATION, "grpc", code, started.elapsed());
    let mut response = match result {
        Ok(outcome) => Ok(tonic::Response::new(outcome.reply)),
        Err(fault) => Err(tonic::Status::from(fault)),
    };
    if let Some(tally) = tally {
        tally.write_metadata(match &mut response {
            Ok(response) => response.metadata_mut(),
            Err(status) => status.metadata_mut(),
        });
    }
    response
}

/// Counts a request of a partner's key and refuses it when the key's quota is used up.
async fn charge(
    context: &Context,
    caller: &Caller,
    tally: &mut Option<Tally>,
) -> Result<(), Fault> {
    let (Some(key), Some(programme)) = (caller.key(), caller.programme()) else {
        return Ok(());
    };
    let now = context.clock.now();
    let (told, refused) = context
        .quotas
        .charge(&context.pool, programme, key, now)
        .await?;
    *tally = Some(told);
    refused.map_or(Ok(()), Err)
}

/// Who asks, from the credentials that came with the call.
///
/// # Errors
/// Unauthenticated when there are credentials and they do not hold.
pub async fn caller(
    context: &Context,
    authorization: Option<&str>,
    programme: Option<&str>,
) -> Result<Caller, Fault> {
    let Some(authorization) = authorization else {
        return Ok(Caller::nobody());
    };
    let (scheme, token) = authorization.split_once(' ').unwrap_or_default();
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(Fault::unauthenticated(
            "send the access token as \"Authorization: Bearer …\"",
        ));
    }
    let programme = programme
        .map(|text| {
            text.parse::<ProgrammeId>()
                .map_err(|_| Fault::malformed(format!("{PROGRAMME_METADATA} is not an id")))
        })
        .transpose()?;
    context.verifier.caller(token.trim(), programme).await
}
