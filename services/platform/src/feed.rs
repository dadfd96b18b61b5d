//! Announcements between services: read at least once, in order, taken in exactly once.
//!
//! A service announces through its outbox ([`crate::unit::Unit::announce`]), which commits with
//! what it announces. Once committed, an announcement is given the next position ([`number`]), by one
//! numberer at a time, so positions have no gaps and appear in their order whatever the order in which
//! transactions end. Another service follows by asking for what came after the position it has
//! reached; the position moves in the same transaction as what the event changed and is locked
//! meanwhile, so an event takes effect exactly once, however often it is read and however many
//! processes follow.
//!
//! Followers count what they take in and hold it against the source's own count
//! ([`reconcile`]); a difference is logged, counted (`drupeline_feed_missing`) and told at `/readyz`.

use std::future::Future;
use std::sync::Arc;
use std::time::{Duration, Instant as Moment};

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use sqlx::{PgConnection, PgPool, Row as _};
use tokio::sync::Notify;

use crate::access::{Caller, Standing};
use crate::audit::AuditOutcome;
use crate::database::{self, Begin, Instant, Scope};
use crate::fault::Fault;
use crate::ids::{PersonId, ProgrammeId};
use crate::operation::{App, Context};
use crate::peers::{Authorised, ServiceName};
use crate::telemetry;
use crate::unit::Unit;

/// How long a follower waits when nothing was new.
const IDLE: Duration = Duration::from_millis(250);
/// How long the numberer waits for a process that ended between a commit and telling of it.
const UNTOLD: Duration = Duration::from_secs(1);
/// How long to wait after a fault.
const AFTER_FAULT: Duration = Duration::from_secs(2);
/// Events asked for at once.
const PAGE: u32 = 200;
/// Announcements numbered at once.
const NUMBERED_AT_ONCE: i64 = 2_000;
/// How often what was taken in is held against what was announced.
const RECONCILED_EVERY: Duration = Duration::from_secs(60);

/// Tells the numberer of this process that something was announced.
#[derive(Clone, Default)]
pub struct Announced(Arc<Notify>);

impl Announced {
    pub(crate) fn tell(&self) {
        self.0.notify_one();
    }
}

/// Numbers announcements for as long as the process lives.
pub async fn keep_numbered(context: Context) {
    loop {
        match number(&context.pool).await {
            Ok(0) => {
                let _ = tokio::time::timeout(UNTOLD, context.announced.0.notified()).await;
            }
            Ok(_) => {}
            Err(error) => {
                tracing::warn!(
                    feed.source = context.service.schema(),
                    %error,
                    "announcements could not be numbered; trying again"
                );
                tokio::time::sleep(AFTER_FAULT).await;
            }
        }
    }
}

/// Gives announcements that can be seen and have no position the next ones; gives how many.
///
/// # Errors
/// When the database refuses; nothing is numbered then.
pub async fn number(pool: &PgPool) -> Result<u64, sqlx::Error> {
    let mut transaction = database::begin(pool, Begin::Writing, Scope::BOOKKEEPING).await?;
    let any: bool = sqlx::query_scalar("select exists (select from outbox where position is null)")
        .fetch_one(&mut *transaction)
        .await?;
    if !any {
        return Ok(0);
    }
    // Held until the positions can be seen, so the next numberer goes on from them.
    sqlx::query(
        "select pg_advisory_xact_lock(hashtextextended('announcements of ' || current_schema(), 0))",
    )
    .execute(&mut *transaction)
    .await?;
    let numbered_n = sqlx::query(
        "with unnumbered as ( \
           select written from outbox where position is null order by written limit $1 \
         ), next as ( \
           select written, row_number() over (order by written) as n from unnumbered \
         ), last as (select coalesce(max(position), 0) as position from outbox) \
         update outbox set position = last.position + next.n from next, last \
         where outbox.written = next.written",
    )
    .bind(NUMBERED_AT_ONCE)
    .execute(&mut *transaction)
    .await?
    .rows_affected();
    transaction.commit().await?;
    Ok(numbered_n)
}

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
         where position > $1 order by position limit $2",
    )
    .bind(request.after)
    .bind(i64::from(limit))
    .fetch_all(unit.connection())
    .await?;
    let last_position = sqlx::query_scalar("select coalesce(max(position), 0) from outbox")
        .fetch_one(unit.connection())
        .await?;
    let announced_n = if request.count {
        sqlx::query_scalar("select count(*) from outbox where position <= $1")
            .bind(request.after)
            .fetch_one(unit.connection())
            .await?
    } else {
        0
    };
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
        last_position,
        announced_n,
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
    let mut reconciled_at: Option<Moment> = None;
    loop {
        let due = reconciled_at.is_none_or(|at| at.elapsed() >= RECONCILED_EVERY);
        let taken = match step::<F>(&app).await {
            Ok(0) if due => {
                reconciled_at = Some(Moment::now());
                reconcile::<F>(&app).await.map(|_| 0)
            }
            taken => taken,
        };
        match taken {
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

/// Takes in one page; gives the number of events in it.
///
/// # Errors
/// When the source does not answer or an event cannot be taken in; those before it were.
pub async fn step<F: Follower>(app: &F::App) -> Result<usize, Fault> {
    let context = app.context();
    let source = F::SOURCE.schema();
    let after = cursor(context, source).await?.position;
    let transport = context.peers.reach(F::SOURCE, None).await?;
    let request = ReadFeedRequest {
        after,
        limit: PAGE,
        count: false,
    };
    let page = F::ask(transport, request).await?;
    let reached = page.events.last().map_or(after, |event| event.position);
    for event in &page.events {
        take::<F>(app, event).await?;
    }
    telemetry::feed_behind(
        context.service.schema(),
        source,
        page.last_position - reached,
    );
    Ok(page.events.len())
}

/// Takes one event in, unless another process of this service has.
async fn take<F: Follower>(app: &F::App, event: &FeedEvent) -> Result<(), Fault> {
    let context = app.context();
    let source = F::SOURCE.schema();
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
    let reached = lock_cursor(unit.connection(), source).await?.position;
    if reached >= event.position {
        return Ok(());
    }
    if event.position != reached + 1 {
        tracing::error!(
            feed.source = source,
            feed.follower = context.service.schema(),
            feed.reached = reached,
            feed.position = event.position,
            "announcements are missing between these positions"
        );
    }
    F::take(app, &mut unit, event).await?;
    sqlx::query("update feed_cursor set position = $2, taken_n = taken_n + 1 where source = $1")
        .bind(source)
        .bind(event.position)
        .execute(unit.connection())
        .await?;
    unit.audit(
        &event.topic,
        "feed",
        AuditOutcome::Done,
        serde_json::json!({ "position": event.position }),
    )
    .await?;
    unit.commit().await
}

/// How far a follower has come.
struct Cursor {
    position: i64,
    /// How many announcements it took in on the way, where that was counted from the start.
    taken_n: Option<i64>,
}

impl Cursor {
    const START: Self = Self {
        position: 0,
        taken_n: Some(0),
    };
}

async fn cursor(context: &Context, source: &str) -> Result<Cursor, Fault> {
    let mut transaction =
        database::begin(&context.pool, Begin::Reading, Scope::BOOKKEEPING).await?;
    let known: Option<(i64, Option<i64>)> =
        sqlx::query_as("select position, taken_n from feed_cursor where source = $1")
            .bind(source)
            .fetch_optional(&mut *transaction)
            .await?;
    Ok(known.map_or(Cursor::START, |(position, taken_n)| Cursor {
        position,
        taken_n,
    }))
}

/// The cursor, held for the present transaction.
async fn lock_cursor(connection: &mut PgConnection, source: &str) -> Result<Cursor, sqlx::Error> {
    sqlx::query(
        "insert into feed_cursor (source, position, taken_n) values ($1, 0, 0) \
         on conflict (source) do nothing",
    )
    .bind(source)
    .execute(&mut *connection)
    .await?;
    let (position, taken_n) =
        sqlx::query_as("select position, taken_n from feed_cursor where source = $1 for update")
            .bind(source)
            .fetch_one(connection)
            .await?;
    Ok(Cursor { position, taken_n })
}

/// Holds what was taken in against what the source announced up to the same position; gives how many
/// announcements are missing here, which is below 0 when it is the source that lost some.
///
/// # Errors
/// When the source or the database does not answer.
pub async fn reconcile<F: Follower>(app: &F::App) -> Result<i64, Fault> {
    let context = app.context();
    let (source, follower) = (F::SOURCE.schema(), context.service.schema());
    let cursor = cursor(context, source).await?;
    let transport = context.peers.reach(F::SOURCE, None).await?;
    let request = ReadFeedRequest {
        after: cursor.position,
        limit: 1,
        count: true,
    };
    let page = F::ask(transport, request).await?;
    let Some(taken_n) = cursor.taken_n else {
        count_from_here(context, source, &cursor, page.announced_n).await?;
        return Ok(0);
    };
    let missing_n = page.announced_n - taken_n;
    telemetry::feed_missing(follower, source, missing_n);
    let name = format!("{follower} follows {source}");
    if missing_n == 0 && page.last_position >= cursor.position {
        context.health.well(&name);
    } else {
        let why = format!(
            "{taken_n} announcements of {source} were taken in up to position {} where {source} has {} and ends at {}; compare the two services' backups, or set feed_cursor of {follower} back to have them told again",
            cursor.position, page.announced_n, page.last_position
        );
        tracing::error!(
            feed.source = source,
            feed.follower = follower,
            feed.missing_n = missing_n,
            "{why}"
        );
        context.health.doubt(&name, why);
    }
    Ok(missing_n)
}

/// Begins to count for a cursor that is older than the count.
async fn count_from_here(
    context: &Context,
    source: &str,
    cursor: &Cursor,
    announced_n: i64,
) -> Result<(), Fault> {
    let mut transaction =
        database::begin(&context.pool, Begin::Writing, Scope::BOOKKEEPING).await?;
    sqlx::query(
        "update feed_cursor set taken_n = $3 \
         where source = $1 and position = $2 and taken_n is null",
    )
    .bind(source)
    .bind(cursor.position)
    .bind(announced_n)
    .execute(&mut *transaction)
    .await?;
    Ok(transaction.commit().await?)
}
