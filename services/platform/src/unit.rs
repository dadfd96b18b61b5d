//! The unit of work: one transaction, scoped to who asks, that must be finished to count.

use std::future::Future;

use jiff::Timestamp;
use serde_json::{Value, json};
use sqlx::postgres::PgConnection;
use sqlx::{PgPool, Postgres, Transaction};

use crate::access::{Caller, Permission};
use crate::clock::Clock;
use crate::database::{Instant, Scope};
use crate::fault::Fault;
use crate::ids::ProgrammeId;
use crate::operation::{Context, Kind, Operation};
use crate::retry::{self, RetryKey};

/// A transaction with its caller; the only way to a service's tables.
///
/// Row-level security in the database reads the scope that was set when the unit began, so a query
/// that forgets its programme finds nothing rather than too much. Dropping a unit rolls it back.
pub struct Unit {
    /// None while slow work goes on that needs no connection.
    transaction: Option<Transaction<'static, Postgres>>,
    beginning: Beginning,
    /// By what a repeat of the request is known, when its reply will be kept.
    answers: Option<(&'static str, RetryKey)>,
    caller: Caller,
    /// Who it turned out to be that asks, where the request itself proves it.
    actor: Option<Caller>,
    now: Timestamp,
    touched: Vec<Value>,
}

impl Unit {
    pub(crate) async fn begin(
        context: &Context,
        caller: Caller,
        operation: &Operation,
    ) -> Result<Self, Fault> {
        let beginning = Beginning {
            pool: context.pool.clone(),
            statement: match operation.kind {
                // All of the reply, and the count of changes kept with it, of one snapshot.
                Kind::Steady => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
                kind if kind.writes() => "BEGIN",
                _ => "BEGIN READ ONLY",
            },
            scope: Scope {
                programme: caller.programme(),
                partner: caller.partner(),
                // Announcements and a service's own bookkeeping lie across programmes.
                across_programmes: matches!(
                    operation.permission,
                    Permission::Services | Permission::Anyone
                ),
            },
        };
        Self::of(context, caller, beginning).await
    }

    pub(crate) async fn begin_for_event(
        context: &Context,
        caller: Caller,
        programme: ProgrammeId,
    ) -> Result<Self, Fault> {
        let beginning = Beginning {
            pool: context.pool.clone(),
            statement: "BEGIN",
            scope: Scope {
                programme: Some(programme),
                partner: None,
                across_programmes: true,
            },
        };
        Self::of(context, caller, beginning).await
    }

    /// A unit for what is done on the host itself, by whoever may read the database anyway.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn begin_on_host(pool: &PgPool, clock: &Clock) -> Result<Self, Fault> {
        let beginning = Beginning {
            pool: pool.clone(),
            statement: "BEGIN",
            scope: Scope {
                across_programmes: true,
                ..Scope::default()
            },
        };
        let caller = Caller {
            name: "the host".to_owned(),
            ..Caller::nobody()
        };
        Ok(Self {
            transaction: Some(beginning.transaction().await?),
            beginning,
            answers: None,
            caller,
            actor: None,
            now: clock.now(),
            touched: Vec::new(),
        })
    }

    /// Commits what was done on the host, with its audit entry.
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn commit_on_host(mut self, command: &str) -> Result<(), Fault> {
        self.audit(command, "host", json!({})).await?;
        self.commit().await
    }

    async fn of(context: &Context, caller: Caller, beginning: Beginning) -> Result<Self, Fault> {
        Ok(Self {
            transaction: Some(beginning.transaction().await?),
            beginning,
            answers: None,
            caller,
            actor: None,
            now: context.clock.now(),
            touched: Vec::new(),
        })
    }

    /// Notes by what a repeat of the request is known.
    pub(crate) fn answers(&mut self, operation: &'static str, key: RetryKey) {
        self.answers = Some((operation, key));
    }

    /// Does slow work that needs no database, such as hashing a password, with the connection given
    /// back, and begins anew afterwards. So it comes before anything is written, and what was read
    /// before may have changed since.
    ///
    /// # Errors
    /// Whatever the work finds; when the database refuses; state, when a repeat of the request was
    /// answered meanwhile.
    pub async fn without_connection<T>(
        &mut self,
        work: impl Future<Output = Result<T, Fault>>,
    ) -> Result<T, Fault> {
        if let Some(transaction) = self.transaction.take() {
            transaction.rollback().await?;
        }
        let done = work.await?;
        self.transaction = Some(self.beginning.transaction().await?);
        if let Some((operation, key)) = self.answers.clone() {
            retry::still_open(self, operation, &key).await?;
        }
        Ok(done)
    }

    /// The connection, for the service's store.
    pub fn connection(&mut self) -> &mut PgConnection {
        self.transaction
            .as_mut()
            .expect("a use case has its connection but while it gave it back itself")
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
        Ok(())
    }

    pub(crate) async fn audit(
        &mut self,
        operation: &str,
        via: &str,
        request: Value,
    ) -> Result<(), Fault> {
        let touched = Value::Array(self.take_touched());
        let (actor, now) = (self.actor(), self.now);
        let (programme, subject, name) = (actor.programme(), actor.subject, actor.name.clone());
        sqlx::query(
            "insert into audit (programme_id, at, actor_id, actor_name, via, operation, touched, request) \
             values ($1, $2, $3, $4, $5, $6, $7, $8)",
        )
        .bind(programme)
        .bind(Instant(now))
        .bind(subject)
        .bind(name)
        .bind(via)
        .bind(operation)
        .bind(touched)
        .bind(request)
        .execute(self.connection())
        .await?;
        Ok(())
    }

    pub(crate) async fn commit(self) -> Result<(), Fault> {
        match self.transaction {
            Some(transaction) => Ok(transaction.commit().await?),
            None => Ok(()),
        }
    }
}

/// How a unit's transaction begins.
struct Beginning {
    pool: PgPool,
    statement: &'static str,
    scope: Scope,
}

impl Beginning {
    async fn transaction(&self) -> Result<Transaction<'static, Postgres>, Fault> {
        let mut transaction = self.pool.begin_with(self.statement).await?;
        self.scope.apply(&mut transaction).await?;
        Ok(transaction)
    }
}

impl Kind {
    /// True for an operation that may write.
    pub fn writes(self) -> bool {
        !matches!(self, Self::Read | Self::Steady | Self::Document)
    }
}
