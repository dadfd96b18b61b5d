//! The door before every operation, over REST and over gRPC: who asks, whether they may, whether
//! their quota allows it and whether there is room; all of it before anything of a body is read,
//! let alone built into a message.

use std::collections::HashMap;
use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::Duration;

use axum::body::{Body, Bytes};
use http::{HeaderMap, header};
use http_body_util::BodyExt as _;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Instant;
use uuid::Uuid;

use crate::access::{Caller, Standing};
use crate::fault::{Fault, FaultKind};
use crate::ids::ProgrammeId;
use crate::operation::{Context, Kind, Operation};
use crate::origin::Network;
use crate::peers::PROGRAMME_METADATA;
use crate::quota::Tally;
use crate::refusals::{self, Refused};

/// Largest body of a plain request.
pub const BODY_BYTES: usize = 4 * 1024 * 1024;
/// Largest body of a batch or a file, and largest gRPC message between services.
pub const BATCH_BYTES: usize = 64 * 1024 * 1024;
/// Largest body of a request that needs no token.
pub const ANYONE_BYTES: usize = 64 * 1024;
/// Most rows of a batch.
pub const BATCH_ROWS: usize = 100_000;

/// How long a plain request may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long a batch may take.
const BATCH_PATIENCE: Duration = Duration::from_secs(600);

impl Operation {
    /// True when it takes rows or a file.
    pub(crate) fn is_bulk(&self) -> bool {
        matches!(self.kind, Kind::Batch | Kind::File)
    }

    /// Largest body.
    pub(crate) fn body_bytes(&self) -> usize {
        use crate::access::Permission;
        if self.is_bulk() {
            BATCH_BYTES
        } else if self.permission == Permission::Anyone {
            ANYONE_BYTES
        } else {
            BODY_BYTES
        }
    }

    /// Longest time from the first byte of the request to the reply.
    pub(crate) fn patience(&self) -> Duration {
        if self.is_bulk() {
            BATCH_PATIENCE
        } else {
            PATIENCE
        }
    }
}

/// How much is let in at once.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Requests of all callers.
    pub requests_n: usize,
    /// Requests of one person or key.
    pub of_one_caller_n: usize,
    /// Requests of those who are not signed in, from one network.
    pub of_nobody_n: usize,
    /// How long a request waits for its place or for memory.
    pub wait: Duration,
    /// Bytes of bodies, and of the messages made of them.
    pub held_bytes: usize,
    /// Longest pause between two parts of a body.
    pub pause: Duration,
    /// Slowest that a body may come on the whole, once it has had one pause's time.
    pub bytes_per_s: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            requests_n: 512,
            of_one_caller_n: 32,
            of_nobody_n: 64,
            wait: Duration::from_secs(5),
            held_bytes: 384 * 1024 * 1024,
            pause: Duration::from_secs(20),
            bytes_per_s: 2 * 1024,
        }
    }
}

/// Who shares places.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Party {
    /// Whoever is not signed in, from one network, so that one holds no other up.
    Nobody(Network),
    One(Option<ProgrammeId>, Uuid),
}

type Parties = HashMap<Party, Weak<Semaphore>>;

/// Lets requests in, so many at once and with so much in memory. One for all services of a process.
#[derive(Debug, Clone)]
pub struct Gate {
    limits: Limits,
    places: Arc<Semaphore>,
    parties: Arc<Mutex<Parties>>,
    held_kib: Arc<Semaphore>,
}

impl Default for Gate {
    fn default() -> Self {
        Self::new(Limits::default())
    }
}

/// A request that was let in; it keeps its place and its memory until it is dropped.
#[derive(Debug)]
pub struct Admission {
    /// Who asks; allowed to.
    pub caller: Caller,
    gate: Gate,
    _places: Vec<OwnedSemaphorePermit>,
    held: Mutex<Option<OwnedSemaphorePermit>>,
}

impl Gate {
    /// A gate of these limits.
    pub fn new(limits: Limits) -> Self {
        Self {
            limits,
            places: Arc::new(Semaphore::new(limits.requests_n)),
            parties: Arc::default(),
            held_kib: Arc::new(Semaphore::new(limits.held_bytes / 1024)),
        }
    }

    /// Lets a request of an operation in.
    ///
    /// # Errors
    /// Unauthenticated, forbidden, throttled or unavailable; nothing was written then. Where a quota
    /// was counted, `tally` says how it stands, whatever the outcome.
    pub async fn admit(
        context: &Context,
        operation: &Operation,
        headers: &HeaderMap,
        tally: &mut Option<Tally>,
    ) -> Result<Admission, Fault> {
        Self::examine(context, operation, headers, tally)
            .await
            .map_err(Fault::nothing_written)
    }

    async fn examine(
        context: &Context,
        operation: &Operation,
        headers: &HeaderMap,
        tally: &mut Option<Tally>,
    ) -> Result<Admission, Fault> {
        let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
        let caller = caller(context, text("authorization"), text(PROGRAMME_METADATA)).await?;
        let allowed = match caller.may_call(operation) {
            Ok(()) => charge(context, &caller, tally).await,
            refused => refused,
        };
        if let Err(fault) = &allowed {
            let via = if headers
                .get(header::CONTENT_TYPE)
                .is_some_and(|kind| kind.as_bytes().starts_with(b"application/grpc"))
            {
                "grpc"
            } else {
                "rest"
            };
            let refused = Refused {
                operation: operation.name,
                via,
                actor: caller.clone(),
                touched: Vec::new(),
                fault,
            };
            refusals::note(context, refused).await;
        }
        allowed?;
        context.gate.enter(caller).await
    }

    /// Finds a place for a request of somebody who is known and may ask.
    ///
    /// # Errors
    /// Throttled when all places of the caller are taken, unavailable when all are.
    pub async fn enter(&self, caller: Caller) -> Result<Admission, Fault> {
        let places = self.places(&caller).await?;
        Ok(Admission {
            caller,
            gate: self.clone(),
            _places: places,
            held: Mutex::default(),
        })
    }

    async fn places(&self, caller: &Caller) -> Result<Vec<OwnedSemaphorePermit>, Fault> {
        // A service asks on behalf of a request that has its place already; to wait for a second
        // one could be to wait for oneself.
        if matches!(caller.standing, Standing::Service { .. }) {
            return Ok(Vec::new());
        }
        let own = self.in_time(self.party(caller)).await.ok_or_else(|| {
            Fault::throttled(
                "too many of your requests are under way at once; wait for their replies before sending more",
                1,
            )
        })?;
        let common = self.in_time(self.places.clone()).await.ok_or_else(|| {
            Fault::unavailable(
                "too many requests are under way; nothing was written, ask again shortly",
            )
        })?;
        Ok(vec![own, common])
    }

    async fn in_time(&self, places: Arc<Semaphore>) -> Option<OwnedSemaphorePermit> {
        let place = tokio::time::timeout(self.limits.wait, places.acquire_owned()).await;
        place.ok()?.ok()
    }

    fn party(&self, caller: &Caller) -> Arc<Semaphore> {
        let (party, places_n) = match caller.standing {
            Standing::Nobody | Standing::TurnedAway { .. } => {
                (Party::Nobody(Network::current()), self.limits.of_nobody_n)
            }
            _ => {
                let id = caller.key().map_or(caller.subject.uuid(), |key| key.id);
                let party = Party::One(caller.programme(), id);
                (party, self.limits.of_one_caller_n)
            }
        };
        let mut parties = self.parties.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(places) = parties.get(&party).and_then(Weak::upgrade) {
            return places;
        }
        parties.retain(|_, places| places.strong_count() > 0);
        let places = Arc::new(Semaphore::new(places_n));
        parties.insert(party, Arc::downgrade(&places));
        places
    }
}

impl Admission {
    /// Counts bytes of this request as held until it is answered.
    ///
    /// # Errors
    /// Too large when they could never be held; unavailable when others hold too much.
    pub async fn hold(&self, bytes: usize) -> Result<(), Fault> {
        let limits = &self.gate.limits;
        let kib = bytes.div_ceil(1024);
        if kib > limits.held_bytes / 1024 {
            return Err(too_large(limits.held_bytes));
        }
        let kib = u32::try_from(kib).map_err(|_| too_large(limits.held_bytes))?;
        let more = self.gate.held_kib.clone().acquire_many_owned(kib);
        let more = tokio::time::timeout(limits.wait, more)
            .await
            .map_err(|_| {
                Fault::unavailable(
                    "other requests fill the memory; nothing was written, send this again shortly",
                )
            })?
            .map_err(Fault::internal)?;
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        match held.as_mut() {
            Some(held) => held.merge(more),
            None => *held = Some(more),
        }
        Ok(())
    }

    /// A measure of how fast a body comes.
    pub(crate) fn pace(&self) -> Pace {
        Pace {
            began: Instant::now(),
            received_bytes: 0,
            limits: self.gate.limits,
            drips: false,
        }
    }

    /// Reads a whole body of at most so many bytes.
    ///
    /// # Errors
    /// Too large, too slow or broken off; unavailable when other bodies fill the memory.
    pub async fn read(
        &self,
        mut body: Body,
        headers: &HeaderMap,
        most_bytes: usize,
    ) -> Result<Bytes, Fault> {
        let told = headers
            .get(header::CONTENT_LENGTH)
            .and_then(|length| length.to_str().ok()?.parse::<usize>().ok());
        if told.is_some_and(|bytes| bytes > most_bytes) {
            return Err(too_large(most_bytes));
        }
        let mut pace = self.pace();
        let mut whole = Vec::new();
        let mut held_bytes = 0;
        while let Some(frame) = pace.keep(body.frame()).await? {
            let frame = frame.map_err(|_| Fault::malformed("the body broke off; send it again"))?;
            let Ok(data) = frame.into_data() else {
                continue;
            };
            pace.received_bytes += data.len() as u64;
            if whole.len() + data.len() > most_bytes {
                return Err(too_large(most_bytes));
            }
            if whole.len() + data.len() > held_bytes {
                // In steps, so that whoever announces much and sends little holds little.
                let step = data.len().max(64 * 1024);
                self.hold(step).await?;
                held_bytes += step;
            }
            whole.extend_from_slice(&data);
        }
        Ok(whole.into())
    }
}

/// The fault of a body that is larger than so many bytes.
pub(crate) fn too_large(most_bytes: usize) -> Fault {
    Fault::new(
        FaultKind::TooLarge,
        format!("the request is larger than {most_bytes} bytes; send less at once"),
    )
}

/// The fault of a batch of too many rows.
pub(crate) fn too_many(field: &str, rows_n: usize) -> Fault {
    Fault::new(
        FaultKind::TooLarge,
        format!("{field} holds {rows_n} items; send at most {BATCH_ROWS} at once"),
    )
}

/// How fast a body comes, and how long its next part may take.
#[derive(Debug)]
pub(crate) struct Pace {
    began: Instant,
    pub(crate) received_bytes: u64,
    limits: Limits,
    /// True for a stream, whose rows may come as they arise.
    pub(crate) drips: bool,
}

impl Pace {
    /// The next part, unless it takes too long.
    pub(crate) async fn keep<T>(&self, next: impl Future<Output = T>) -> Result<T, Fault> {
        let mut until = Instant::now() + self.limits.pause;
        if !self.drips {
            let earned = Duration::from_secs(self.received_bytes / self.limits.bytes_per_s.max(1));
            until = until.min(self.began + self.limits.pause + earned);
        }
        tokio::time::timeout_at(until, next).await.map_err(|_| {
            Fault::new(
                FaultKind::TooSlow,
                "the body came too slowly and nothing was written; send it again over a better connection, or in smaller parts",
            )
        })
    }
}

/// Gives a call up that takes too long for its operation.
pub(crate) async fn in_time<T>(
    operation: &Operation,
    call: impl Future<Output = Result<T, Fault>>,
) -> Result<T, Fault> {
    tokio::time::timeout(operation.patience(), call)
        .await
        .map_err(|_| given_up(operation.kind))?
}

/// The fault of a call that was given up, of which nobody knows how far it came.
fn given_up(kind: Kind) -> Fault {
    let what = "this took too long and was given up";
    if kind.writes() {
        Fault::perhaps_written(what)
    } else {
        Fault::unavailable(format!("{what}; ask for less, or again later"))
    }
}

/// Counts a request of a person or a key and refuses it when the quota is used up.
async fn charge(
    context: &Context,
    caller: &Caller,
    tally: &mut Option<Tally>,
) -> Result<(), Fault> {
    let (Some(account), Some(programme)) = (context.quotas.account(caller), caller.programme())
    else {
        return Ok(());
    };
    let now = context.clock.now();
    let (told, refused) = context
        .quotas
        .charge(&context.pool, programme, account, now)
        .await?;
    *tally = Some(told);
    refused.map_or(Ok(()), Err)
}

/// Who asks, from the credentials that came with the call.
///
/// # Errors
/// Unauthenticated when there are credentials and they do not hold.
async fn caller(
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

#[cfg(test)]
mod tests {
    use futures_util::{FutureExt as _, StreamExt as _, stream};

    use super::*;

    #[test]
    fn who_gives_up_promises_nothing_of_what_was_written() {
        for kind in [Kind::Create, Kind::Act, Kind::Edit, Kind::Batch, Kind::File] {
            let told = given_up(kind).detail().to_owned();
            assert!(told.contains("may have been written"), "{told}");
            assert!(told.contains("same Idempotency-Key"), "{told}");
        }
        assert!(!given_up(Kind::Read).detail().contains("written"));
    }

    fn gate(limits: Limits) -> Gate {
        Gate::new(Limits {
            wait: Duration::from_millis(20),
            pause: Duration::from_millis(40),
            ..limits
        })
    }

    fn person() -> Caller {
        Caller {
            subject: crate::PersonId::new(),
            standing: Standing::Staff {
                programme: ProgrammeId::new(),
                roles: Vec::new(),
            },
            ..Caller::nobody()
        }
    }

    #[tokio::test]
    async fn one_caller_cannot_take_every_place() {
        let gate = gate(Limits {
            requests_n: 3,
            of_one_caller_n: 2,
            ..Limits::default()
        });
        let one = person();
        let first = gate.enter(one.clone()).await.unwrap();
        let _second = gate.enter(one.clone()).await.unwrap();
        let refused = gate.enter(one.clone()).await.unwrap_err();
        assert_eq!(refused.kind(), FaultKind::Throttled);
        let _other = gate.enter(person()).await.unwrap();
        let full = gate.enter(person()).await.unwrap_err();
        assert_eq!(full.kind(), FaultKind::Unavailable);
        let service = Caller {
            standing: Standing::Service {
                service: crate::peers::ServiceName::Crossing,
                programme: None,
            },
            ..Caller::nobody()
        };
        let _ours = gate.enter(service).await.unwrap();
        drop(first);
        let _again = gate.enter(one).await.unwrap();
    }

    #[tokio::test]
    async fn bodies_under_way_share_the_memory() {
        let gate = gate(Limits {
            held_bytes: 256 * 1024,
            ..Limits::default()
        });
        let (one, other) = (
            gate.enter(person()).await.unwrap(),
            gate.enter(person()).await.unwrap(),
        );
        let none = HeaderMap::new();
        let body = |bytes: usize| Body::from(vec![b' '; bytes]);
        let read = one.read(body(150 * 1024), &none, BODY_BYTES).await.unwrap();
        assert_eq!(read.len(), 150 * 1024);
        let full = other.read(body(150 * 1024), &none, BODY_BYTES).await;
        assert_eq!(full.unwrap_err().kind(), FaultKind::Unavailable);
        drop(one);
        assert!(other.hold(257 * 1024).await.is_err());
        assert!(
            other
                .read(body(100 * 1024), &none, BODY_BYTES)
                .await
                .is_ok()
        );
        let large = other.read(body(11), &none, 10).await.unwrap_err();
        assert_eq!(large.kind(), FaultKind::TooLarge);
        let told = HeaderMap::from_iter([(header::CONTENT_LENGTH, 11.into())]);
        let never = Body::from_stream(stream::pending::<Result<Bytes, Fault>>());
        let large = other.read(never, &told, 10).now_or_never().unwrap();
        assert_eq!(large.unwrap_err().kind(), FaultKind::TooLarge);
    }

    #[tokio::test]
    async fn a_body_that_stops_or_drips_is_too_slow() {
        let gate = gate(Limits::default());
        let admission = gate.enter(person()).await.unwrap();
        let none = HeaderMap::new();
        let stops =
            stream::iter([Ok::<_, Fault>(Bytes::from_static(b"["))]).chain(stream::pending());
        let drips = stream::repeat_with(|| Ok::<_, Fault>(Bytes::from_static(b" "))).then(
            |byte| async move {
                tokio::time::sleep(Duration::from_millis(10)).await;
                byte
            },
        );
        for slow in [Body::from_stream(stops), Body::from_stream(drips)] {
            let fault = admission.read(slow, &none, BODY_BYTES).await.unwrap_err();
            assert_eq!(fault.kind(), FaultKind::TooSlow);
        }
    }
}
