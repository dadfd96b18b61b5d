//! An operation: one use case with its address, its permission and its two skins.
//!
//! [`operations!`](crate::operations) declares a service's operations in one table. From each line
//! come the REST route, the gRPC method, the OpenAPI entry and the line of the permission matrix,
//! so none of them can be forgotten or disagree.

use std::any::Any;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sqlx::PgPool;
use utoipa::ToSchema;

use crate::access::{Caller, Permission};
use crate::clock::Clock;
use crate::fault::{Fault, FaultKind};
use crate::peers::{Peers, ServiceName};
use crate::quota::Quotas;
use crate::refusals::{self, Refusals, Refused};
use crate::retry::{self, RetryKey};
use crate::steady::{self, Steady};
use crate::token::Verifier;
use crate::unit::Unit;

/// What a service's use cases stand on.
#[derive(Clone)]
pub struct Context {
    /// The service.
    pub service: ServiceName,
    /// Its tables, as its own database role.
    pub pool: PgPool,
    /// The time.
    pub clock: Clock,
    /// The other services.
    pub peers: Peers,
    /// Checks tokens.
    pub verifier: Arc<Verifier>,
    /// Counts the requests of partners' keys.
    pub quotas: Arc<Quotas>,
    /// Counts what was refused, for the audit trail.
    pub refusals: Arc<Refusals>,
    /// Replies that are kept while nothing changes.
    pub steady: Steady,
}

/// A service's application layer.
pub trait App: Send + Sync + 'static {
    /// What its use cases stand on.
    fn context(&self) -> &Context;
}

/// What kind of operation it is, which settles its transaction, its status and its body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Reads; cannot write.
    Read,
    /// Reads what is asked far more often than it changes: the reply is kept while nothing in the
    /// programme changes. It may stand on the request, the programme, the partner, the service's
    /// own tables and the day, and on nothing else.
    Steady,
    /// Reads and answers with a document such as a PDF.
    Document,
    /// Creates something; 201.
    Create,
    /// Takes work on, to be done later; 202.
    Accept,
    /// Writes something else; 200.
    Act,
    /// Writes and answers with a secret, so the reply is never kept for a retry; 200.
    Secret,
    /// Changes something that has a version; needs `If-Match`.
    Edit,
    /// Takes rows, as a JSON array or as one JSON document a line, and reports by row.
    Batch,
    /// Takes a file as the body, whose request has the fields `content` and `content_type`; other
    /// fields come from the query. Reports by row.
    File,
}

/// The fixed facts of an operation.
#[derive(Debug, Clone, Copy)]
pub struct Operation {
    /// The service.
    pub service: &'static str,
    /// Name, the same as the gRPC method in snake case.
    pub name: &'static str,
    /// HTTP method.
    pub method: &'static str,
    /// Root of the service's REST paths.
    pub root: &'static str,
    /// Path below the root, with `{field}` for request fields.
    pub path: &'static str,
    /// What it asks of its caller.
    pub permission: Permission,
    /// What kind it is.
    pub kind: Kind,
    /// What it does, in a sentence.
    pub summary: &'static str,
}

impl Operation {
    /// Full REST path.
    pub fn full_path(&self) -> String {
        format!("{}{}", self.root, self.path)
    }
}

/// A message that can be a request or a reply.
pub trait Wire:
    prost::Message + Clone + Default + Serialize + DeserializeOwned + ToSchema + Any + Send + 'static
{
}

impl<T> Wire for T where
    T: prost::Message
        + Clone
        + Default
        + Serialize
        + DeserializeOwned
        + ToSchema
        + Any
        + Send
        + 'static
{
}

/// What a use case will answer.
pub type Answer<'a, R> = Pin<Box<dyn Future<Output = Result<R, Fault>> + Send + 'a>>;

/// A use case bound to its operation; made by [`operations!`](crate::operations).
pub trait UseCase: Send + Sync + 'static {
    /// The service's application layer.
    type App: App;
    /// What is asked.
    type Request: Wire;
    /// What is answered.
    type Reply: Wire;
    /// Its fixed facts.
    const OPERATION: Operation;

    /// Carries the use case out in an open unit of work.
    fn run<'a>(
        app: &'a Self::App,
        unit: &'a mut Unit,
        request: Self::Request,
    ) -> Answer<'a, Self::Reply>;
}

/// A reply, and whether it is the first or one that was kept.
pub struct Outcome<R> {
    /// The reply.
    pub reply: R,
    /// True when the request had been answered before.
    pub replayed: bool,
}

/// Carries a request out: permission, transaction, retry, use case, audit, commit.
///
/// # Errors
/// Whatever the use case finds; nothing is written then.
pub async fn execute<U: UseCase>(
    app: Arc<U::App>,
    caller: Caller,
    via: &'static str,
    idempotency_key: Option<&str>,
    request: U::Request,
) -> Result<Outcome<U::Reply>, Fault> {
    let operation = &U::OPERATION;
    caller.may(operation.permission)?;
    if operation.kind == Kind::Steady {
        let kept = steady::answer::<U>(&app, caller, request).await?;
        return Ok(Outcome {
            reply: kept.reply(),
            replayed: false,
        });
    }
    if matches!(operation.kind, Kind::Read | Kind::Document) {
        let mut unit = Unit::begin(app.context(), caller, operation).await?;
        let reply = U::run(&app, &mut unit, request).await?;
        return Ok(Outcome {
            reply,
            replayed: false,
        });
    }

    let Given { retry, account } = Given::of(operation.kind, idempotency_key, &request)?;
    let mut unit = Unit::begin(app.context(), caller, operation).await?;
    if let Some(retry) = &retry
        && let Some(reply) =
            retry::kept(&mut unit, operation.name, &retry.key, &retry.fingerprint).await?
    {
        return Ok(Outcome {
            reply,
            replayed: true,
        });
    }
    if let Some(retry) = &retry {
        unit.answers(operation.name, retry.key.clone());
    }
    let done = U::run(&app, &mut unit, request).await;
    if let Err(fault) = &done {
        let refused = Refused {
            operation: operation.name,
            via,
            actor: unit.actor().clone(),
            touched: unit.take_touched(),
            fault,
        };
        refusals::note(app.context(), refused).await;
    }
    let reply = done.map_err(|fault| match &retry {
        // Made so long ago that its reply is forgotten.
        Some(Retry {
            key: RetryKey::ClientId(id),
            ..
        }) if fault.is_taken_key() => {
            Fault::exists("/id", format!("{id} is there already; make a new id"))
        }
        _ => fault,
    })?;
    unit.audit(operation.name, via, account).await?;
    if let Some(retry) = &retry {
        let kept = serde_json::to_value(&reply).map_err(Fault::internal)?;
        retry::keep(
            &mut unit,
            operation.name,
            &retry.key,
            &retry.fingerprint,
            &kept,
        )
        .await?;
    }
    unit.commit().await?;
    Ok(Outcome {
        reply,
        replayed: false,
    })
}

/// What a write keeps of its request: how a repeat is known, and what the audit trail says.
struct Given {
    retry: Option<Retry>,
    account: Value,
}

struct Retry {
    key: RetryKey,
    fingerprint: Vec<u8>,
}

impl Given {
    fn of<R: Wire>(kind: Kind, idempotency_key: Option<&str>, request: &R) -> Result<Self, Fault> {
        // Rows carry their own ids, so nothing is kept for a repeat unless the caller asks, and the
        // audit trail keeps their size and digest: a large batch is not made into JSON only to be
        // forgotten.
        let has_rows = matches!(kind, Kind::Batch | Kind::File);
        if has_rows && idempotency_key.is_none() {
            return Ok(Self {
                retry: None,
                account: digested(request),
            });
        }
        let asked = if kind == Kind::File {
            digested(request)
        } else {
            serde_json::to_value(request).map_err(Fault::internal)?
        };
        if kind == Kind::Edit && asked.get("expected_version").and_then(Value::as_i64) == Some(0) {
            return Err(Fault::new(
                FaultKind::VersionMissing,
                "say which version you edit: If-Match with the ETag you read, or expected_version",
            ));
        }
        let key = match kind {
            _ if has_rows => RetryKey::of(idempotency_key, &Value::Null)?,
            Kind::Secret => None,
            _ => RetryKey::of(idempotency_key, &asked)?,
        };
        Ok(Self {
            retry: key.map(|key| Retry {
                key,
                fingerprint: retry::fingerprint(&asked),
            }),
            account: audited(asked),
        })
    }
}

/// Size and digest of a request.
fn digested(request: &impl prost::Message) -> Value {
    let encoded = request.encode_to_vec();
    summary(encoded.len(), &retry::digest(&encoded))
}

fn summary(bytes: usize, digest: &[u8]) -> Value {
    let sha256: String = digest.iter().map(|b| format!("{b:02x}")).collect();
    serde_json::json!({ "bytes": bytes, "sha256": sha256 })
}

/// Largest request that the audit trail keeps whole; of a larger one it keeps size and digest.
const AUDITED_BYTES: usize = 16 * 1024;

/// The request as the audit trail keeps it: without secrets, and by digest when it is large.
fn audited(mut request: Value) -> Value {
    if let Value::Object(fields) = &mut request {
        for (name, value) in fields.iter_mut() {
            if [
                "password",
                "secret",
                "token",
                "setup_key",
                "app_code",
                "recovery_code",
            ]
            .iter()
            .any(|s| name.contains(s))
            {
                *value = Value::String("(withheld)".into());
            }
        }
    }
    let text = request.to_string();
    if text.len() <= AUDITED_BYTES {
        request
    } else {
        summary(text.len(), &retry::digest(text.as_bytes()))
    }
}

/// One line of a service's catalogue: the operation and the schemas of its messages.
#[derive(Clone)]
pub struct CatalogueEntry {
    /// Its fixed facts.
    pub operation: Operation,
    /// Schemas of the request, of the reply, and of all that they hold.
    pub schemas: fn() -> crate::openapi::Schemas,
}

/// Declares a service's operations.
///
/// Each line reads: summary, method and path, name, request and reply, permission, kind, use case.
/// The name is the gRPC method's in snake case. `{field}` in a path fills the request's field of
/// that name; a `GET` fills the others from the query, the rest from the JSON body.
///
/// ```text
/// platform::operations! {
///     app: CrossingApp,
///     service: "crossing", root: "/api/crossing/v1",
///     grpc: contract::crossing::crossing_server::Crossing,
///
///     /// Register a variety, selection, seedling or wild plant.
///     POST "/germplasm" register_germplasm(RegisterGermplasmRequest) -> Germplasm,
///         may WriteGermplasm, Create => app::germplasm::register;
/// }
/// ```
///
/// A trailing `also { ... }` holds gRPC methods that have no plain form, such as streams.
#[macro_export]
macro_rules! operations {
    (
        app: $app:ty,
        service: $service:literal, root: $root:literal,
        grpc: $trait:path,
        $(
            $(#[doc = $doc:literal])+
            $method:ident $path:literal $name:ident($request:ty) -> $reply:ty,
                may $permission:ident, $kind:ident => $use_case:path;
        )+
        $(also { $($also:tt)* })?
    ) => {
        $(
            $(#[doc = $doc])+
            #[allow(non_camel_case_types)]
            pub struct $name;

            impl $crate::operation::UseCase for $name {
                type App = $app;
                type Request = $request;
                type Reply = $reply;
                const OPERATION: $crate::operation::Operation = $crate::operation::Operation {
                    service: $service,
                    name: stringify!($name),
                    method: stringify!($method),
                    root: $root,
                    path: $path,
                    permission: $crate::access::Permission::$permission,
                    kind: $crate::operation::Kind::$kind,
                    summary: concat!($($doc),+),
                };

                fn run<'a>(
                    app: &'a Self::App,
                    unit: &'a mut $crate::unit::Unit,
                    request: Self::Request,
                ) -> $crate::operation::Answer<'a, Self::Reply> {
                    ::std::boxed::Box::pin($use_case(app, unit, request))
                }
            }
        )+

        /// Every operation of this service, for the API's description and the permission matrix.
        pub fn catalogue() -> ::std::vec::Vec<$crate::operation::CatalogueEntry> {
            ::std::vec![$($crate::openapi::entry::<$name>()),+]
        }

        /// The REST skin: every operation at its path.
        pub fn rest(app: ::std::sync::Arc<$app>) -> $crate::reexport::axum::Router {
            let router = $crate::reexport::axum::Router::new();
            $(let router = $crate::skin::route::<$name>(router);)+
            router.with_state(app)
        }

        /// The gRPC skin: every operation as a method.
        pub struct Grpc(pub ::std::sync::Arc<$app>);

        #[$crate::reexport::tonic::async_trait]
        impl $trait for Grpc {
            $(
                async fn $name(
                    &self,
                    request: $crate::reexport::tonic::Request<$request>,
                ) -> ::std::result::Result<
                    $crate::reexport::tonic::Response<$reply>,
                    $crate::reexport::tonic::Status,
                > {
                    $crate::skin::grpc::<$name>(self.0.clone(), request).await
                }
            )+
            $($($also)*)?
        }
    };
}
