//! The unit of work: one transaction, scoped to who asks, that must be finished to count.

use std::future::Future;

use jiff::Timestamp;
use serde_json::{Value, json};
use sqlx::postgres::PgConnection;
use sqlx::{PgPool, Postgres, Transaction};

use crate::access::{Caller, Permission};
use crate::audit::{AuditOutcome, NewEntry};
use crate::clock::Clock;
use crate::compute::{Cancel, Room};
use crate::database::{self, Begin, Instant, Scope};
use crate::fault::Fault;
use crate::feed::Announced;
use crate::ids::ProgrammeId;
use crate::operation::{Context, Kind, Operation};
use crate::retry::{self, Asked};

/// A transaction with its caller; the only way to a service's tables.
///
/// Row-level security in the database reads the scope that was set when the unit began, so a query
/// that forgets its programme finds nothing rather than too much. Dropping a unit rolls it back.
pub struct Unit {
    /// None while slow work goes on that needs no connection.
    transaction: Option<Transaction<'static, Postgres>>,
    beginning: Beginning,
    /// By what a repeat of the request is known.
    claimed: Option<(&'static str, Asked)>,
    caller: Caller,
    /// Who it turned out to be that asks, where the request itself proves it.
    actor: Option<Caller>,
    now: Timestamp,
    touched: Vec<Value>,
    /// Whether it announces something.
    announces: bool,
    announced: Announced,
    compute: Room,
}

impl Unit {
    pub(crate) async fn begin(
        context: &Context,
        caller: Caller,
        operation: &Operation,
    ) -> Result<Self, Fault> {
        let begin = match operation.kind {
            kind if kind.writes() => Begin::Writing,
            // All of a reply of one snapshot, which also names the state it was reckoned from.
            _ => Begin::Snapshot,
        };
        let scope = Scope {
            programme: caller.programme(),
            partner: caller.partner(),
            // Announcements and a service's own bookkeeping lie across programmes.
            across_programmes: matches!(
                operation.permission,
                Permission::Services | Permission::Anyone
            ),
        };
        Self::begin_in(context, caller, begin, scope).await
    }

    pub(crate) async fn begin_for_event(
        context: &Context,
        caller: Caller,
        programme: ProgrammeId,
    ) -> Result<Self, Fault> {
        let scope = Scope {
            programme: Some(programme),
            partner: None,
            across_programmes: true,
        };
        Self::begin_in(context, caller, Begin::Writing, scope).await
    }

    /// A unit for what is done on the host itself, by whoever may read the database anyway.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn begin_on_host(pool: &PgPool, clock: &Clock) -> Result<Self, Fault> {
        let beginning = Beginning {
            pool: pool.clone(),
            begin: Begin::Writing,
            scope: Scope::BOOKKEEPING,
        };
        let caller = Caller {
            name: "the host".to_owned(),
            ..Caller::nobody()
        };
        Ok(Self {
            transaction: Some(beginning.transaction().await?),
            beginning,
            claimed: None,
            caller,
            actor: None,
            now: clock.now(),
            touched: Vec::new(),
            announces: false,
            announced: Announced::default(),
            compute: Room::default(),
        })
    }

    /// Commits what was done on the host, with its audit entry.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn commit_on_host(mut self, command: &str) -> Result<(), Fault> {
        self.audit(command, "host", AuditOutcome::Done, json!({}))
            .await?;
        self.commit().await
    }

    async fn begin_in(
        context: &Context,
        caller: Caller,
        begin: Begin,
        scope: Scope,
    ) -> Result<Self, Fault> {
        let beginning = Beginning {
            pool: context.pool.clone(),
            begin,
            scope,
        };
        Ok(Self {
            transaction: Some(beginning.transaction().await?),
            beginning,
            claimed: None,
            caller,
            actor: None,
            now: context.clock.now(),
            touched: Vec::new(),
            announces: false,
            announced: context.announced.clone(),
            compute: context.compute.clone(),
        })
    }

    /// The connection, for the service's store.
    pub fn connection(&mut self) -> &mut PgConnection {
        self.transaction
            .as_mut()
            .expect("a use case has its connection but while it gave it back itself")
    }

    /// Notes by what a repeat of the request is known.
    pub(crate) fn claims(&mut self, operation: &'static str, asked: &Asked) {
        self.claimed = Some((operation, asked.clone()));
    }

    /// Does slow work that needs no database, such as hashing a password, with the connection given
    /// back, and begins anew afterwards. So it comes before anything is written, and what was read
    /// before may have changed since.
    ///
    /// # Errors
    /// Whatever the work finds; when the database refuses; that a repeat of the request was answered
    /// meanwhile, whose reply is then given.
    pub async fn without_connection<T>(
        &mut self,
        work: impl Future<Output = Result<T, Fault>>,
    ) -> Result<T, Fault> {
        if let Some(transaction) = self.transaction.take() {
            transaction.rollback().await?;
        }
        let done = work.await?;
        self.transaction = Some(self.beginning.transaction().await?);
        if let Some((operation, asked)) = self.claimed.clone() {
            let answered = retry::claim_request(self, operation, &asked).await?;
            if answered.is_some() {
                return Err(Fault::answered_meanwhile());
            }
        }
        Ok(done)
    }

    /// Does arithmetic in the [`Room`] while the unit keeps its connection; where nothing is read or
    /// written afterwards, give [`crate::compute::Work`] back instead.
    ///
    /// # Errors
    /// As [`Room::run`], and unavailable at once when many do so at this moment.
    pub async fn reckon<T: Send + 'static>(
        &mut self,
        work: impl FnOnce(&Cancel) -> T + Send + 'static,
    ) -> Result<T, Fault> {
        self.compute.run_holding(work).await
    }

    /// Who asks.
    pub fn caller(&self) -> &Caller {
        &self.caller
    }

    /// Notes who it turned out to be that asks, where the request itself proves it, as signing in
    /// does: the audit entry is theirs and their programme's.
    pub fn turned_out_to_be(&mut self, actor: Caller) {
        self.actor = Some(actor);
    }

    /// Whose the audit entry is.
    pub(crate) fn actor(&self) -> &Caller {
        self.actor.as_ref().unwrap_or(&self.caller)
    }

    /// Gives the connection back, and with it all that was written, because the request is refused.
    pub(crate) async fn give_back(&mut self) {
        if let Some(transaction) = self.transaction.take()
            && let Err(error) = transaction.rollback().await
        {
            tracing::debug!(%error, "a refused transaction could not be rolled back");
        }
    }

    /// Takes what was noted for the audit trail.
    pub(crate) fn take_touched(&mut self) -> Vec<Value> {
        std::mem::take(&mut self.touched)
    }

    /// Notes for the audit trail what another unit had noted.
    pub(crate) fn touched_before(&mut self, touched: Vec<Value>) {
        self.touched.extend(touched);
    }

    /// The programme the caller acts in.
    ///
    /// # Errors
    /// Forbidden when a service asks without naming a programme.
    pub fn programme(&self) -> Result<ProgrammeId, Fault> {
        self.caller
            .programme()
            .ok_or_else(|| Fault::forbidden("this needs to be asked for one programme"))
    }

    /// The instant at which the unit began.
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// The day on which the unit began, in UTC.
    pub fn today(&self) -> jiff::civil::Date {
        Clock::standing_at(self.now).today()
    }

    /// Notes for the audit trail that a thing was written.
    pub fn touch(&mut self, kind: &str, id: impl std::fmt::Display) {
        self.touched
            .push(json!({ "kind": kind, "id": id.to_string() }));
    }

    /// How much was noted so far, to go back to with [`Unit::forget_since`].
    pub fn touched_n(&self) -> usize {
        self.touched.len()
    }

    /// Takes back what was noted since, because its writing was undone.
    pub fn forget_since(&mut self, touched_n: usize) {
        self.touched.truncate(touched_n);
    }

    /// Announces to other services that something happened; leaves with the transaction.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn announce(
        &mut self,
        topic: &str,
        payload: &impl serde::Serialize,
    ) -> Result<(), Fault> {
        let programme = self.programme()?;
        let payload = serde_json::to_value(payload).map_err(Fault::internal)?;
        sqlx::query(
            "insert into outbox (programme_id, topic, payload, at) values ($1, $2, $3, $4)",
        )
        .bind(programme)
        .bind(topic)
        .bind(payload)
        .bind(Instant(self.now))
        .execute(self.connection())
        .await?;
        self.announces = true;
        Ok(())
    }

    /// Names the state of the database that this unit sees.
    pub(crate) async fn snapshot(&mut self) -> Result<String, Fault> {
        Ok(sqlx::query_scalar("select pg_current_snapshot()::text")
            .fetch_one(self.connection())
            .await?)
    }

    pub(crate) async fn audit(
        &mut self,
        operation: &str,
        via: &str,
        outcome: AuditOutcome,
        request: Value,
    ) -> Result<(), Fault> {
        let touched = Value::Array(self.take_touched());
        let (actor, now) = (self.actor().clone(), self.now);
        let entry = NewEntry {
            programme: actor.programme(),
            at: now,
            actor: actor.subject,
            actor_name: &actor.name,
            via,
            operation,
            outcome,
            touched,
            request,
        };
        entry.write(self.connection()).await?;
        Ok(())
    }

    /// Makes all of it count.
    ///
    /// # Errors
    /// When the database refuses, after which nothing was written; when it did not come to say,
    /// after which all of it was, or nothing.
    pub(crate) async fn commit(self) -> Result<(), Fault> {
        if let Some(transaction) = self.transaction {
            transaction.commit().await.map_err(not_committed)?;
        }
        if self.announces {
            self.announced.tell();
        }
        Ok(())
    }
}

/// How a unit's transaction begins.
struct Beginning {
    pool: PgPool,
    begin: Begin,
    scope: Scope,
}

impl Beginning {
    async fn transaction(&self) -> Result<Transaction<'static, Postgres>, Fault> {
        Ok(database::begin(&self.pool, self.begin, self.scope).await?)
    }
}

/// What a failed commit means: the server's refusal undoes everything, while a connection that was
/// lost leaves open what became of it.
fn not_committed(error: sqlx::Error) -> Fault {
    match error {
        error @ sqlx::Error::Database(_) => Fault::from(error).nothing_written(),
        error => Fault::perhaps_written("the connection to the database was lost").because(error),
    }
}

impl Kind {
    /// True for an operation that may write.
    pub fn writes(self) -> bool {
        !matches!(self, Self::Read | Self::Steady | Self::Document)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_commit_without_an_answer_leaves_open_what_became_of_it() {
        let cut = not_committed(sqlx::Error::Io(std::io::Error::other("cut")));
        assert!(cut.is_perhaps_written());
        assert!(cut.detail().contains("may have been written"), "{cut}");
    }
}
