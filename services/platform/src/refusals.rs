//! What was refused: a log line, and an audit entry that the programme's administrator can read.
//!
//! The entry is written in a transaction of its own, so that it does not go with the refused one.
//! Of the same refusal within one minute the first, the tenth, the hundredth and so on are written,
//! each with its count, so that nobody fills the trail by asking again and again.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::access::Caller;
use crate::audit::AuditOutcome;
use crate::fault::{Fault, FaultKind};
use crate::ids::{PersonId, ProgrammeId};
use crate::operation::Context;
use crate::origin;
use crate::unit::Unit;

/// What makes two refusals the same.
type Same = (
    Option<ProgrammeId>,
    PersonId,
    &'static str,
    &'static str,
    String,
);

/// Counts refusals within the present minute.
#[derive(Debug, Default)]
pub struct Refusals(Mutex<(i64, HashMap<Same, u32>)>);

impl Refusals {
    /// Counts one more; gives the count when it is to be written.
    fn count(&self, same: Same, now: Timestamp) -> Option<u32> {
        let minute = now.as_second().div_euclid(60);
        let mut counted = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if counted.0 != minute {
            *counted = (minute, HashMap::new());
        }
        let n = counted.1.entry(same).or_insert(0);
        *n += 1;
        (10_u32.pow(n.ilog10()) == *n).then_some(*n)
    }
}

/// A request that came to nothing because of who asked.
pub(crate) struct Refused<'a> {
    pub(crate) operation: &'static str,
    pub(crate) via: &'static str,
    pub(crate) actor: Caller,
    /// What it was about, as the use case noted it.
    pub(crate) touched: Vec<Value>,
    pub(crate) fault: &'a Fault,
}

/// Notes a refusal, when the fault is one: no credentials that hold, a role that does not allow it,
/// or asking too often.
pub(crate) async fn note(context: &Context, refused: Refused<'_>) {
    let Refused {
        operation,
        via,
        actor,
        touched,
        fault,
    } = refused;
    if !matches!(
        fault.kind(),
        FaultKind::Unauthenticated | FaultKind::Forbidden | FaultKind::Throttled
    ) {
        return;
    }
    let (_, kind, _) = fault.kind().http();
    let programme = actor.programme();
    let about = Value::Array(touched.clone()).to_string();
    let same = (programme, actor.subject, operation, kind, about);
    let Some(times_n) = context.refusals.count(same, context.clock.now()) else {
        return;
    };
    let address = origin::address()
        .map(|address| address.to_string())
        .unwrap_or_default();
    tracing::info!(
        refused.operation = operation,
        refused.kind = kind,
        refused.why = fault.detail(),
        refused.times_n = times_n,
        refused.actor = actor.name,
        refused.address = address,
        "refused"
    );
    let Some(programme) = programme else {
        return;
    };
    let account = json!({
        "refused": kind, "why": fault.detail(), "times_n": times_n, "address": address,
    });
    let written = async {
        let mut unit = Unit::begin_for_event(context, actor, programme).await?;
        unit.touched_before(touched);
        unit.audit(operation, via, AuditOutcome::Refused, account)
            .await?;
        unit.commit().await
    };
    if let Err(error) = written.await {
        tracing::error!(%error, refused.operation = operation, "a refusal could not be written to the audit trail");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_the_tenth_and_the_hundredth_of_a_minute_are_written() {
        let refusals = Refusals::default();
        let same = |operation| {
            (
                None,
                PersonId::from_uuid(uuid::Uuid::nil()),
                operation,
                "forbidden",
                String::new(),
            )
        };
        let at = |s: i64| Timestamp::from_second(1_800_000_000 + s).unwrap();
        let written: Vec<u32> = (0..500)
            .filter_map(|_| refusals.count(same("list_people"), at(0)))
            .collect();
        assert_eq!(written, [1, 10, 100]);
        assert_eq!(refusals.count(same("list_audit"), at(0)), Some(1));
        assert_eq!(refusals.count(same("list_people"), at(60)), Some(1));
    }
}
