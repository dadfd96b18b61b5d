//! Announcements between services: read at least once, in order, taken in idempotently.
//!
//! A service announces through its outbox ([`crate::unit::Unit::announce`]), which commits with
//! what it announces. Another follows by asking for what came after the position it has reached;
//! the position moves in the same transaction as what the event changed, so an event takes effect
//! exactly once however often it is read.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use sqlx::Row as _;

use crate::access::{Caller, Standing};
use crate::database::{Instant, Scope};
use crate::fault::Fault;
use crate::ids::{PersonId, ProgrammeId};
use crate::operation::{App, Context};
use crate::peers::{Authorised, ServiceName};
use crate::unit::Unit;

/// How long a follower waits when nothing was new.
const IDLE: Duration = Duration::from_millis(250);
/// How long a follower waits after a fault.
const AFTER_FAULT: Duration = Duration::from_secs(2);
/// Events asked for at once.
const PAGE: u32 = 200;

/// The use case behind every service's `ReadFeed`.
///
/// # Errors
/// When the database refuses.
pub async fn read(unit: &mut Unit, request: ReadFeedRequest) -> Result<FeedPage, Fault> {
    let limit = if request.limit == 0 {
        PAGE
    } else {
        request.limit.min(1000)
    };
    let rows = sqlx::query(
        "select position, programme_id, topic, payload::text as payload, at from outbox \
         where position > $1 and written_by < pg_snapshot_xmin(pg_current_snapshot()) \
         order by position limit $2",
    )
    .bind(request.after)
    .bind(i64::from(limit))
    .fetch_all(unit.connection())
    .await?;
    Ok(FeedPage {
        events: rows
            .into_iter()
            .map(|row| FeedEvent {
                position: row.get("position"),
                programme_id: row.get::<ProgrammeId, _>("programme_id").to_string(),
                topic: row.get("topic"),
                payload: row.get("payload"),
                at: row.get::<Instant, _>("at").0.to_string(),
            })
            .collect(),
    })
}

/// One service's interest in another's announcements.
pub trait Follower: Send + Sync + 'static {
    /// The follower's application layer.
    type App: App;
    /// Whom it follows.
    const SOURCE: ServiceName;

    /// Asks the source for a page.
    fn ask(
        transport: Authorised,
        request: ReadFeedRequest,
    ) -> impl Future<Output = Result<FeedPage, tonic::Status>> + Send;

    /// Takes one event in; topics that are not its business it lets pass.
    fn take<'a>(
        app: &'a Self::App,
        unit: &'a mut Unit,
        event: &'a FeedEvent,
    ) -> impl Future<Output = Result<(), Fault>> + Send + 'a;
}

/// Follows for as long as the process lives.
pub async fn follow<F: Follower>(app: Arc<F::App>) {
    loop {
        match step::<F>(&app).await {
            Ok(0) => tokio::time::sleep(IDLE).await,
            Ok(_) => {}
            Err(fault) => {
                tracing::warn!(
                    feed.source = F::SOURCE.schema(),
                    feed.follower = app.context().service.schema(),
                    feed.fault = %fault,
                    feed.cause = ?std::error::Error::source(&fault).map(ToString::to_string),
                    "could not follow; trying again"
                );
                tokio::time::sleep(AFTER_FAULT).await;
            }
        }
    }
}

/// Takes in one page; gives the number of events taken.
///
/// # Errors
/// When the source does not answer or an event cannot be taken in; those before it were.
pub async fn step<F: Follower>(app: &F::App) -> Result<usize, Fault> {
    let context = app.context();
    let source = F::SOURCE.schema();
    let after = position(context, source).await?;
    let transport = context.peers.reach(F::SOURCE, None).await?;
    let page = F::ask(transport, ReadFeedRequest { after, limit: PAGE }).await?;
    let taken = page.events.len();
    for event in page.events {
        let programme: ProgrammeId = event.programme_id.parse().map_err(Fault::internal)?;
        let caller = Caller {
            subject: PersonId::from_uuid(uuid::Uuid::nil()),
            name: format!("feed of {source}"),
            session: None,
            standing: Standing::Service {
                service: F::SOURCE,
                programme: Some(programme),
            },
        };
        let mut unit = Unit::begin_for_event(context, caller, programme).await?;
        F::take(app, &mut unit, &event).await?;
        sqlx::query(
            "insert into feed_cursor (source, position) values ($1, $2) \
             on conflict (source) do update set position = excluded.position",
        )
        .bind(source)
        .bind(event.position)
        .execute(unit.connection())
        .await?;
        unit.audit(
            &event.topic,
            "feed",
            serde_json::json!({ "position": event.position }),
        )
        .await?;
        unit.commit().await?;
    }
    Ok(taken)
}

async fn position(context: &Context, source: &str) -> Result<i64, Fault> {
    let mut transaction = context.pool.begin().await?;
    Scope {
        across_programmes: true,
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await?;
    let position: Option<i64> =
        sqlx::query_scalar("select position from feed_cursor where source = $1")
            .bind(source)
            .fetch_optional(&mut *transaction)
            .await?;
    Ok(position.unwrap_or(0))
}
