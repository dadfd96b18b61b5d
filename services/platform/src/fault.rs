//! The one error type, and what it looks like over REST (RFC 9457) and over gRPC.

use std::error::Error as StdError;
use std::fmt;

use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use serde::{Deserialize, Serialize};

/// A fault in one field of a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct FieldError {
    /// JSON pointer to the field, as `/flowers_n`.
    pub pointer: String,
    /// Row of a batch, counted from 0.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub row: Option<u64>,
    /// What is wrong and what would mend it.
    pub message: String,
}

impl FieldError {
    /// A fault at a JSON pointer.
    pub fn new(pointer: impl Into<String>, message: impl Into<String>) -> Self {
        Self {
            pointer: pointer.into(),
            row: None,
            message: message.into(),
        }
    }
}

impl From<FieldError> for contract::common::FieldError {
    fn from(e: FieldError) -> Self {
        Self {
            pointer: e.pointer,
            row: e.row,
            message: e.message,
        }
    }
}

impl From<contract::common::FieldError> for FieldError {
    fn from(e: contract::common::FieldError) -> Self {
        Self {
            pointer: e.pointer,
            row: e.row,
            message: e.message,
        }
    }
}

/// What kind of fault it is; each has one HTTP status and one gRPC code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultKind {
    /// The request could not be read at all.
    Malformed,
    /// The request was read and holds faults in its fields.
    Invalid,
    /// No credentials, or none that hold.
    Unauthenticated,
    /// The caller is known and may not do this.
    Forbidden,
    /// There is no such thing, or none that the caller may know of.
    NotFound,
    /// The path is known and the method is not.
    MethodNotAllowed,
    /// Something of that identity is there already.
    Exists,
    /// The thing is not in a state in which this can be done.
    State,
    /// Somebody else changed the thing in between.
    Stale,
    /// The edit did not say which version it was made on.
    VersionMissing,
    /// The content type is not one that this path takes.
    MediaType,
    /// The body is larger than this path takes.
    TooLarge,
    /// The body came too slowly.
    TooSlow,
    /// An idempotency key was used again with another body.
    RetryMismatch,
    /// The caller asked too often.
    Throttled,
    /// The service cannot answer now; trying again later may help.
    Unavailable,
    /// A fault of ours.
    Internal,
}

/// Why a request was not carried out.
#[derive(Debug)]
pub struct Fault {
    kind: FaultKind,
    detail: String,
    errors: Vec<FieldError>,
    source: Option<Box<dyn StdError + Send + Sync>>,
    retry_after_s: Option<u32>,
    perhaps_written: bool,
}

impl Fault {
    /// A fault of a kind with a sentence for people.
    pub fn new(kind: FaultKind, detail: impl Into<String>) -> Self {
        Self {
            kind,
            detail: detail.into(),
            errors: Vec::new(),
            source: None,
            retry_after_s: None,
            perhaps_written: false,
        }
    }

    /// The caller asked too often and may ask again after so many seconds.
    pub fn throttled(detail: impl Into<String>, retry_after_s: u32) -> Self {
        Self {
            retry_after_s: Some(retry_after_s),
            ..Self::new(FaultKind::Throttled, detail)
        }
    }

    /// The request could not be read.
    pub fn malformed(detail: impl Into<String>) -> Self {
        Self::new(FaultKind::Malformed, detail)
    }

    /// Faults in fields.
    pub fn invalid(errors: Vec<FieldError>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("{}: {}", one.pointer, one.message),
            many => format!("{} fields need mending; see errors", many.len()),
        };
        Self::new(FaultKind::Invalid, detail).with_errors(errors)
    }

    /// A fault in one field.
    pub fn field(pointer: impl Into<String>, message: impl Into<String>) -> Self {
        Self::invalid(vec![FieldError::new(pointer, message)])
    }

    /// No credentials that hold.
    pub fn unauthenticated(detail: impl Into<String>) -> Self {
        Self::new(FaultKind::Unauthenticated, detail)
    }

    /// Known, and not allowed.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(FaultKind::Forbidden, detail)
    }

    /// No such thing, or none that the caller may know of: the two read alike on purpose.
    pub fn not_found(what: &str, id: impl fmt::Display) -> Self {
        Self::new(FaultKind::NotFound, format!("no {what} {id} is known here"))
    }

    /// Something of that identity is there already.
    pub fn exists(pointer: impl Into<String>, message: impl Into<String>) -> Self {
        let error = FieldError::new(pointer, message);
        Self::new(FaultKind::Exists, error.message.clone()).with_errors(vec![error])
    }

    /// Not in a state in which this can be done.
    pub fn state(detail: impl Into<String>) -> Self {
        Self::new(FaultKind::State, detail)
    }

    /// Somebody else changed the thing in between.
    pub fn stale(current_version: i64) -> Self {
        Self::new(
            FaultKind::Stale,
            format!(
                "it was changed since you read it and is now at version {current_version}; read it again and repeat your edit"
            ),
        )
    }

    /// The service cannot answer now.
    pub fn unavailable(detail: impl Into<String>) -> Self {
        Self::new(FaultKind::Unavailable, detail)
    }

    /// Says after how many seconds to ask again.
    #[must_use]
    pub fn after(mut self, retry_after_s: u32) -> Self {
        self.retry_after_s = Some(retry_after_s);
        self
    }

    /// After how many seconds to ask again, where that is known.
    pub fn retry_after_s(&self) -> Option<u32> {
        self.retry_after_s
    }

    /// The same fault for somebody else who asked the same.
    pub(crate) fn told_again(&self) -> Self {
        Self {
            kind: self.kind,
            detail: self.detail.clone(),
            errors: self.errors.clone(),
            source: self.source.as_ref().map(|source| source.to_string().into()),
            retry_after_s: self.retry_after_s,
            perhaps_written: self.perhaps_written,
        }
    }

    /// A fault of ours; the cause is logged and not told.
    pub fn internal<E: StdError + Send + Sync + 'static>(source: E) -> Self {
        Self::new(FaultKind::Internal, "something went wrong on our side").because(source)
    }

    /// A write of which it is not known whether it came to its end: only the reply was lost, or the
    /// whole of it.
    pub(crate) fn perhaps_written(what: &str) -> Self {
        Self {
            perhaps_written: true,
            ..Self::unavailable(format!(
                "{what}; it may have been written: repeat it with the same Idempotency-Key or id, which does no harm"
            ))
        }
    }

    /// True when it is not known whether anything was written.
    pub(crate) fn is_perhaps_written(&self) -> bool {
        self.perhaps_written
    }

    /// The fault of a further try, after one of which it is not known whether it wrote.
    #[must_use]
    pub(crate) fn not_known_to_be_written(self) -> Self {
        if self.kind.is_of_the_request() || self.perhaps_written {
            return self;
        }
        Self {
            source: self.source,
            ..Self::perhaps_written("the connection to the database was lost")
        }
    }

    /// Notes the cause, which is logged and not told.
    #[must_use]
    pub(crate) fn because<E: StdError + Send + Sync + 'static>(mut self, source: E) -> Self {
        self.source = Some(Box::new(source));
        self
    }

    /// Promises that nothing was written, which only the one who rolled it back may say.
    #[must_use]
    pub(crate) fn nothing_written(mut self) -> Self {
        const PROMISE: &str = "nothing was written";
        if matches!(self.kind, FaultKind::Internal | FaultKind::Unavailable)
            && !self.detail.contains(PROMISE)
        {
            self.detail.push_str("; ");
            self.detail.push_str(PROMISE);
        }
        self
    }

    fn database_error(&self) -> Option<&sqlx::Error> {
        self.source.as_deref().and_then(|s| s.downcast_ref())
    }

    /// True when a row was to be written under a primary key that another row has.
    pub(crate) fn is_taken_key(&self) -> bool {
        let Some(sqlx::Error::Database(error)) = self.database_error() else {
            return false;
        };
        error.is_unique_violation()
            && error
                .constraint()
                .is_some_and(|name| name.ends_with("_pkey"))
    }

    /// True when the same may go well a moment later: writers that waited for one another in a
    /// circle, or a connection that was cut.
    pub(crate) fn passes(&self) -> bool {
        match self.database_error() {
            Some(sqlx::Error::Io(_)) => true,
            Some(sqlx::Error::Database(error)) => matches!(
                error.code().as_deref(),
                Some(SERIALIZATION | DEADLOCK | "57P01" | "57P02" | "57P03")
            ),
            _ => false,
        }
    }

    /// Another of several equal requests was answered at this moment: its reply is this one's as well.
    pub(crate) fn answered_meanwhile() -> Self {
        Self::unavailable("the same request was answered at this moment; repeat it for its reply")
            .because(AnsweredMeanwhile)
    }

    /// True when another of several equal requests is being answered, or just was.
    pub(crate) fn waits_for_first(&self) -> bool {
        let answered = self
            .source
            .as_deref()
            .is_some_and(|source| source.is::<AnsweredMeanwhile>());
        answered
            || matches!(self.database_error(), Some(sqlx::Error::Database(error))
            if error.code().as_deref() == Some(LOCK_NOT_AVAILABLE))
    }

    /// Adds the fields that the fault is about.
    #[must_use]
    pub fn with_errors(mut self, errors: Vec<FieldError>) -> Self {
        self.errors = errors;
        self
    }

    /// The kind of fault.
    pub fn kind(&self) -> FaultKind {
        self.kind
    }

    /// The sentence for people.
    pub fn detail(&self) -> &str {
        &self.detail
    }

    /// The faults in fields.
    pub fn errors(&self) -> &[FieldError] {
        &self.errors
    }

    /// The faults in fields, or the whole fault as one at the root; for batches that report by row.
    pub fn into_field_errors(self) -> Vec<FieldError> {
        if self.errors.is_empty() {
            vec![FieldError::new("", self.detail)]
        } else {
            self.errors
        }
    }

    /// After how many seconds to ask again, for a fault that waiting may mend.
    fn wait_s(&self) -> Option<u32> {
        let passes = matches!(self.kind, FaultKind::Unavailable | FaultKind::Throttled);
        self.retry_after_s.or(passes.then_some(RETRY_AFTER_S))
    }

    fn log(&self) {
        if let Some(source) = &self.source {
            tracing::error!(fault.kind = ?self.kind, fault.source = %source, "request failed");
        }
    }

    /// The problem document.
    pub fn problem(&self) -> Problem {
        let (status, slug, title) = self.kind.http();
        Problem {
            r#type: format!("/problems/{slug}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: self.detail.clone(),
            errors: self.errors.clone(),
        }
    }
}

impl FaultKind {
    /// True when what was asked is at fault, so that asking the same again is of no use; false when
    /// it is ours, or passes.
    pub fn is_of_the_request(self) -> bool {
        match self {
            Self::Malformed
            | Self::Invalid
            | Self::Forbidden
            | Self::NotFound
            | Self::MethodNotAllowed
            | Self::Exists
            | Self::State
            | Self::Stale
            | Self::VersionMissing
            | Self::MediaType
            | Self::TooLarge
            | Self::RetryMismatch => true,
            Self::Unauthenticated
            | Self::TooSlow
            | Self::Throttled
            | Self::Unavailable
            | Self::Internal => false,
        }
    }

    /// Every kind, for the documentation.
    pub const ALL: [FaultKind; 17] = [
        Self::Malformed,
        Self::Invalid,
        Self::Unauthenticated,
        Self::Forbidden,
        Self::NotFound,
        Self::MethodNotAllowed,
        Self::Exists,
        Self::State,
        Self::Stale,
        Self::VersionMissing,
        Self::MediaType,
        Self::TooLarge,
        Self::TooSlow,
        Self::RetryMismatch,
        Self::Throttled,
        Self::Unavailable,
        Self::Internal,
    ];

    /// HTTP status, last part of the problem's type, and title.
    pub fn http(self) -> (StatusCode, &'static str, &'static str) {
        use StatusCode as S;
        match self {
            Self::Malformed => (S::BAD_REQUEST, "malformed", "The request could not be read"),
            Self::Invalid => (
                S::UNPROCESSABLE_ENTITY,
                "invalid",
                "Some fields need mending",
            ),
            Self::Unauthenticated => (S::UNAUTHORIZED, "unauthenticated", "Sign in first"),
            Self::Forbidden => (S::FORBIDDEN, "forbidden", "Your roles do not allow this"),
            Self::NotFound => (S::NOT_FOUND, "not-found", "Not found"),
            Self::MethodNotAllowed => (
                S::METHOD_NOT_ALLOWED,
                "method-not-allowed",
                "This path has no such method",
            ),
            Self::Exists => (S::CONFLICT, "exists", "It is there already"),
            Self::State => (
                S::CONFLICT,
                "state",
                "It is not in a state that allows this",
            ),
            Self::Stale => (S::PRECONDITION_FAILED, "stale", "It was changed in between"),
            Self::VersionMissing => (
                S::PRECONDITION_REQUIRED,
                "version-missing",
                "Say which version you edit",
            ),
            Self::MediaType => (
                S::UNSUPPORTED_MEDIA_TYPE,
                "media-type",
                "This content type is not taken here",
            ),
            Self::TooLarge => (S::PAYLOAD_TOO_LARGE, "too-large", "The body is too large"),
            Self::TooSlow => (S::REQUEST_TIMEOUT, "too-slow", "The body came too slowly"),
            Self::RetryMismatch => (
                S::UNPROCESSABLE_ENTITY,
                "retry-mismatch",
                "The idempotency key was used with another body",
            ),
            Self::Throttled => (S::TOO_MANY_REQUESTS, "throttled", "Too many requests"),
            Self::Unavailable => (
                S::SERVICE_UNAVAILABLE,
                "unavailable",
                "Not available at the moment",
            ),
            Self::Internal => (S::INTERNAL_SERVER_ERROR, "internal", "A fault on our side"),
        }
    }

    fn grpc(self) -> tonic::Code {
        use tonic::Code as C;
        match self {
            Self::Malformed | Self::Invalid | Self::RetryMismatch | Self::MediaType => {
                C::InvalidArgument
            }
            Self::Unauthenticated => C::Unauthenticated,
            Self::Forbidden => C::PermissionDenied,
            Self::NotFound => C::NotFound,
            Self::MethodNotAllowed => C::Unimplemented,
            Self::Exists => C::AlreadyExists,
            Self::State | Self::VersionMissing => C::FailedPrecondition,
            Self::Stale => C::Aborted,
            Self::TooLarge | Self::Throttled => C::ResourceExhausted,
            Self::Unavailable => C::Unavailable,
            Self::TooSlow => C::DeadlineExceeded,
            Self::Internal => C::Internal,
        }
    }
}

/// A problem document of RFC 9457 with the faults by field.
#[derive(Debug, Clone, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Problem {
    /// Stable address of the kind of problem.
    pub r#type: String,
    /// The kind of problem in words.
    pub title: String,
    /// HTTP status.
    pub status: u16,
    /// What is wrong here, for people.
    pub detail: String,
    /// The faults by field.
    #[serde(default)]
    pub errors: Vec<FieldError>,
}

/// After how many seconds to ask again, when nothing else is said.
const RETRY_AFTER_S: u32 = 2;

/// Content type of a problem document.
pub const PROBLEM_JSON: &str = "application/problem+json";

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        self.log();
        let problem = self.problem();
        let status = self.kind.http().0;
        let body = serde_json::to_vec(&problem).unwrap_or_default();
        let mut response = (status, body).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        if self.kind == FaultKind::Unauthenticated {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if let Some(wait_s) = self.wait_s() {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(wait_s));
        }
        response
    }
}

/// Largest problem document that a gRPC status carries: a client takes 16 KiB of headers, and
/// breaks the connection off when there are more.
const METADATA_BYTES: usize = 6 * 1024;
/// Longest sentence of a problem that must be short, characters.
const SHORT_CHARS: usize = 300;

impl Problem {
    /// The problem in so many bytes of JSON: sentences are cut and the last faults left out, which
    /// the sentence for people says.
    fn within(mut self, bytes: usize) -> Self {
        let size = |problem: &Self| serde_json::to_vec(problem).map_or(0, |body| body.len());
        if size(&self) <= bytes {
            return self;
        }
        let all = self.errors.len();
        shorten(&mut self.detail);
        for error in &mut self.errors {
            shorten(&mut error.message);
            shorten(&mut error.pointer);
        }
        while size(&self) > bytes && !self.errors.is_empty() {
            self.errors.truncate(self.errors.len() / 2);
        }
        if self.errors.len() < all {
            let told = self.errors.len();
            self.detail += &format!("; the first {told} of {all} faults are told");
        }
        self
    }
}

fn shorten(text: &mut String) {
    if let Some((end, _)) = text.char_indices().nth(SHORT_CHARS) {
        text.truncate(end);
        text.push('…');
    }
}

/// Metadata key under which a gRPC status carries the problem document.
pub const PROBLEM_METADATA: &str = "drupeline-problem-bin";

impl From<Fault> for tonic::Status {
    fn from(fault: Fault) -> Self {
        fault.log();
        let problem = fault.problem().within(METADATA_BYTES);
        let mut status = tonic::Status::new(fault.kind.grpc(), problem.detail.clone());
        if let Some(wait_s) = fault.wait_s() {
            status.metadata_mut().insert("retry-after", wait_s.into());
        }
        if let Ok(body) = serde_json::to_vec(&problem) {
            status.metadata_mut().insert_bin(
                PROBLEM_METADATA,
                tonic::metadata::MetadataValue::from_bytes(&body),
            );
        }
        status
    }
}

/// A call to another service that failed, as a fault of the caller's request.
impl From<tonic::Status> for Fault {
    fn from(status: tonic::Status) -> Self {
        use tonic::Code as C;
        let problem = status
            .metadata()
            .get_bin(PROBLEM_METADATA)
            .and_then(|value| value.to_bytes().ok())
            .and_then(|bytes| serde_json::from_slice::<Problem>(&bytes).ok());
        let kind = match status.code() {
            C::NotFound => FaultKind::NotFound,
            C::AlreadyExists => FaultKind::Exists,
            C::FailedPrecondition => FaultKind::State,
            C::InvalidArgument => FaultKind::Invalid,
            C::PermissionDenied => FaultKind::Forbidden,
            C::Unauthenticated => FaultKind::Unauthenticated,
            C::Aborted => FaultKind::Stale,
            C::ResourceExhausted => match &problem {
                Some(problem) if problem.status == StatusCode::PAYLOAD_TOO_LARGE => {
                    FaultKind::TooLarge
                }
                _ => FaultKind::Throttled,
            },
            C::Unavailable | C::DeadlineExceeded => {
                return Self::unavailable(
                    "another service that this needs does not answer; try again",
                );
            }
            _ => return Self::internal(status),
        };
        let wait_s = status
            .metadata()
            .get("retry-after")
            .and_then(|wait| wait.to_str().ok()?.parse().ok());
        Self {
            retry_after_s: wait_s,
            ..Self::new(kind, status.message())
        }
        .with_errors(problem.map(|p| p.errors).unwrap_or_default())
    }
}

/// The cause of [`Fault::answered_meanwhile`].
#[derive(Debug, thiserror::Error)]
#[error("the same request was answered meanwhile")]
struct AnsweredMeanwhile;

/// Transactions could not be put into an order.
const SERIALIZATION: &str = "40001";
/// Transactions waited for one another in a circle.
const DEADLOCK: &str = "40P01";
/// A lock was waited for too long.
const LOCK_NOT_AVAILABLE: &str = "55P03";

impl From<sqlx::Error> for Fault {
    fn from(error: sqlx::Error) -> Self {
        const BUSY: &str = "the database is busy; try again";
        let told = match &error {
            sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed | sqlx::Error::Io(_) => Some(BUSY),
            sqlx::Error::Database(db) => match db.code().as_deref() {
                // Classes: no connection; resources used up; stopped by whoever looks after it.
                Some(code)
                    if [SERIALIZATION, DEADLOCK].contains(&code)
                        || ["08", "53", "57"]
                            .iter()
                            .any(|class| code.starts_with(class)) =>
                {
                    Some(BUSY)
                }
                Some(LOCK_NOT_AVAILABLE) => Some(
                    "the same request is still being answered; repeat it in a moment with the same Idempotency-Key or id",
                ),
                _ => None,
            },
            _ => None,
        };
        let mut fault = Self::internal(error);
        if let Some(told) = told {
            fault.kind = FaultKind::Unavailable;
            fault.detail = told.into();
        }
        fault
    }
}

/// Turns a violated constraint of a given name into a fault of the request.
pub trait OnConstraint<T> {
    /// When the statement violated the constraint `name`, gives `fault()` in its place.
    fn on_constraint(self, name: &str, fault: impl FnOnce() -> Fault) -> Result<T, Fault>;
}

impl<T> OnConstraint<T> for Result<T, sqlx::Error> {
    fn on_constraint(self, name: &str, fault: impl FnOnce() -> Fault) -> Result<T, Fault> {
        self.map_err(|error| match &error {
            sqlx::Error::Database(db) if db.constraint() == Some(name) => fault(),
            _ => error.into(),
        })
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.detail)
    }
}

impl StdError for Fault {
    fn source(&self) -> Option<&(dyn StdError + 'static)> {
        self.source.as_deref().map(|s| s as _)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_another_service_refuses_is_told_on_as_it_was() {
        for (fault, wait_s) in [
            (Fault::throttled("your quota is used up", 40), Some(40)),
            (Fault::new(FaultKind::TooLarge, "more than is taken"), None),
            (Fault::field("/season", "is a year"), None),
            (Fault::not_found("cross", "x"), None),
        ] {
            let (kind, detail) = (fault.kind(), fault.to_string());
            let told = Fault::from(tonic::Status::from(fault));
            assert_eq!((told.kind(), told.to_string()), (kind, detail));
            assert_eq!(told.retry_after_s(), wait_s);
        }
    }

    #[test]
    fn a_status_is_no_larger_than_a_client_takes() {
        let errors = (0..200)
            .map(|n| FieldError::new(format!("/territory/{n}"), "\u{1f351}x".repeat(3_000)))
            .collect();
        let mut fault = Fault::invalid(errors);
        fault.detail = "y".repeat(50_000);
        let status = tonic::Status::from(fault);
        let problem = status.metadata().get_bin(PROBLEM_METADATA).unwrap();
        assert!(problem.as_encoded_bytes().len() < 9_000);
        assert!(status.message().len() < 1_500, "{}", status.message().len());
        let read = Fault::from(status);
        assert_eq!(read.errors()[0].pointer, "/territory/0");
        assert!(read.detail().contains("of 200 faults are told"), "{read}");
    }
}
