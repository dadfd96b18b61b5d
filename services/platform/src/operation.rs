//! An operation: one use case with its address, its permission and its two skins.
//!
//! [`operations!`](crate::operations) declares a service's operations in one table. From each line
//! come the REST route, the gRPC method, the OpenAPI entry and the line of the permission matrix,
//! so none of them can be forgotten or disagree.

use std::any::Any;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::time::{Duration, Instant};

use contract::shape;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sqlx::PgPool;
use utoipa::ToSchema;

use crate::access::{Caller, Permission};
use crate::audit::AuditOutcome;
use crate::clock::Clock;
use crate::compute::{Question, Room, Settled};
use crate::fault::{Fault, FaultKind};
use crate::feed::Announced;
use crate::gate::Gate;
use crate::health::Health;
use crate::peers::{Peers, ServiceName};
use crate::quota::Quotas;
use crate::refusals::{self, Refusals, Refused};
use crate::retry::{self, Answered, Asked, RetryKey};
use crate::secrets;
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
    /// Tells the numberer that something was announced.
    pub announced: Announced,
    /// How the process is.
    pub health: Health,
    /// Where arithmetic is done; one for all services of a process.
    pub compute: Room,
    /// Who is let in, and with how much; one for all services of a process.
    pub gate: Gate,
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
    prost::Message
    + contract::Secrets
    + Clone
    + Default
    + Serialize
    + DeserializeOwned
    + ToSchema
    + Any
    + Send
    + Sync
    + 'static
{
}

impl<T> Wire for T where
    T: prost::Message
        + contract::Secrets
        + Clone
        + Default
        + Serialize
        + DeserializeOwned
        + ToSchema
        + Any
        + Send
        + Sync
        + 'static
{
}

/// What a use case will answer.
pub type Answer<'a, R> = Pin<Box<dyn Future<Output = Result<Settled<R>, Fault>> + Send + 'a>>;

/// A use case bound to its operation; made by [`operations!`](crate::operations).
pub trait UseCase: Send + Sync + 'static {
    /// The service's application layer.
    type App: App;
    /// What is asked.
    type Request: Wire + shape::Asked;
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
/// A write that met others on its way (they waited for one another in a circle, or a connection was
/// cut) is carried out anew as a whole, a few times; one whose first sending is still being answered
/// waits for that.
///
/// # Errors
/// Whatever the use case finds; nothing is written then, or the fault says that something may be.
pub async fn execute<U: UseCase>(
    app: Arc<U::App>,
    caller: Caller,
    via: &'static str,
    idempotency_key: Option<&str>,
    request: U::Request,
) -> Result<Outcome<U::Reply>, Fault> {
    let operation = &U::OPERATION;
    caller.may_call(operation)?;
    if operation.kind == Kind::Steady {
        let kept = steady::answer::<U>(&app, caller, request).await?;
        return Ok(Outcome {
            reply: kept.reply(),
            replayed: false,
        });
    }
    if matches!(operation.kind, Kind::Read | Kind::Document) {
        let question = Question::of(operation, &caller, &request);
        let mut unit = Unit::begin(app.context(), caller, operation).await?;
        let done = U::run(&app, &mut unit, request).await;
        if let Err(fault) = &done {
            refused(app.context(), operation, via, &mut unit, fault).await;
        }
        let settled = done?;
        return Ok(Outcome {
            reply: read(app.context(), unit, question, settled).await?,
            replayed: false,
        });
    }

    let given = Given::of(operation.kind, via, idempotency_key, &request).await?;
    let mut tries = Tries::of(&given);
    let mut request = request;
    loop {
        let fault = match write::<U>(&app, caller.clone(), &given, request).await {
            Ok(outcome) => return Ok(outcome),
            Err(fault) => fault,
        };
        let pause = tries.pause_after(fault)?;
        tokio::time::sleep(pause).await;
        request = prost::Message::decode(given.sent.as_slice()).map_err(Fault::internal)?;
    }
}

/// Carries a write out once.
async fn write<U: UseCase>(
    app: &U::App,
    caller: Caller,
    given: &Given,
    request: U::Request,
) -> Result<Outcome<U::Reply>, Fault> {
    let (unit, outcome) = prepare::<U>(app, caller, given, request)
        .await
        .map_err(Fault::nothing_written)?;
    if let Some(unit) = unit {
        unit.commit().await?;
    }
    Ok(outcome)
}

/// Carries a write out as far as its commit; the unit is none when there is nothing to commit.
async fn prepare<U: UseCase>(
    app: &U::App,
    caller: Caller,
    given: &Given,
    request: U::Request,
) -> Result<(Option<Unit>, Outcome<U::Reply>), Fault> {
    let operation = &U::OPERATION;
    let asked = &given.asked;
    let mut unit = Unit::begin(app.context(), caller, operation).await?;
    if let Some(kept) = retry::claim_request(&mut unit, operation.name, asked).await? {
        let outcome = Outcome {
            reply: prost::Message::decode(kept.as_slice()).map_err(Fault::internal)?,
            replayed: true,
        };
        return Ok((None, outcome));
    }
    unit.claims(operation.name, asked);
    let done = reply_within::<U>(app, &mut unit, request).await;
    if let Err(fault) = &done {
        refused(app.context(), operation, given.via, &mut unit, fault).await;
    }
    let mut reply = done.map_err(|fault| given.mend_taken_key(fault))?;
    let (via, account) = (given.via, given.account.clone());
    unit.audit(operation.name, via, AuditOutcome::Done, account)
        .await?;
    if !asked.keys.is_empty() {
        let kept = retry::kept_form(&reply);
        if let Some(kept) = &kept {
            // What is told now is what a repeat will be told, to the sign of a zero.
            reply = prost::Message::decode(kept.as_slice()).map_err(Fault::internal)?;
        }
        let answered: Vec<Answered> = asked
            .keys
            .iter()
            .map(|key| Answered {
                operation: operation.name,
                key: key.clone(),
                fingerprint: asked.fingerprint.clone(),
                secret_check: asked.secret_check.clone(),
                reply: kept.clone(),
            })
            .collect();
        retry::remember(&mut unit, &answered).await?;
    }
    let outcome = Outcome {
        reply,
        replayed: false,
    };
    Ok((Some(unit), outcome))
}

/// Notes a refusal that a use case came to. The unit's connection goes back first: were it held while
/// another is asked for, as many refusals at once as there are connections would wait for one another.
async fn refused(
    context: &Context,
    operation: &Operation,
    via: &'static str,
    unit: &mut Unit,
    fault: &Fault,
) {
    unit.give_back().await;
    let refused = Refused {
        operation: operation.name,
        via,
        actor: unit.actor().clone(),
        touched: unit.take_touched(),
        fault,
    };
    refusals::note(context, refused).await;
}

/// The reply of a use case that reads: what is still to be done for it is done without a connection.
pub(crate) async fn read<R: Wire>(
    context: &Context,
    mut unit: Unit,
    question: Question,
    settled: Settled<R>,
) -> Result<R, Fault> {
    match settled {
        Settled::Now(reply) => Ok(reply),
        Settled::Later(work) => {
            let question = question.at(unit.snapshot().await?, unit.today());
            unit.commit().await?;
            context.compute.shared(question, work).await
        }
        Settled::Elsewhere(asked) => {
            unit.commit().await?;
            asked.await
        }
    }
}

/// The reply of a use case that writes, which keeps its transaction until the end.
pub(crate) async fn reply_within<U: UseCase>(
    app: &U::App,
    unit: &mut Unit,
    request: U::Request,
) -> Result<U::Reply, Fault> {
    match U::run(app, unit, request).await? {
        Settled::Now(reply) => Ok(reply),
        Settled::Later(work) => app.context().compute.work(work).await,
        Settled::Elsewhere(asked) => asked.await,
    }
}

/// How often a write that met others is carried out at most.
const MOST_TRIES: u32 = 10;
/// Longest pause before it is carried out anew.
const LONGEST_PAUSE: Duration = Duration::from_millis(1500);
/// How long a repeat waits for the first sending of the same request.
const WAITS_FOR_FIRST: Duration = Duration::from_secs(40);
/// Pause before a repeat looks again whether the first was answered, growing from look to look; it
/// holds no connection then.
const BETWEEN_LOOKS: Duration = Duration::from_millis(25);
/// Pauses grow to so many times the first.
const MOST_GROWTH: u32 = 20;

/// Decides whether a write that failed is carried out anew.
struct Tries {
    began: Instant,
    done_n: u32,
    /// Looks whether the first was answered.
    looks_n: u32,
    /// Whether a repeat can be told from the first.
    known: bool,
    has_rows: bool,
    perhaps_written: bool,
}

impl Tries {
    fn of(given: &Given) -> Self {
        Self {
            began: Instant::now(),
            done_n: 0,
            looks_n: 0,
            known: !given.asked.keys.is_empty(),
            has_rows: given.has_rows,
            perhaps_written: false,
        }
    }

    /// How long to pause before the next try; the fault, when there is to be none.
    fn pause_after(&mut self, fault: Fault) -> Result<Duration, Fault> {
        if fault.waits_for_first() && self.began.elapsed() < WAITS_FOR_FIRST {
            self.looks_n += 1;
            return Ok(BETWEEN_LOOKS * self.looks_n.min(MOST_GROWTH));
        }
        self.done_n += 1;
        self.perhaps_written |= fault.is_perhaps_written();
        // Rows that another batch wrote at this moment are duplicates at the next look.
        let passes = fault.passes() || (self.has_rows && fault.is_taken_key());
        let harmless = self.known || !fault.is_perhaps_written();
        if passes && harmless && self.done_n < MOST_TRIES {
            let longest = LONGEST_PAUSE.min(Duration::from_millis(10) * 2_u32.pow(self.done_n));
            // Those who met are not to meet again.
            return Ok(longest.mul_f64(rand::random_range(0.5..1.0)));
        }
        Err(if self.perhaps_written {
            fault.not_known_to_be_written()
        } else {
            fault
        })
    }
}

/// What is kept of a write's request: how a repeat is known, what the audit trail says, and all of it,
/// to be carried out anew.
struct Given {
    via: &'static str,
    has_rows: bool,
    asked: Asked,
    account: Value,
    sent: Vec<u8>,
}

impl Given {
    async fn of<R: Wire>(
        kind: Kind,
        via: &'static str,
        idempotency_key: Option<&str>,
        request: &R,
    ) -> Result<Self, Fault> {
        let sent = request.encode_to_vec();
        let mut secrets = Vec::new();
        let opened = R::HAS_SECRETS.then(|| {
            let mut open = request.clone();
            open.withhold(&mut secrets);
            open
        });
        let open = opened.as_ref().unwrap_or(request);
        let digest = match &opened {
            Some(open) => retry::digest(&open.encode_to_vec()),
            None => retry::digest(&sent),
        };
        // Rows carry their own ids, so nothing is kept for a repeat unless the caller asks, and the
        // audit trail keeps their size and digest: a large batch is not made into JSON only to be
        // forgotten.
        let has_rows = matches!(kind, Kind::Batch | Kind::File);
        let mut keys = Vec::new();
        if kind != Kind::Secret {
            keys.extend(idempotency_key.map(RetryKey::header).transpose()?);
        }
        let account = if has_rows {
            summary(sent.len(), &digest)
        } else {
            let open = serde_json::to_value(open).map_err(Fault::internal)?;
            require_version(kind, &open)?;
            if kind != Kind::Secret
                && let Some(Value::String(id)) = open.get("id")
                && !id.is_empty()
            {
                keys.push(RetryKey::client_id(id));
            }
            audited(open)
        };
        let secret_check = if keys.is_empty() {
            String::new()
        } else {
            secrets::hash(&secrets).await?
        };
        Ok(Self {
            via,
            has_rows,
            asked: Asked {
                keys,
                fingerprint: digest,
                secrets,
                secret_check,
            },
            account,
            sent,
        })
    }

    /// An id that was made so long ago that it is not remembered, or that something else has.
    fn mend_taken_key(&self, fault: Fault) -> Fault {
        let id = |key: &&RetryKey| matches!(key, RetryKey::ClientId(_));
        match self.asked.keys.iter().find(id) {
            Some(key) if fault.is_taken_key() => retry::taken(key),
            _ => fault,
        }
    }
}

fn require_version(kind: Kind, asked: &Value) -> Result<(), Fault> {
    if kind == Kind::Edit && asked.get("expected_version").and_then(Value::as_i64) == Some(0) {
        return Err(Fault::new(
            FaultKind::VersionMissing,
            "say which version you edit: If-Match with the ETag you read, or expected_version",
        ));
    }
    Ok(())
}

fn summary(bytes: usize, digest: &[u8]) -> Value {
    let sha256: String = digest.iter().map(|b| format!("{b:02x}")).collect();
    serde_json::json!({ "bytes": bytes, "sha256": sha256 })
}

/// Largest request that the audit trail keeps whole; of a larger one it keeps size and digest.
const AUDITED_BYTES: usize = 16 * 1024;

/// The request, its secrets withheld, as the audit trail keeps it: by digest when it is large.
fn audited(open: Value) -> Value {
    let text = open.to_string();
    if text.len() <= AUDITED_BYTES {
        open
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
/// A trailing `streams { ... }` holds gRPC methods that take the rows of a batch as a stream:
/// method, row, batch and how a row joins it ([`crate::stream::Gather`]).
///
/// ```text
///     streams {
///         /// Take records as a stream.
///         stream_records(RecordBatchRow) joins take_records by stream::Records;
///     }
/// ```
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
        $(streams {
            $(
                $(#[doc = $stream_doc:literal])+
                $stream:ident($row:ty) joins $batch:ident by $gather:ty;
            )+
        })?
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
                    ::std::boxed::Box::pin(async move {
                        $use_case(app, unit, request).await.map(::std::convert::Into::into)
                    })
                }
            }
        )+

        /// Every operation of this service, for the API's description and the permission matrix.
        pub fn catalogue() -> ::std::vec::Vec<$crate::operation::CatalogueEntry> {
            ::std::vec![$($crate::openapi::entry::<$name>()),+]
        }

        /// What each gRPC method asks of its caller: every operation, and every stream as the batch
        /// that it becomes.
        pub fn methods() -> ::std::vec::Vec<$crate::operation::Operation> {
            ::std::vec![
                $(<$name as $crate::operation::UseCase>::OPERATION,)+
                $($($crate::operation::Operation {
                    name: stringify!($stream),
                    summary: concat!($($stream_doc),+),
                    ..<$batch as $crate::operation::UseCase>::OPERATION
                },)+)?
            ]
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
            $($(
                async fn $stream(
                    &self,
                    request: $crate::reexport::tonic::Request<
                        $crate::reexport::tonic::Streaming<$row>,
                    >,
                ) -> ::std::result::Result<
                    $crate::reexport::tonic::Response<
                        <$batch as $crate::operation::UseCase>::Reply,
                    >,
                    $crate::reexport::tonic::Status,
                > {
                    $crate::stream::grpc::<$gather>(self.0.clone(), request).await
                }
            )+)?
        }
    };
}

#[cfg(test)]
mod tests {
    use contract::identity::RegisterPersonRequest;

    use super::*;

    async fn given(idempotency_key: Option<&str>) -> Given {
        let request = RegisterPersonRequest {
            name: "Ines Vadell".into(),
            password: "a password for tests only".into(),
            ..RegisterPersonRequest::default()
        };
        Given::of(Kind::Create, "rest", idempotency_key, &request)
            .await
            .unwrap()
    }

    #[tokio::test]
    async fn nothing_kept_of_a_request_holds_its_secrets() {
        let given = given(Some("k")).await;
        let kept = format!("{} {}", given.account, given.asked.secret_check);
        assert!(!kept.contains("a password for tests only"), "{kept}");
        assert!(kept.contains(contract::WITHHELD), "{kept}");
        assert_ne!(given.asked.fingerprint, retry::digest(&given.sent));
        assert_eq!(given.asked.secrets, ["a password for tests only"]);
    }

    fn lost() -> sqlx::Error {
        sqlx::Error::Io(std::io::Error::other("cut"))
    }

    fn perhaps() -> Fault {
        Fault::perhaps_written("cut").because(lost())
    }

    #[tokio::test]
    async fn what_may_be_written_is_repeated_only_when_a_repeat_is_known() {
        let (known, unknown) = (given(Some("k")).await, given(None).await);
        assert!(Tries::of(&known).pause_after(perhaps()).is_ok());
        let told = Tries::of(&unknown).pause_after(perhaps()).unwrap_err();
        assert!(told.detail().contains("may have been written"), "{told}");
    }

    #[tokio::test]
    async fn what_was_answered_meanwhile_is_looked_at_again() {
        let given = given(Some("k")).await;
        let mut tries = Tries::of(&given);
        for _ in 0..50 {
            let met = Fault::answered_meanwhile().nothing_written();
            assert!(tries.pause_after(met).is_ok(), "looking is no try");
        }
        assert!(tries.pause_after(lost().into()).is_ok());
    }

    #[tokio::test]
    async fn tries_end_and_never_promise_too_much() {
        let given = given(Some("k")).await;
        let mut tries = Tries::of(&given);
        let pauses = (0..100)
            .map_while(|_| {
                tries
                    .pause_after(Fault::from(lost()).nothing_written())
                    .ok()
            })
            .count();
        assert_eq!(pauses, 9);
        let told = Tries::of(&given)
            .pause_after(Fault::unavailable("busy").nothing_written())
            .unwrap_err();
        assert!(told.detail().contains("nothing was written"), "{told}");
        // After a commit that may have counted, a later try that came to nothing says nothing of it.
        let mut tries = Tries::of(&given);
        tries.pause_after(perhaps()).unwrap();
        let told = tries
            .pause_after(Fault::unavailable("busy").nothing_written())
            .unwrap_err();
        assert!(!told.detail().contains("nothing was written"), "{told}");
        assert!(told.detail().contains("may have been written"), "{told}");
        // A fault of the request's own is told as it is.
        let told = tries
            .pause_after(Fault::field("/on", "is required"))
            .unwrap_err();
        assert_eq!(told.kind(), FaultKind::Invalid);
    }
}
