//! The unit of work: one transaction, scoped to who asks, that must be finished to count.

use jiff::Timestamp;
use serde_json::{Value, json};
use sqlx::postgres::PgConnection;
use sqlx::{Postgres, Transaction};

use crate::access::{Caller, Permission};
use crate::audit::{AuditOutcome, NewEntry};
use crate::clock::Clock;
use crate::database::{Instant, Scope};
use crate::fault::Fault;
use crate::ids::ProgrammeId;
use crate::operation::{Context, Kind, Operation};

/// A transaction with its caller; the only way to a service's tables.
///
/// Row-level security in the database reads the scope that was set when the unit began, so a query
/// that forgets its programme finds nothing rather than too much. Dropping a unit rolls it back.
pub struct Unit {
    transaction: Transaction<'static, Postgres>,
    caller: Caller,
    now: Timestamp,
    touched: Vec<Value>,
}

impl Unit {
    pub(crate) async fn begin(
        context: &Context,
        caller: Caller,
        operation: &Operation,
    ) -> Result<Self, Fault> {
        let mut transaction = match operation.kind {
            Kind::Steady => {
                // All of the reply, and the count of changes kept with it, of one snapshot.
                let begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
                context.pool.begin_with(begin).await?
            }
            kind if kind.writes() => context.pool.begin().await?,
            _ => context.pool.begin_with("BEGIN READ ONLY").await?,
        };
        Scope {
            programme: caller.programme(),
            partner: caller.partner(),
            // Announcements and a service's own bookkeeping lie across programmes.
            across_programmes: matches!(
                operation.permission,
                Permission::Services | Permission::Anyone
            ),
        }
        .apply(&mut transaction)
        .await?;
        Ok(Self {
            transaction,
            caller,
            now: context.clock.now(),
            touched: Vec::new(),
        })
    }

    pub(crate) async fn begin_for_event(
        context: &Context,
        caller: Caller,
        programme: ProgrammeId,
    ) -> Result<Self, Fault> {
        let mut transaction = context.pool.begin().await?;
        Scope {
            programme: Some(programme),
            partner: None,
            across_programmes: true,
        }
        .apply(&mut transaction)
        .await?;
        Ok(Self {
            transaction,
            caller,
            now: context.clock.now(),
            touched: Vec::new(),
        })
    }

    /// The connection, for the service's store.
    pub fn connection(&mut self) -> &mut PgConnection {
        &mut self.transaction
    }

    /// Who asks.
    pub fn caller(&self) -> &Caller {
        &self.caller
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
        let touched = Value::Array(std::mem::take(&mut self.touched));
        let programme = self.caller.programme();
        let (subject, name, now) = (self.caller.subject, self.caller.name.clone(), self.now);
        let entry = NewEntry {
            programme,
            at: now,
            actor: subject,
            actor_name: &name,
            via,
            operation,
            outcome: AuditOutcome::Done,
            touched,
            request,
        };
        entry.write(self.connection()).await?;
        Ok(())
    }

    pub(crate) async fn commit(self) -> Result<(), Fault> {
        Ok(self.transaction.commit().await?)
    }
}

impl Kind {
    /// True for an operation that may write.
    pub fn writes(self) -> bool {
        !matches!(self, Self::Read | Self::Steady | Self::Document)
    }
}
