//! The two skins, REST and gRPC: translate, and nothing else.

use std::any::Any;
use std::future::Future;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::{RawPathParams, State};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodFilter, on};
use contract::common::Document;
use http::{HeaderMap, HeaderValue, Request, StatusCode, header};
use serde::de::value::{SeqAccessDeserializer, SeqDeserializer};
use serde::de::{DeserializeSeed, IntoDeserializer as _, MapAccess, SeqAccess};
use serde_json::{Map, Value};
use tracing::Instrument as _;

use crate::access::Caller;
use crate::fault::{Fault, FaultKind, FieldError};
use crate::ids::ProgrammeId;
use crate::operation::{App, Context, Kind, Operation, Outcome, UseCase, execute};
use crate::peers::PROGRAMME_METADATA;
use crate::quota::Tally;
use crate::refusals::{self, Refused};
use crate::{steady, telemetry};

/// Largest body of a plain request.
pub const BODY_BYTES: usize = 4 * 1024 * 1024;
/// Largest body of a batch, and largest gRPC message.
pub const BATCH_BYTES: usize = 128 * 1024 * 1024;
/// How long a request may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long a batch may take.
const BATCH_PATIENCE: Duration = Duration::from_secs(600);

/// Content type of a file of values apart by commas.
pub const CSV: &str = "text/csv";
/// Content type of a workbook of sheets (ISO/IEC 29500).
pub const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
/// Content types that an operation of kind [`Kind::File`] may be sent.
pub const FILE_TYPES: [&str; 2] = [CSV, XLSX];
/// Fields of a file's request that its body and header fill.
pub const FILE_FIELDS: [&str; 2] = ["content", "content_type"];

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
    path: RawPathParams,
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
    let mut response = match answer::<U>(app, &path, request, &mut tally)
        .instrument(span.clone())
        .await
    {
        Ok(response) => response,
        Err(fault) => fault.into_response(),
    };
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
    admit(app.context(), &U::OPERATION, "rest", &caller, tally).await?;
    let asked: U::Request = match U::OPERATION.method {
        "GET" | "DELETE" => from_query(path, parts.uri.query().unwrap_or_default())?,
        _ => {
            let limit = if matches!(kind, Kind::Batch | Kind::File) {
                BATCH_BYTES
            } else {
                BODY_BYTES
            };
            let bytes = to_bytes(body, limit).await.map_err(|_| {
                Fault::new(
                    FaultKind::TooLarge,
                    format!(
                        "the body is larger than {limit} bytes or broke off; send less at once"
                    ),
                )
            })?;
            let query = parts.uri.query().unwrap_or_default();
            if kind == Kind::File {
                file(&parts.headers, beside_body(path, query)?, &bytes)?
            } else if kind == Kind::Batch
                && let Some(asked) = straight(&parts.headers, beside_body(path, query)?, &bytes)
            {
                asked
            } else {
                let mut fields = if kind == Kind::Batch {
                    rows::<U::Request>(&parts.headers, &bytes)?
                } else {
                    object(&parts.headers, &bytes)?
                };
                if kind == Kind::Batch {
                    fields.extend(beside_body(path, query)?);
                }
                for (name, value) in path {
                    fields.insert(name.to_owned(), Value::String(value.to_owned()));
                }
                if kind == Kind::Edit
                    && let Some(version) = if_match(&parts.headers)?
                {
                    fields.insert("expected_version".into(), version.into());
                }
                from_json(Value::Object(fields))?
            }
        }
    };
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
    let (metadata, _, message) = request.into_parts();
    let text = |name: &str| metadata.get(name).and_then(|value| value.to_str().ok());
    let mut tally = None;
    let result = async {
        let caller = caller(
            app.context(),
            text("authorization"),
            text(PROGRAMME_METADATA),
        )
        .await?;
        admit(app.context(), &U::OPERATION, "grpc", &caller, &mut tally).await?;
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

/// Lets a caller in to an operation: by permission and by quota.
async fn admit(
    context: &Context,
    operation: &Operation,
    via: &'static str,
    caller: &Caller,
    tally: &mut Option<Tally>,
) -> Result<(), Fault> {
    let admitted = match caller.may(operation.permission) {
        Ok(()) => charge(context, caller, tally).await,
        refused => refused,
    };
    if let Err(fault) = &admitted {
        let refused = Refused {
            operation: operation.name,
            via,
            actor: caller.clone(),
            touched: Vec::new(),
            fault,
        };
        refusals::note(context, refused).await;
    }
    admitted
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

fn content_type(headers: &HeaderMap) -> &str {
    headers
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .unwrap_or_default()
        .trim()
}

fn object(headers: &HeaderMap, bytes: &[u8]) -> Result<Map<String, Value>, Fault> {
    match content_type(headers) {
        "" if bytes.is_empty() => return Ok(Map::new()),
        "application/json" => {}
        other => {
            return Err(Fault::new(
                FaultKind::MediaType,
                format!("the body is {other:?}; send application/json"),
            ));
        }
    }
    if bytes.is_empty() {
        return Ok(Map::new());
    }
    match parse(bytes)? {
        Value::Object(fields) => Ok(fields),
        _ => Err(Fault::malformed("the body must be a JSON object")),
    }
}

fn parse(bytes: &[u8]) -> Result<Value, Fault> {
    serde_json::from_slice(bytes)
        .map_err(|error| Fault::malformed(format!("the body is not JSON: {error}")))
}

/// Rows of a batch. A row that cannot be read does not spoil the others: it goes on as one that
/// says what was wrong with it, and is reported by the use case like any other fault.
fn rows<R: serde::de::DeserializeOwned>(
    headers: &HeaderMap,
    bytes: &[u8],
) -> Result<Map<String, Value>, Fault> {
    let mut fields = Map::new();
    let rows: Vec<Result<Value, String>> = match content_type(headers) {
        "application/json" => match parse(bytes)? {
            Value::Array(rows) => rows.into_iter().map(Ok).collect(),
            Value::Object(mut whole) => match whole.remove("rows") {
                Some(Value::Array(rows)) => {
                    fields = whole;
                    rows.into_iter().map(Ok).collect()
                }
                _ => return Err(Fault::field("/rows", "is required and must be a list")),
            },
            _ => return Err(Fault::malformed("the body must be a JSON array of rows")),
        },
        "application/x-ndjson" | "application/jsonl" | "application/ndjson" => bytes
            .split(|byte| *byte == b'\n')
            .filter(|line| !line.trim_ascii().is_empty())
            .map(|line| serde_json::from_slice(line).map_err(|error| error.to_string()))
            .collect(),
        other => {
            return Err(Fault::new(
                FaultKind::MediaType,
                format!("the body is {other:?}; send application/json or application/x-ndjson"),
            ));
        }
    };
    let rows = rows
        .into_iter()
        .map(|row| match row {
            Ok(row) => readable::<R>(row),
            Err(message) => malformed("", &format!("the row is not JSON: {message}")),
        })
        .collect();
    fields.insert("rows".into(), Value::Array(rows));
    Ok(fields)
}

/// The row itself when the request can read it, otherwise one that says what is wrong with it.
fn readable<R: serde::de::DeserializeOwned>(row: Value) -> Value {
    let mut alone = serde_json::json!({ "rows": [] });
    alone["rows"] = Value::Array(vec![row]);
    let fault = read_json::<R, _>(&alone).err();
    let row = alone["rows"][0].take();
    match fault {
        None => row,
        Some(fault) => {
            let id = row.get("id").and_then(Value::as_str).unwrap_or_default();
            malformed(id, &fault.to_string())
        }
    }
}

fn malformed(id: &str, why: &str) -> Value {
    serde_json::json!({ "id": id, "malformed": why })
}

/// What the path and the query say beside a batch or a file: texts and truth values.
fn beside_body(path: &RawPathParams, query: &str) -> Result<Vec<(String, Value)>, Fault> {
    let asked: Vec<(String, String)> = serde_html_form::from_str(query)
        .map_err(|error| Fault::malformed(format!("the query cannot be read: {error}")))?;
    let path = path
        .iter()
        .map(|(name, value)| (name.to_owned(), Value::String(value.to_owned())));
    Ok(asked
        .into_iter()
        .map(|(name, value)| {
            let value = match value.as_str() {
                "true" => Value::Bool(true),
                "false" => Value::Bool(false),
                _ => Value::String(value),
            };
            (name, value)
        })
        .chain(path)
        .collect())
}

/// A file's request: the body as it is, its content type, and the fields beside it.
fn file<R: serde::de::DeserializeOwned>(
    headers: &HeaderMap,
    mut beside: Vec<(String, Value)>,
    bytes: &[u8],
) -> Result<R, Fault> {
    let content_type = content_type(headers);
    if !FILE_TYPES.contains(&content_type) {
        return Err(Fault::new(
            FaultKind::MediaType,
            format!(
                "the body is {content_type:?}; send {}",
                FILE_TYPES.join(" or ")
            ),
        ));
    }
    beside.retain(|(name, _)| !FILE_FIELDS.contains(&name.as_str()));
    beside.push(("content_type".to_owned(), content_type.into()));
    read_json(serde::de::value::MapAccessDeserializer::new(BodyFields {
        beside,
        value: None,
        body: Some(("content", Content::File(bytes))),
    }))
}

/// A batch read straight into its request, without a JSON document between: the way of nearly all
/// batches. None when anything in it cannot be read; [`rows`] then finds out which row it is.
fn straight<R: serde::de::DeserializeOwned>(
    headers: &HeaderMap,
    beside: Vec<(String, Value)>,
    bytes: &[u8],
) -> Option<R> {
    let rows = match content_type(headers) {
        "application/json" if bytes.trim_ascii_start().first() == Some(&b'[') => {
            Content::List(bytes)
        }
        "application/x-ndjson" | "application/jsonl" | "application/ndjson" => {
            Content::Lines(bytes)
        }
        _ => return None,
    };
    let batch = BodyFields {
        beside,
        value: None,
        body: Some(("rows", rows)),
    };
    R::deserialize(serde::de::value::MapAccessDeserializer::new(batch)).ok()
}

/// What lies in a body.
enum Content<'a> {
    /// A JSON array.
    List(&'a [u8]),
    /// One JSON document a line.
    Lines(&'a [u8]),
    /// A file.
    File(&'a [u8]),
}

/// The fields of a request: those beside the body, then the one that the body is.
struct BodyFields<'a> {
    beside: Vec<(String, Value)>,
    value: Option<Value>,
    body: Option<(&'static str, Content<'a>)>,
}

impl<'de> MapAccess<'de> for BodyFields<'de> {
    type Error = serde_json::Error;

    fn next_key_seed<K: DeserializeSeed<'de>>(
        &mut self,
        seed: K,
    ) -> Result<Option<K::Value>, Self::Error> {
        match (self.beside.pop(), &self.body) {
            (Some((name, value)), _) => {
                self.value = Some(value);
                seed.deserialize(name.into_deserializer()).map(Some)
            }
            (None, Some((name, _))) => seed.deserialize((*name).into_deserializer()).map(Some),
            (None, None) => Ok(None),
        }
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(
        &mut self,
        seed: V,
    ) -> Result<V::Value, Self::Error> {
        if let Some(value) = self.value.take() {
            return seed.deserialize(value);
        }
        match self.body.take().map(|(_, content)| content) {
            Some(Content::List(bytes)) => whole(seed, bytes),
            Some(Content::Lines(rest)) => {
                seed.deserialize(SeqAccessDeserializer::new(Lines { rest }))
            }
            Some(Content::File(bytes)) => {
                seed.deserialize(SeqDeserializer::new(bytes.iter().copied()))
            }
            None => Err(serde::de::Error::custom("a value without its name")),
        }
    }
}

/// The lines of a body that are not blank.
struct Lines<'a> {
    rest: &'a [u8],
}

impl<'de> SeqAccess<'de> for Lines<'de> {
    type Error = serde_json::Error;

    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Self::Error> {
        while !self.rest.is_empty() {
            let end = self.rest.iter().position(|byte| *byte == b'\n');
            let (line, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
            self.rest = rest.get(1..).unwrap_or_default();
            if !line.trim_ascii().is_empty() {
                return whole(seed, line).map(Some);
            }
        }
        Ok(None)
    }
}

/// One JSON document that fills all of `bytes`.
fn whole<'de, T: DeserializeSeed<'de>>(
    seed: T,
    bytes: &'de [u8],
) -> Result<T::Value, serde_json::Error> {
    let mut document = serde_json::Deserializer::from_slice(bytes);
    let value = seed.deserialize(&mut document)?;
    document.end()?;
    Ok(value)
}

fn from_json<R: serde::de::DeserializeOwned>(value: Value) -> Result<R, Fault> {
    read_json(value)
}

fn read_json<'de, R, D>(value: D) -> Result<R, Fault>
where
    R: serde::de::DeserializeOwned,
    D: serde::Deserializer<'de, Error = serde_json::Error>,
{
    serde_path_to_error::deserialize(value).map_err(|error| {
        let pointer = pointer(error.path());
        Fault::invalid(vec![FieldError::new(
            pointer,
            error.into_inner().to_string(),
        )])
    })
}

fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{key}"),
            Segment::Enum { variant } => format!("/{variant}"),
            Segment::Unknown => "/?".to_owned(),
        })
        .collect()
}

fn from_query<R: serde::de::DeserializeOwned>(
    path: &RawPathParams,
    query: &str,
) -> Result<R, Fault> {
    let mut pairs: Vec<(String, String)> = serde_html_form::from_str(query)
        .map_err(|error| Fault::malformed(format!("the query cannot be read: {error}")))?;
    pairs.extend(
        path.iter()
            .map(|(name, value)| (name.to_owned(), value.to_owned())),
    );
    let encoded = serde_html_form::to_string(&pairs).map_err(Fault::internal)?;
    serde_path_to_error::deserialize(serde_html_form::Deserializer::from_bytes(
        encoded.as_bytes(),
    ))
    .map_err(|error| {
        let pointer = pointer(error.path());
        Fault::invalid(vec![FieldError::new(
            pointer,
            error.into_inner().to_string(),
        )])
    })
}

fn if_match(headers: &HeaderMap) -> Result<Option<i64>, Fault> {
    let Some(value) = headers.get(header::IF_MATCH) else {
        return Ok(None);
    };
    value
        .to_str()
        .ok()
        .and_then(|text| {
            text.trim()
                .strip_prefix('"')?
                .strip_suffix('"')?
                .parse()
                .ok()
        })
        .map(Some)
        .ok_or_else(|| {
            Fault::malformed("If-Match must be the ETag as it was given, a version in quotes")
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Default, PartialEq, serde::Deserialize)]
    #[serde(default)]
    struct Row {
        id: String,
        n: u32,
        malformed: String,
    }

    #[derive(Debug, Default, PartialEq, serde::Deserialize)]
    #[serde(default)]
    struct Asked {
        trial_id: String,
        rows: Vec<Row>,
    }

    fn read(rows: Content<'_>) -> Option<Asked> {
        let batch = BodyFields {
            beside: vec![("trial_id".to_owned(), "t1".into())],
            value: None,
            body: Some(("rows", rows)),
        };
        Asked::deserialize(serde::de::value::MapAccessDeserializer::new(batch)).ok()
    }

    use serde::Deserialize as _;

    #[test]
    fn lines_and_lists_are_read_straight() {
        let lines = b"{\"id\":\"a\",\"n\":1}\n\n  \r\n{\"id\":\"b\",\"other\":[1]}\r\n";
        let read_lines = read(Content::Lines(lines)).unwrap();
        assert_eq!(read_lines.trial_id, "t1");
        assert_eq!(read_lines.rows.len(), 2);
        assert_eq!((read_lines.rows[0].n, read_lines.rows[1].n), (1, 0));
        let list = b" [{\"id\":\"a\",\"n\":1},{\"id\":\"b\"}] ";
        assert_eq!(read(Content::List(list)), Some(read_lines));
    }

    #[test]
    fn halves_of_documents_never_make_a_row_together() {
        let halves = b"{\"id\":\"a\"\n\"n\":1}\n";
        assert_eq!(read(Content::Lines(halves)), None);
        assert_eq!(read(Content::Lines(b"{} {}\n")), None);
        assert_eq!(read(Content::List(b"[{}] []")), None);
    }

    #[derive(Debug, Default, PartialEq, serde::Deserialize)]
    #[serde(default)]
    struct Sent {
        content: Vec<u8>,
        content_type: String,
        dry_run: bool,
    }

    #[test]
    fn a_file_is_the_body_with_its_content_type() {
        let mut headers = HeaderMap::new();
        let beside = || {
            vec![
                ("dry_run".to_owned(), Value::Bool(true)),
                ("content".to_owned(), "other".into()),
            ]
        };
        assert!(file::<Sent>(&headers, beside(), b"a,b").is_err());
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("text/csv; charset=utf-8"),
        );
        let sent: Sent = file(&headers, beside(), b"a,b").unwrap();
        let expected = Sent {
            content: b"a,b".to_vec(),
            content_type: CSV.to_owned(),
            dry_run: true,
        };
        assert_eq!(sent, expected);
        let wrong = vec![("dry_run".to_owned(), "perhaps".into())];
        let fault = file::<Sent>(&headers, wrong, b"").unwrap_err();
        assert_eq!(fault.into_field_errors()[0].pointer, "/dry_run");
    }

    #[test]
    fn a_row_that_cannot_be_read_says_why_and_spoils_no_other() {
        let mut headers = HeaderMap::new();
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/x-ndjson"),
        );
        let body = b"{\"id\":\"a\",\"n\":1}\n{\"id\":\"b\",\"n\":\"x\"}\n{\"id\n";
        let asked: Asked =
            from_json(Value::Object(rows::<Asked>(&headers, body).unwrap())).unwrap();
        assert_eq!(asked.rows[0].malformed, "");
        assert_eq!(asked.rows[1].id, "b");
        assert!(asked.rows[1].malformed.contains('x'), "{asked:?}");
        assert!(asked.rows[2].malformed.contains("not JSON"), "{asked:?}");
    }
}
