//! The two skins, REST and gRPC: translate, and nothing else.

use std::any::Any;
use std::sync::Arc;
use std::time::Instant;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::rejection::RawPathParamsRejection;
use axum::extract::{RawPathParams, State};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodFilter, on};
use contract::common::Document;
use http::request::Parts;
use http::{HeaderMap, HeaderValue, Request, StatusCode, Version, header};
use serde_json::{Map, Value};
use tracing::Instrument as _;

use crate::access::Permission;
use crate::door::{admitted, request_id};
use crate::fault::Fault;
use crate::gate::{Admission, Gate, in_time};
use crate::operation::{App, Kind, Operation, Outcome, UseCase, execute};
use crate::quota::Tally;
use crate::reading::{self, Beside};
use crate::text::settle_all;
use crate::{steady, telemetry, wire};

pub use crate::gate::{BATCH_BYTES, BODY_BYTES};

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
    let span = telemetry::span(&U::OPERATION, "rest", request_id(request.headers()));
    let mut tally = None;
    let answered = match path {
        Ok(path) => {
            answer::<U>(app, path, request, &mut tally)
                .instrument(span)
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
    if !U::OPERATION.is_public() {
        let headers = response.headers_mut();
        headers
            .entry(header::CACHE_CONTROL)
            .or_insert(HeaderValue::from_static("no-store"));
    }
    telemetry::count(
        &U::OPERATION,
        "rest",
        response.status().as_u16(),
        started.elapsed(),
    );
    response
}

impl Operation {
    /// True when its reply is the same for everyone, so that it may be kept on the way.
    fn is_public(&self) -> bool {
        self.permission == Permission::Anyone && !self.kind.writes()
    }
}

async fn answer<U: UseCase>(
    app: Arc<U::App>,
    path: RawPathParams,
    request: Request<Body>,
    tally: &mut Option<Tally>,
) -> Result<Response, Fault> {
    let (parts, body) = request.into_parts();
    let has_body = parts.version < Version::HTTP_2 && announces_body(&parts.headers);
    // Before the body is read: whoever may not ask need not be listened to.
    let admission = match Gate::admit(app.context(), &U::OPERATION, &parts.headers, tally).await {
        Err(fault) if has_body => return Ok(unheard(fault)),
        admitted => admitted?,
    };
    // Where there is to be no body, one is refused, and so is read there too.
    let read = admission.read(body, &parts.headers, U::OPERATION.body_bytes());
    let bytes = match read.await {
        Err(fault) if has_body => return Ok(unheard(fault)),
        read => read?,
    };
    let carried_out = carry_out::<U>(app, path, parts, bytes, &admission);
    in_time(&U::OPERATION, carried_out).await
}

/// Makes a request message of what came, and carries it out.
async fn carry_out<U: UseCase>(
    app: Arc<U::App>,
    path: RawPathParams,
    parts: Parts,
    bytes: Bytes,
    admission: &Admission,
) -> Result<Response, Fault> {
    let kind = U::OPERATION.kind;
    let headers = parts.headers.clone();
    wire::hold(admission, weight::<U>(&bytes)).await?;
    let large = bytes.len() > READ_AT_ONCE_BYTES;
    let read = move || {
        let beside = Beside {
            path: path.iter().collect(),
            query: parts.uri.query().unwrap_or_default(),
            headers: &parts.headers,
        };
        let mut asked: U::Request = reading::message(&U::OPERATION, &beside, &bytes)?;
        settle_all(kind == Kind::Batch, &mut asked)?;
        Ok::<_, Fault>(asked)
    };
    let asked = if large {
        app.context().compute.run(move |_| read()).await??
    } else {
        read()?
    };
    let caller = admission.caller.clone();
    if kind == Kind::Steady {
        let kept = steady::answer::<U>(&app, caller, asked).await?;
        return Ok(json(StatusCode::OK, kept.body.clone()));
    }
    let key = headers
        .get(IDEMPOTENCY_KEY)
        .and_then(|value| value.to_str().ok());
    let outcome = execute::<U>(app, caller, "rest", key, asked).await?;
    reply(kind, outcome)
}

/// Largest body that is made into a message between two other requests; a larger one is read where
/// there is room for arithmetic.
const READ_AT_ONCE_BYTES: usize = 256 * 1024;

/// What a body becomes in memory.
fn weight<U: UseCase>(bytes: &[u8]) -> wire::Measure {
    match wire::asked(&U::OPERATION) {
        Some(sent) if U::OPERATION.kind != Kind::File => wire::measure_json(sent.shape, bytes),
        // The file is copied into the message.
        _ => wire::Measure {
            bytes: bytes.len(),
            ..wire::Measure::default()
        },
    }
}

/// Whether a request of HTTP/1 says that it has a body.
fn announces_body(headers: &HeaderMap) -> bool {
    headers.contains_key(header::TRANSFER_ENCODING)
        || headers
            .get(header::CONTENT_LENGTH)
            .is_some_and(|length| length != "0")
}

/// The reply to a request of HTTP/1 whose body was not read to its end: the rest of it is not
/// listened to, so nothing else can come on the connection.
fn unheard(fault: Fault) -> Response {
    let mut response = fault.into_response();
    response
        .headers_mut()
        .insert(header::CONNECTION, HeaderValue::from_static("close"));
    response
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

/// The gRPC form of an operation, behind its [`crate::door`].
///
/// # Errors
/// The fault as a status, with the problem document in its metadata.
pub async fn grpc<U: UseCase>(
    app: Arc<U::App>,
    request: tonic::Request<U::Request>,
) -> Result<tonic::Response<U::Reply>, tonic::Status> {
    let (metadata, extensions, mut message) = request.into_parts();
    let caller = admitted(&extensions)?.caller.clone();
    settle_all(U::OPERATION.kind == Kind::Batch, &mut message)?;
    let key = metadata
        .get(IDEMPOTENCY_KEY)
        .and_then(|value| value.to_str().ok());
    let outcome = execute::<U>(app, caller, "grpc", key, message).await?;
    Ok(tonic::Response::new(outcome.reply))
}
