//! The audit trail: who wrote what and who was refused what, as administrators and managers read it.
//!
//! What was done is written in the transaction that did it ([`crate::operation::execute`]). The
//! database binds each entry to the one before it; [`chain`] checks that none is missing or changed.

pub mod chain;

use contract::common::{AuditEntry, AuditPage, AuditTouched, ListAuditRequest};
use serde::Deserialize;
use serde_json::Value;
use sqlx::Row as _;

use crate::database::Instant;
use crate::fault::Fault;
use crate::fields::{Fields, Words as _};
use crate::ids::{PersonId, ProgrammeId};
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
