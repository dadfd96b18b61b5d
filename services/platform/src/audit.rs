//! The audit trail, as administrators and managers read it.

use contract::common::{AuditEntry, AuditPage, AuditTouched, ListAuditRequest};
use serde::Deserialize;
use sqlx::Row as _;

use crate::database::Instant;
use crate::fault::Fault;
use crate::fields::Fields;
use crate::ids::PersonId;
use crate::paging::Page;
use crate::unit::Unit;

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
    fields.finish()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let programme = unit.programme()?;
    let none_if_empty = |text: String| (!text.is_empty()).then_some(text);
    let rows = sqlx::query(
        "select id, at, actor_id, actor_name, via, operation, touched, request::text as request \
         from audit where programme_id = $1 and ($2::bigint is null or id < $2) \
           and ($3::uuid is null or actor_id = $3) \
           and ($4::text is null or touched @> jsonb_build_array(jsonb_build_object('id', $4))) \
           and ($5::text is null or operation = $5) \
         order by id desc limit $6",
    )
    .bind(programme)
    .bind(page.after_key::<i64>()?)
    .bind(actor)
    .bind(none_if_empty(request.touched_id))
    .bind(none_if_empty(request.operation))
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
            })
        })
        .collect::<Result<_, Fault>>()?;
    Ok(AuditPage { items, next_cursor })
}
