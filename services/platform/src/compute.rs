//! A room for arithmetic: off the threads that serve requests, with as many places as cores.
//!
//! What a request asks to be reckoned (a sheet of codes, a layout, a forecast, the hash of a
//! password) waits in a bounded line for a place, and is given up with its request. A use case that
//! only reads hands its arithmetic over as [`Settled::Later`]: its connection has gone back by the
//! time the arithmetic begins, and those who ask the same of the same state share one answer.

use std::any::Any;
use std::collections::HashMap;
use std::future::Future;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use futures_util::FutureExt as _;
use futures_util::future::{BoxFuture, Shared, WeakShared};
use jiff::civil::Date;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::access::{Caller, Role};
use crate::fault::Fault;
use crate::ids::{OrganisationId, ProgrammeId};
use crate::operation::{Operation, Wire};

/// How long a request waits for a place.
const WAIT: Duration = Duration::from_secs(20);
/// How many may wait for each place.
const WAITING_PER_SLOT: usize = 16;
/// How many may keep a connection to a database while they wait or are reckoned: less than half of
/// a service's, so that those who only read and write are served meanwhile.
const HOLDING_N: usize = 8;
/// After how many seconds to ask again when the line is full.
const RETRY_AFTER_S: u32 = 5;

/// Tells long arithmetic that nobody waits for it any more.
#[derive(Debug, Clone, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// Whether the request is gone.
    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// Ends a long loop by `?` when the request is gone.
    ///
    /// # Errors
    /// When it is; nobody reads the fault.
    pub fn check(&self) -> Result<(), Fault> {
        if self.is_asked() {
            return Err(Fault::unavailable(
                "the request was given up; nothing was written",
            ));
        }
        Ok(())
    }
}

/// Asks for cancelling when the request's future is dropped.
struct CancelOnDrop(Cancel);

impl Drop for CancelOnDrop {
    fn drop(&mut self) {
        self.0.0.store(true, Ordering::Relaxed);
    }
}

type Task<R> = dyn FnOnce(&Cancel) -> Result<R, Fault> + Send;

/// Arithmetic that needs no database, to be done in a [`Room`].
pub struct Work<R>(Box<Task<R>>);

impl<R> Work<R> {
    /// Work that may end early when its request is gone. It stands on what it was given, which must
    /// come from the request, the caller's programme, partner and roles, the day and the service's
    /// tables: whoever asks the same of the same state may get the same answer.
    pub fn new(work: impl FnOnce(&Cancel) -> Result<R, Fault> + Send + 'static) -> Self {
        Self(Box::new(work))
    }
}

/// What a use case gives back.
pub enum Settled<R> {
    /// The reply.
    Now(R),
    /// Arithmetic that gives the reply, done when the use case's transaction has ended if it only
    /// reads.
    Later(Work<R>),
    /// A question to another service that gives the reply, asked when the use case's transaction
    /// has ended if it only reads.
    Elsewhere(Pin<Box<dyn Future<Output = Result<R, Fault>> + Send>>),
}

impl<R> From<R> for Settled<R> {
    fn from(reply: R) -> Self {
        Self::Now(reply)
    }
}

impl<R> From<Work<R>> for Settled<R> {
    fn from(work: Work<R>) -> Self {
        Self::Later(work)
    }
}

/// What is asked of which state; equal questions have equal answers.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Question {
    operation: &'static str,
    programme: Option<ProgrammeId>,
    partner: Option<OrganisationId>,
    roles: Vec<Role>,
    request: Vec<u8>,
    /// Which transactions the reader's snapshot shows.
    snapshot: String,
    /// The reader's day.
    today: Date,
}

impl Question {
    pub(crate) fn of(operation: &Operation, caller: &Caller, request: &impl Wire) -> Self {
        Self {
            operation: operation.name,
            programme: caller.programme(),
            partner: caller.partner(),
            roles: caller.roles().to_vec(),
            request: request.encode_to_vec(),
            snapshot: String::new(),
            today: Date::default(),
        }
    }

    pub(crate) fn at(self, snapshot: String, today: Date) -> Self {
        Self {
            snapshot,
            today,
            ..self
        }
    }
}

type Answer = Result<Arc<dyn Any + Send + Sync>, Arc<Fault>>;
type Flight = BoxFuture<'static, Answer>;
type Flights = HashMap<Question, WeakShared<Flight>>;

/// A room with a fixed number of places for arithmetic, and a bounded line before it.
#[derive(Clone)]
pub struct Room {
    slots: Arc<Semaphore>,
    line: Arc<Semaphore>,
    holding: Arc<Semaphore>,
    wait: Duration,
    flights: Arc<Mutex<Flights>>,
}

fn busy() -> Fault {
    Fault::unavailable(
        "more is being reckoned than there is room for; nothing was written, ask again shortly",
    )
    .after(RETRY_AFTER_S)
}

impl Default for Room {
    /// As many places as cores.
    fn default() -> Self {
        Self::new(std::thread::available_parallelism().map_or(2, std::num::NonZero::get))
    }
}

impl Room {
    /// A room of so many places.
    pub fn new(slots_n: usize) -> Self {
        Self::waiting(slots_n, WAITING_PER_SLOT * slots_n, WAIT)
    }

    /// A room of so many places before which so many may wait for so long.
    pub fn waiting(slots_n: usize, line_n: usize, wait: Duration) -> Self {
        Self {
            slots: Arc::new(Semaphore::new(slots_n)),
            line: Arc::new(Semaphore::new(line_n)),
            holding: Arc::new(Semaphore::new(HOLDING_N)),
            wait,
            flights: Arc::default(),
        }
    }

    async fn slot(&self) -> Result<OwnedSemaphorePermit, Fault> {
        if let Ok(slot) = self.slots.clone().try_acquire_owned() {
            return Ok(slot);
        }
        let _waiting = self.line.try_acquire().map_err(|_| busy())?;
        let slot = tokio::time::timeout(self.wait, self.slots.clone().acquire_owned()).await;
        slot.map_err(|_| busy())?.map_err(Fault::internal)
    }

    /// Does arithmetic in the room. When the future is dropped, work that has not begun never
    /// does, and work under way is asked to end; its place is free when it has ended.
    ///
    /// # Errors
    /// Unavailable when no place became free in time; internal when the work panicked.
    pub async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Cancel) -> T + Send + 'static,
    ) -> Result<T, Fault> {
        let slot = self.slot().await?;
        let cancel = CancelOnDrop(Cancel::default());
        let (told, span) = (cancel.0.clone(), tracing::Span::current());
        let done = tokio::task::spawn_blocking(move || {
            let _slot = slot;
            // Dropped between its place and its thread: nobody waits for it.
            (!told.is_asked()).then(|| span.in_scope(|| work(&told)))
        })
        .await
        .map_err(Fault::internal)?;
        done.ok_or_else(|| Fault::unavailable("the request was given up; nothing was written"))
    }

    /// Does arithmetic in the room for somebody who keeps a connection meanwhile, of whom there may be
    /// few.
    ///
    /// # Errors
    /// As [`Room::run`], and unavailable at once when there are enough of them.
    pub(crate) async fn run_holding<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Cancel) -> T + Send + 'static,
    ) -> Result<T, Fault> {
        let _holding = self.holding.try_acquire().map_err(|_| busy())?;
        self.run(work).await
    }

    /// Does work in the room.
    ///
    /// # Errors
    /// As [`Room::run`], and whatever the work finds.
    pub async fn work<R: Send + 'static>(&self, work: Work<R>) -> Result<R, Fault> {
        self.run(move |cancel| (work.0)(cancel)).await?
    }

    /// Does work in the room, once for all who ask the same question while it is under way. It is
    /// given up when the last of them is gone.
    pub(crate) async fn shared<R: Wire>(
        &self,
        question: Question,
        work: Work<R>,
    ) -> Result<R, Fault> {
        let flight = self.flight(question, work);
        let reply = flight.await.map_err(|fault| fault.told_again())?;
        let reply: Option<&R> = reply.downcast_ref();
        Ok(reply
            .expect("a question names its operation, which has one type of reply")
            .clone())
    }

    fn flight<R: Wire>(&self, question: Question, work: Work<R>) -> Shared<Flight> {
        let mut flights = self.flights.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(under_way) = flights.get(&question).and_then(WeakShared::upgrade) {
            return under_way;
        }
        flights.retain(|_, flight| flight.upgrade().is_some());
        let room = self.clone();
        let flight: Flight = Box::pin(async move {
            let reply = room.work(work).await.map_err(Arc::new)?;
            Ok(Arc::new(reply) as Arc<dyn Any + Send + Sync>)
        });
        let flight = flight.shared();
        if let Some(weak) = flight.downgrade() {
            flights.insert(question, weak);
        }
        flight
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicUsize;
    use std::sync::mpsc;

    use contract::common::Document;

    use super::*;
    use crate::fault::FaultKind;

    fn question(snapshot: &str) -> Question {
        Question {
            operation: "print",
            programme: None,
            partner: None,
            roles: Vec::new(),
            request: vec![1],
            snapshot: snapshot.to_owned(),
            today: Date::default(),
        }
    }

    /// Work that counts itself and ends when it is let go.
    fn held(done: &Arc<AtomicUsize>) -> (mpsc::Sender<()>, Work<Document>) {
        let (let_go, held) = mpsc::channel::<()>();
        let done = done.clone();
        let work = Work::new(move |_| {
            let _ = held.recv();
            let nth = done.fetch_add(1, Ordering::Relaxed);
            Ok(Document {
                file_name: nth.to_string(),
                ..Document::default()
            })
        });
        (let_go, work)
    }

    #[tokio::test]
    async fn those_who_ask_the_same_of_the_same_state_share_one_answer() {
        let (room, done) = (Room::new(2), Arc::new(AtomicUsize::new(0)));
        let (let_go, work) = held(&done);
        let (first, second) = (room.clone(), room.clone());
        let first = tokio::spawn(async move { first.shared(question("1:1:"), work).await });
        while room.slots.available_permits() == 2 {
            tokio::task::yield_now().await;
        }
        let (_, never) = held(&done);
        let mut second = Box::pin(second.shared(question("1:1:"), never));
        assert!((&mut second).now_or_never().is_none());
        let_go.send(()).unwrap();
        assert_eq!(first.await.unwrap().unwrap(), second.await.unwrap());
        // Another state is another question, and so is the same one when nobody is at it.
        for snapshot in ["1:2:", "1:1:"] {
            let (let_go, work) = held(&done);
            drop(let_go);
            room.shared(question(snapshot), work).await.unwrap();
        }
        assert_eq!(done.load(Ordering::Relaxed), 3);
    }

    #[tokio::test]
    async fn a_full_line_and_a_long_wait_are_unavailable_and_say_when_to_ask_again() {
        let room = Room::waiting(1, 1, Duration::from_millis(20));
        let (let_go, held) = mpsc::channel::<()>();
        let at_work = tokio::spawn({
            let room = room.clone();
            async move { room.run(move |_| held.recv()).await }
        });
        while room.slots.available_permits() == 1 {
            tokio::task::yield_now().await;
        }
        let mut waits = Box::pin(room.run(|_| ()));
        assert!((&mut waits).now_or_never().is_none());
        let full = room.run(|_| ()).await.unwrap_err();
        for fault in [full, waits.await.unwrap_err()] {
            assert_eq!(fault.kind(), FaultKind::Unavailable);
            assert_eq!(fault.retry_after_s(), Some(RETRY_AFTER_S));
        }
        drop(let_go);
        assert!(at_work.await.unwrap().is_ok());
        assert!(room.run(|_| ()).await.is_ok());
    }

    #[tokio::test]
    async fn few_keep_a_connection_while_they_wait() {
        let room = Room::new(1);
        let (let_go, held) = mpsc::channel::<()>();
        let at_work = tokio::spawn({
            let room = room.clone();
            async move { room.run_holding(move |_| held.recv()).await }
        });
        while room.slots.available_permits() == 1 {
            tokio::task::yield_now().await;
        }
        let mut waiting: Vec<_> = (1..HOLDING_N)
            .map(|_| Box::pin(room.run_holding(|_| ())))
            .collect();
        for waits in &mut waiting {
            assert!(waits.now_or_never().is_none());
        }
        let one_more = room.run_holding(|_| ()).await.unwrap_err();
        assert_eq!(one_more.kind(), FaultKind::Unavailable);
        assert_eq!(one_more.retry_after_s(), Some(RETRY_AFTER_S));
        drop(let_go);
        assert!(at_work.await.unwrap().is_ok());
        for waits in waiting {
            waits.await.unwrap();
        }
        assert!(room.run_holding(|_| ()).await.is_ok());
    }

    #[tokio::test]
    async fn work_is_given_up_with_its_request_and_then_frees_its_place() {
        let room = Room::new(1);
        let (begun, has_begun) = mpsc::channel();
        let call = tokio::spawn({
            let room = room.clone();
            async move {
                room.run(move |cancel| {
                    let _ = begun.send(());
                    while !cancel.is_asked() {
                        std::thread::yield_now();
                    }
                })
                .await
            }
        });
        while has_begun.try_recv().is_err() {
            tokio::task::yield_now().await;
        }
        call.abort();
        assert_eq!(room.run(|_| 7).await.unwrap(), 7);
    }

    #[tokio::test]
    async fn shared_work_is_given_up_when_the_last_who_asked_is_gone() {
        let room = Room::new(1);
        let (begun, has_begun) = mpsc::channel();
        let work = Work::new(move |cancel: &Cancel| {
            let _ = begun.send(());
            while !cancel.is_asked() {
                std::thread::yield_now();
            }
            Ok(Document::default())
        });
        let mut first = Box::pin(room.shared(question(""), work));
        assert!((&mut first).now_or_never().is_none());
        let second = Box::pin(room.shared(question(""), Work::new(|_| Ok(Document::default()))));
        while has_begun.try_recv().is_err() {
            tokio::task::yield_now().await;
        }
        drop(first);
        assert_eq!(room.slots.available_permits(), 0, "one still waits for it");
        drop(second);
        assert!(room.run(|_| ()).await.is_ok());
    }
}
