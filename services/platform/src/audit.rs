//! The audit trail: who wrote what and who was refused what, as administrators and managers read it.
//!
//! What was done is written in the transaction that did it ([`crate::operation::execute`]); what was
//! refused in one of its own ([`refusal`]), so that it does not vanish with what it refused. The
//! database binds each entry to the one before it; [`chain`] checks that none is missing or changed.

pub mod chain;

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use contract::common::{AuditEntry, AuditPage, AuditTouched, ListAuditRequest};
use serde::Deserialize;
use serde_json::{Value, json};
use sqlx::Row as _;

use crate::access::{Caller, Standing};
use crate::database::{Instant, Scope};
use crate::fault::{Fault, FaultKind};
use crate::fields::{Fields, Words as _};
use crate::ids::{PersonId, ProgrammeId};
use crate::operation::{Context, Operation};
use crate::paging::Page;
use crate::unit::Unit;

crate::words! {
    /// What became of what was asked.
    pub enum AuditOutcome {
        /// It was done.
        Done = "done",
        /// It was refused.
        Refused = "refused",
    }
}

/// The same refusal is written once in this time, and how often it was repeated at the end of it.
const WINDOW: Duration = Duration::from_secs(60);
/// Different refusals written in a window; those beyond are in the log alone.
const WINDOWS: usize = 600;
/// How long the caller waits for a refusal to be written.
const PATIENCE: Duration = Duration::from_secs(2);

/// Something that was refused.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Refusal {
    /// The programme whose administrator is to know; none where it is not known.
    pub programme: Option<ProgrammeId>,
    /// Who asked; the nil id where nobody is known.
    pub actor: PersonId,
    /// Name of who asked.
    pub actor_name: String,
    /// Name of the operation, as `sign_in`.
    pub operation: &'static str,
    /// The way it was asked: `rest` or `grpc`, empty where that does not matter.
    pub via: &'static str,
    /// Why, in a sentence without secrets.
    pub reason: String,
    /// What it was about, as the login; never a secret.
    pub about: String,
}

/// Refusals of the present minute, and how often each was repeated.
#[derive(Debug, Clone, Default)]
pub struct Refusals(Arc<Mutex<HashMap<Refusal, u32>>>);

impl Refusals {
    fn windows(&self) -> MutexGuard<'_, HashMap<Refusal, u32>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether this refusal is to be written now, as the first of its window.
    fn is_first(&self, refusal: &Refusal) -> bool {
        let mut windows = self.windows();
        if let Some(repeated_n) = windows.get_mut(refusal) {
            *repeated_n += 1;
            return false;
        }
        if windows.len() >= WINDOWS {
            return false;
        }
        windows.insert(refusal.clone(), 0);
        true
    }

    /// Ends a window; gives how often its refusal was repeated.
    fn end(&self, refusal: &Refusal) -> u32 {
        self.windows().remove(refusal).unwrap_or(0)
    }
}

/// Writes to the log and to the audit trail that something was refused, in a transaction of its own.
/// Never fails: where the database does not take it, the log has it.
pub async fn refusal(context: &Context, refusal: Refusal) {
    tracing::warn!(
        audit.service = context.service.schema(),
        audit.operation = refusal.operation,
        audit.actor = %refusal.actor,
        audit.about = refusal.about,
        audit.reason = refusal.reason,
        "refused"
    );
    if !context.refusals.is_first(&refusal) {
        return;
    }
    let written = tokio::time::timeout(PATIENCE, write_refusal(context, &refusal, 0)).await;
    if !matches!(written, Ok(Ok(()))) {
        tracing::error!(
            ?written,
            "a refusal could not be written to the audit trail"
        );
    }
    let context = context.clone();
    tokio::spawn(async move {
        tokio::time::sleep(WINDOW).await;
        let repeated_n = context.refusals.end(&refusal);
        if repeated_n > 0
            && let Err(error) = write_refusal(&context, &refusal, repeated_n).await
        {
            tracing::error!(%error, "repeated refusals could not be written to the audit trail");
        }
    });
}

/// Writes a fault to the audit trail when it refused somebody who is known something.
pub(crate) async fn note_refused(
    context: &Context,
    caller: &Caller,
    operation: &Operation,
    via: &'static str,
    fault: &Fault,
) {
    let refused = matches!(
        fault.kind(),
        FaultKind::Forbidden | FaultKind::Unauthenticated
    );
    if !refused || caller.standing == Standing::Nobody {
        return;
    }
    let told = Refusal {
        programme: caller.programme(),
        actor: caller.subject,
        actor_name: caller.name.clone(),
        operation: operation.name,
        via,
        reason: fault.detail().to_owned(),
        about: caller
            .key()
            .map(|key| key.id.to_string())
            .unwrap_or_default(),
    };
    refusal(context, told).await;
}

async fn write_refusal(
    context: &Context,
    refusal: &Refusal,
    repeated_n: u32,
) -> Result<(), sqlx::Error> {
    let mut account = json!({ "reason": refusal.reason });
    if !refusal.about.is_empty() {
        account["about"] = refusal.about.clone().into();
    }
    if repeated_n > 0 {
        account["repeated_n"] = repeated_n.into();
    }
    let entry = NewEntry {
        programme: refusal.programme,
        at: context.clock.now(),
        actor: refusal.actor,
        actor_name: &refusal.actor_name,
        via: refusal.via,
        operation: refusal.operation,
        outcome: AuditOutcome::Refused,
        touched: json!([]),
        request: account,
    };
    let mut transaction = context.pool.begin().await?;
    let scope = Scope {
        programme: refusal.programme,
        across_programmes: true,
        ..Scope::default()
    };
    scope.apply(&mut transaction).await?;
    entry.write(&mut transaction).await?;
    transaction.commit().await
}

/// An entry of the trail that is to be written.
pub(crate) struct NewEntry<'a> {
    pub(crate) programme: Option<ProgrammeId>,
    pub(crate) at: jiff::Timestamp,
    pub(crate) actor: PersonId,
    pub(crate) actor_name: &'a str,
    pub(crate) via: &'a str,
    pub(crate) operation: &'a str,
    pub(crate) outcome: AuditOutcome,
    pub(crate) touched: Value,
    pub(crate) request: Value,
}

impl NewEntry<'_> {
    pub(crate) async fn write(
        self,
        connection: &mut sqlx::PgConnection,
    ) -> Result<(), sqlx::Error> {
        sqlx::query(
            "insert into audit (programme_id, at, actor_id, actor_name, via, operation, outcome, \
                 touched, request) \
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(self.programme)
        .bind(Instant(self.at))
        .bind(self.actor)
        .bind(self.actor_name)
        .bind(self.via)
        .bind(self.operation)
        .bind(self.outcome.word())
        .bind(self.touched)
        .bind(self.request)
        .execute(connection)
        .await
        .map(drop)
    }
}

#[derive(Deserialize)]
struct Touched {
    kind: String,
    id: String,
}

/// The use case behind every service's `ListAudit`: who wrote what, newest first.
///
/// # Errors
/// Invalid when an id or the cursor cannot be read.
pub async fn list(unit: &mut Unit, request: ListAuditRequest) -> Result<AuditPage, Fault> {
    let mut fields = Fields::new();
    let actor: Option<PersonId> = fields.optional_id("actor_id", &request.actor_id);
    let outcome: Option<AuditOutcome> = fields.optional_word("outcome", &request.outcome);
    let from = fields.optional_instant("from", &request.from).map(Instant);
    let until = fields
        .optional_instant("until", &request.until)
        .map(Instant);
    fields.finish()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let programme = unit.programme()?;
    let none_if_empty = |text: String| (!text.is_empty()).then_some(text);
    let rows = sqlx::query(
        "select id, at, actor_id, actor_name, via, operation, outcome, touched, \
             request::text as request \
         from audit where programme_id = $1 and ($2::bigint is null or id < $2) \
           and ($3::uuid is null or actor_id = $3) \
           and ($4::text is null or touched @> jsonb_build_array(jsonb_build_object('id', $4))) \
           and ($5::text is null or operation = $5) \
           and ($6::text is null or outcome = $6) \
           and ($7::timestamptz is null or at >= $7) and ($8::timestamptz is null or at < $8) \
         order by id desc limit $9",
    )
    .bind(programme)
    .bind(page.after_key::<i64>()?)
    .bind(actor)
    .bind(none_if_empty(request.touched_id))
    .bind(none_if_empty(request.operation))
    .bind(outcome.map(|outcome| outcome.word()))
    .bind(from)
    .bind(until)
    .bind(page.fetch())
    .fetch_all(unit.connection())
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.get::<i64, _>("id"));
    let items = rows
        .into_iter()
        .map(|row| {
            let touched: Vec<Touched> =
                serde_json::from_value(row.get("touched")).map_err(Fault::internal)?;
            Ok(AuditEntry {
                id: row.get::<i64, _>("id").to_string(),
                at: row.get::<Instant, _>("at").0.to_string(),
                actor_id: row.get::<PersonId, _>("actor_id").to_string(),
                actor_name: row.get("actor_name"),
                via: row.get("via"),
                operation: row.get("operation"),
                touched: touched
                    .into_iter()
                    .map(|t| AuditTouched {
                        kind: t.kind,
                        id: t.id,
                    })
                    .collect(),
                request: row.get("request"),
                outcome: row.get("outcome"),
            })
        })
        .collect::<Result<_, Fault>>()?;
    Ok(AuditPage { items, next_cursor })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(about: &str) -> Refusal {
        Refusal {
            programme: None,
            actor: PersonId::from_uuid(uuid::Uuid::nil()),
            actor_name: "nobody".into(),
            operation: "sign_in",
            via: "",
            reason: "the login or the password is wrong".into(),
            about: about.into(),
        }
    }

    #[test]
    fn the_same_refusal_is_written_once_a_window_and_counted() {
        let refusals = Refusals::default();
        assert!(refusals.is_first(&refused("field")));
        assert!(!refusals.is_first(&refused("field")) && !refusals.is_first(&refused("field")));
        assert!(refusals.is_first(&refused("breeder")));
        assert_eq!(refusals.end(&refused("field")), 2);
        assert_eq!(refusals.end(&refused("breeder")), 0);
        assert!(refusals.is_first(&refused("field")), "a new window");
    }

    #[test]
    fn a_flood_of_refusals_fills_neither_memory_nor_trail() {
        let refusals = Refusals::default();
        let written = (0..10 * WINDOWS)
            .filter(|n| refusals.is_first(&refused(&n.to_string())))
            .count();
        assert_eq!((written, refusals.windows().len()), (WINDOWS, WINDOWS));
    }
}
