//! Webhooks, their secrets, and deliveries on their way.

use platform::database::Instant;
use platform::paging::Page;
use platform::{Fault, OrganisationId, ProgrammeId};
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

use super::page_of;
use crate::domain::{CandidateId, DeliveryId, WebhookId};

/// A webhook as it is kept, with what waits for it.
#[derive(Debug, Clone, FromRow)]
pub struct WebhookRow {
    /// Its id.
    pub id: WebhookId,
    /// The partner whose it is.
    pub organisation_id: Option<OrganisationId>,
    /// What it is for.
    pub name: String,
    /// Where it leads.
    pub url: String,
    /// Words of its topics.
    pub topics: Vec<String>,
    /// Whether it is switched on.
    pub active: bool,
    /// Why it was switched off by itself.
    pub stopped_reason: String,
    /// When it was made.
    pub created_at: Instant,
    /// By whom.
    pub created_by: String,
    /// Version for concurrent edits.
    pub version: i64,
    /// Deliveries that wait.
    pub waiting_n: i64,
    /// Deliveries given up.
    pub dead_n: i64,
    /// Events not kept because too many waited.
    pub missed_n: i64,
}

macro_rules! webhook_select {
    () => {
        "select w.id, w.organisation_id, w.name, w.url, w.topics, w.active, w.stopped_reason, \
           w.created_at, w.created_by, w.version, w.missed_n, \
           (select count(*) from webhook_delivery d where d.programme_id = w.programme_id \
              and d.webhook_id = w.id and d.state in ('waiting', 'sending')) as waiting_n, \
           (select count(*) from webhook_delivery d where d.programme_id = w.programme_id \
              and d.webhook_id = w.id and d.state = 'dead') as dead_n \
         from webhook w "
    };
}

/// Writes a webhook.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &WebhookRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into webhook (programme_id, id, organisation_id, name, url, topics, created_at, \
         created_by) values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.organisation_id)
    .bind(&row.name)
    .bind(&row.url)
    .bind(&row.topics)
    .bind(row.created_at)
    .bind(&row.created_by)
    .execute(connection)
    .await
    .map(drop)
}

/// Writes a secret, which signs from now on.
pub async fn insert_secret(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    webhook: WebhookId,
    secret: &[u8],
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into webhook_secret (programme_id, webhook_id, secret, made_at) \
         values ($1, $2, $3, $4)",
    )
    .bind(programme)
    .bind(webhook)
    .bind(secret)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// One webhook that was not ended.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: WebhookId,
) -> Result<Option<WebhookRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        webhook_select!(),
        "where w.programme_id = $1 and w.ended_at is null and w.id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of webhooks.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    page: &Page,
) -> Result<Vec<WebhookRow>, Fault> {
    let query = concat!(
        webhook_select!(),
        page_where!(oldest "w.", "organisation_id", "id", "and w.ended_at is null")
    );
    page_of(connection, query, programme, (None, None), page).await
}

/// How many webhooks a programme has that were not ended. Whoever counts to make another waits for
/// whoever counted before.
pub async fn count_to_add(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<i64, sqlx::Error> {
    sqlx::query("select pg_advisory_xact_lock(hashtextextended('webhooks of ' || $1, 0))")
        .bind(programme.to_string())
        .execute(&mut *connection)
        .await?;
    sqlx::query_scalar("select count(*) from webhook where programme_id = $1 and ended_at is null")
        .bind(programme)
        .fetch_one(connection)
        .await
}

/// A webhook that waits for a topic.
#[derive(Debug, Clone, FromRow)]
pub struct SubscribedRow {
    /// Its id.
    pub id: WebhookId,
    /// The partner whose it is.
    pub organisation_id: Option<OrganisationId>,
    /// When it was made.
    pub created_at: Instant,
    /// Whether as many deliveries wait as may.
    pub full: bool,
}

/// Webhooks that wait for a topic, of which each may have so many deliveries waiting.
pub async fn subscribed(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    topic: &str,
    most_waiting_n: i64,
) -> Result<Vec<SubscribedRow>, sqlx::Error> {
    sqlx::query_as(
        "select w.id, w.organisation_id, w.created_at, \
           (select count(*) from (select from webhook_delivery d \
              where d.programme_id = w.programme_id and d.webhook_id = w.id \
                and d.state in ('waiting', 'sending') limit $3) waiting) >= $3 as full \
         from webhook w \
         where w.programme_id = $1 and w.ended_at is null and $2 = any(w.topics) order by w.id",
    )
    .bind(programme)
    .bind(topic)
    .bind(most_waiting_n)
    .fetch_all(connection)
    .await
}

/// Notes that an event was not kept for a webhook; gives how many were not by now.
pub async fn miss(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: WebhookId,
) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar(
        "update webhook set missed_n = missed_n + 1 where programme_id = $1 and id = $2 \
         returning missed_n",
    )
    .bind(programme)
    .bind(id)
    .fetch_one(connection)
    .await
}

/// Writes an edit; false when another came first.
pub async fn update(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &WebhookRow,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update webhook set name = $4, url = $5, topics = $6, active = $7, stopped_reason = $8, \
         version = version + 1 where programme_id = $1 and id = $2 and version = $3",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.version)
    .bind(&row.name)
    .bind(&row.url)
    .bind(&row.topics)
    .bind(row.active)
    .bind(&row.stopped_reason)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Ends a webhook and gives up what waits for it.
pub async fn end(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: WebhookId,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query("update webhook set ended_at = $3 where programme_id = $1 and id = $2")
        .bind(programme)
        .bind(id)
        .bind(at)
        .execute(&mut *connection)
        .await?;
    sqlx::query(
        "update webhook_delivery set state = 'dead' \
         where programme_id = $1 and webhook_id = $2 and state = 'waiting'",
    )
    .bind(programme)
    .bind(id)
    .execute(connection)
    .await
    .map(drop)
}

/// A delivery as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct DeliveryRow {
    /// Its id.
    pub id: DeliveryId,
    /// The webhook.
    pub webhook_id: WebhookId,
    /// The partner whose it is.
    pub organisation_id: Option<OrganisationId>,
    /// Word of the topic.
    pub topic: String,
    /// Position of the event in the outbox.
    pub sequence: i64,
    /// Deliveries of one lane go in order.
    pub lane: Uuid,
    /// What is sent.
    pub body: String,
    /// Word of its state.
    pub state: String,
    /// Attempts so far.
    pub attempts_n: i32,
    /// When it is tried next.
    pub next_at: Instant,
    /// When it was made.
    pub created_at: Instant,
    /// When it was taken.
    pub delivered_at: Option<Instant>,
}

macro_rules! delivery_columns {
    () => {
        "id, webhook_id, organisation_id, topic, sequence, lane, body, state, attempts_n, next_at, \
         created_at, delivered_at"
    };
}

/// Writes a delivery, unless the event is on its way to the webhook already.
pub async fn insert_delivery(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &DeliveryRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into webhook_delivery (programme_id, id, webhook_id, organisation_id, topic, \
         sequence, lane, body, state, next_at, created_at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) \
         on conflict (programme_id, webhook_id, sequence) where sequence > 0 do nothing",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.webhook_id)
    .bind(row.organisation_id)
    .bind(&row.topic)
    .bind(row.sequence)
    .bind(row.lane)
    .bind(&row.body)
    .bind(&row.state)
    .bind(row.next_at)
    .bind(row.created_at)
    .execute(connection)
    .await
    .map(drop)
}

/// One delivery of a webhook, locked.
pub async fn lock_delivery(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    webhook: WebhookId,
    id: DeliveryId,
) -> Result<Option<DeliveryRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        delivery_columns!(),
        " from webhook_delivery where programme_id = $1 and webhook_id = $2 and id = $3 for update"
    ))
    .bind(programme)
    .bind(webhook)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of a webhook's deliveries, newest first.
pub async fn deliveries(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    webhook: WebhookId,
    state: Option<&str>,
    page: &Page,
) -> Result<Vec<DeliveryRow>, Fault> {
    Ok(sqlx::query_as(concat!(
        "select ",
        delivery_columns!(),
        " from webhook_delivery where programme_id = $1 and webhook_id = $2 \
         and ($3::uuid is null or id < $3) and ($4::text is null or state = $4) \
         order by id desc limit $5"
    ))
    .bind(programme)
    .bind(webhook)
    .bind(page.after_key::<Uuid>()?)
    .bind(state)
    .bind(page.fetch())
    .fetch_all(connection)
    .await?)
}

/// Puts a delivery back to be sent, its attempts counted anew.
pub async fn send_again(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: DeliveryId,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update webhook_delivery set state = 'waiting', attempts_n = 0, next_at = $3, \
         delivered_at = null where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// An attempt as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct AttemptRow {
    /// The delivery.
    pub delivery_id: DeliveryId,
    /// When.
    pub at: Instant,
    /// HTTP status, when there was an answer.
    pub status: Option<i32>,
    /// What went wrong.
    pub fault: String,
    /// How long it took.
    pub took_ms: i32,
}

/// Attempts at some deliveries, oldest first.
pub async fn attempts(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    deliveries: &[DeliveryId],
) -> Result<Vec<AttemptRow>, sqlx::Error> {
    sqlx::query_as(
        "select delivery_id, at, status, fault, took_ms from webhook_attempt \
         where programme_id = $1 and delivery_id = any($2) order by place",
    )
    .bind(programme)
    .bind(deliveries)
    .fetch_all(connection)
    .await
}

/// A delivery that a sender took on.
#[derive(Debug, Clone, FromRow)]
pub struct Errand {
    /// The programme.
    pub programme_id: ProgrammeId,
    /// The delivery.
    pub id: DeliveryId,
    /// The webhook.
    pub webhook_id: WebhookId,
    /// The partner whose it is.
    pub organisation_id: Option<OrganisationId>,
    /// Where it leads.
    pub url: String,
    /// What is sent.
    pub body: String,
    /// Attempts, this one among them.
    pub attempts_n: i32,
    /// Secrets that sign, the newest first.
    pub secrets: Vec<Vec<u8>>,
}

/// Webhooks, in all programmes, for which there is a delivery whose time has come, or was put off
/// beyond what anything is put off, as by a clock that was wrong. What is for an organisation of those
/// `ended` waits until it is active again.
pub async fn due(
    connection: &mut PgConnection,
    now: Instant,
    beyond: Instant,
    ended: &[OrganisationId],
) -> Result<Vec<(ProgrammeId, WebhookId)>, sqlx::Error> {
    sqlx::query_as(
        "select w.programme_id, w.id from webhook w \
         where w.active and w.ended_at is null \
           and (w.organisation_id is null or w.organisation_id <> all ($3)) and exists (select from webhook_delivery d \
           where d.programme_id = w.programme_id and d.webhook_id = w.id \
             and ((d.state = 'waiting' and (d.next_at <= $1 or d.next_at > $2)) \
               or (d.state = 'sending' and (d.leased_until <= $1 or d.leased_until > $2))))",
    )
    .bind(now)
    .bind(beyond)
    .bind(ended)
    .fetch_all(connection)
    .await
}

/// When a sender takes deliveries on.
#[derive(Debug, Clone, Copy)]
pub struct Taking {
    /// Now.
    pub now: Instant,
    /// When it is taken to be gone if it has not reported.
    pub leased_until: Instant,
    /// Nothing is put off for longer than to here, unless by a clock that was wrong.
    pub beyond: Instant,
    /// After this a secret counts as just renewed, while the one before signs too.
    pub fresh: Instant,
}

/// Takes deliveries to a webhook on whose time has come: of each of its lanes the earliest alone, so
/// that events about one candidate arrive in their order.
pub async fn take_on(
    connection: &mut PgConnection,
    (programme, webhook): (ProgrammeId, WebhookId),
    taking: Taking,
    most_n: i64,
    ended: &[OrganisationId],
) -> Result<Vec<Errand>, sqlx::Error> {
    sqlx::query_as(
        "with due as ( \
           select d.programme_id, d.id from webhook_delivery d \
           join webhook w on w.programme_id = d.programme_id and w.id = d.webhook_id \
           where d.programme_id = $5 and d.webhook_id = $6 \
             and ((d.state = 'waiting' and (d.next_at <= $1 or d.next_at > $7)) \
               or (d.state = 'sending' and (d.leased_until <= $1 or d.leased_until > $7))) \
             and w.active and w.ended_at is null \
             and (w.organisation_id is null or w.organisation_id <> all ($8)) \
             and not exists (select from webhook_delivery e \
               where e.programme_id = d.programme_id and e.webhook_id = d.webhook_id \
                 and e.lane = d.lane and (e.sequence, e.id) < (d.sequence, d.id) \
                 and e.state in ('waiting', 'sending')) \
           order by d.next_at limit $4 for update of d skip locked) \
         update webhook_delivery d set state = 'sending', leased_until = $2, \
           attempts_n = d.attempts_n + 1 \
         from due, webhook w \
         where d.programme_id = due.programme_id and d.id = due.id \
           and w.programme_id = d.programme_id and w.id = d.webhook_id \
         returning d.programme_id, d.id, d.webhook_id, d.organisation_id, w.url, d.body, \
           d.attempts_n, \
           (select array_agg(k.secret order by k.place desc) from ( \
              select s.secret, s.place from webhook_secret s \
              where s.programme_id = d.programme_id and s.webhook_id = d.webhook_id \
                and s.place >= (select coalesce(max(b.place), 0) from webhook_secret b \
                  where b.programme_id = d.programme_id and b.webhook_id = d.webhook_id \
                    and b.made_at <= $3) \
              ) k) as secrets",
    )
    .bind(taking.now)
    .bind(taking.leased_until)
    .bind(taking.fresh)
    .bind(most_n)
    .bind(programme)
    .bind(webhook)
    .bind(taking.beyond)
    .bind(ended)
    .fetch_all(connection)
    .await
}

/// What became of an errand.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Word of the state that the delivery goes to.
    pub state: &'static str,
    /// When it is tried next.
    pub next_at: Instant,
    /// HTTP status, when there was an answer.
    pub status: Option<i32>,
    /// What went wrong; empty when nothing did.
    pub fault: String,
    /// How long it took.
    pub took_ms: i32,
    /// Why the webhook is switched off.
    pub stops_webhook: Option<&'static str>,
}

/// Writes what became of an errand. Where its time had run out and another sender took the delivery on,
/// only the attempt is noted: what becomes of the delivery is the other's to say.
pub async fn report(
    connection: &mut PgConnection,
    errand: &Errand,
    outcome: &Outcome,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update webhook_delivery set state = $3, next_at = $4, leased_until = null, \
         delivered_at = case when $3 = 'delivered' then $5 end \
         where programme_id = $1 and id = $2 and state = 'sending' and attempts_n = $6",
    )
    .bind(errand.programme_id)
    .bind(errand.id)
    .bind(outcome.state)
    .bind(outcome.next_at)
    .bind(at)
    .bind(errand.attempts_n)
    .execute(&mut *connection)
    .await?;
    sqlx::query(
        "insert into webhook_attempt (programme_id, delivery_id, organisation_id, at, status, \
         fault, took_ms) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(errand.programme_id)
    .bind(errand.id)
    .bind(errand.organisation_id)
    .bind(at)
    .bind(outcome.status)
    .bind(&outcome.fault)
    .bind(outcome.took_ms)
    .execute(&mut *connection)
    .await?;
    if let Some(reason) = outcome.stops_webhook {
        sqlx::query(
            "update webhook set active = false, stopped_reason = $3, version = version + 1 \
             where programme_id = $1 and id = $2",
        )
        .bind(errand.programme_id)
        .bind(errand.webhook_id)
        .bind(reason)
        .execute(connection)
        .await?;
    }
    Ok(())
}

/// Whether the present scope sees what an event is about.
pub async fn sees(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    subject: Subject,
    id: Uuid,
) -> Result<bool, sqlx::Error> {
    let query = match subject {
        Subject::Candidate => {
            "select exists (select from candidate where programme_id = $1 and id = $2)"
        }
        Subject::Licence => {
            "select exists (select from licence where programme_id = $1 and id = $2)"
        }
        Subject::Filing => "select exists (select from filing where programme_id = $1 and id = $2)",
        Subject::Denomination => {
            "select exists (select from denomination where programme_id = $1 and id = $2)"
        }
        Subject::Report => {
            "select exists (select from propagation_report where programme_id = $1 and id = $2)"
        }
        Subject::Statement => {
            "select exists (select from royalty_statement where programme_id = $1 and id = $2)"
        }
        Subject::Inspection => {
            "select exists (select from inspection where programme_id = $1 and id = $2)"
        }
        Subject::Agreement => {
            "select exists (select from testing_agreement where programme_id = $1 and id = $2)"
        }
        Subject::DueDate => return Ok(false),
    };
    sqlx::query_scalar(query)
        .bind(programme)
        .bind(id)
        .fetch_one(connection)
        .await
}

/// What an event may be about; whoever sees the row may hear of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// A candidate.
    Candidate,
    /// A licence.
    Licence,
    /// A filing.
    Filing,
    /// A denomination.
    Denomination,
    /// A propagation report.
    Report,
    /// A royalty statement.
    Statement,
    /// An inspection.
    Inspection,
    /// A testing agreement.
    Agreement,
    /// A due date, which is computed and the staff's own.
    DueDate,
}

/// Programmes in which somebody waits for due dates.
pub async fn programmes_told_of_due_dates(
    connection: &mut PgConnection,
) -> Result<Vec<ProgrammeId>, sqlx::Error> {
    sqlx::query_scalar(
        "select distinct programme_id from webhook where active and ended_at is null \
         and topics && array['due_date.coming', 'due_date.reached']",
    )
    .fetch_all(connection)
    .await
}

/// Notes that a due date was announced at a lead; false when it was before.
pub async fn tell_due_date(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidate: CandidateId,
    key: &str,
    lead_days: i32,
    at: Instant,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "insert into due_date_told (programme_id, candidate_id, key, lead_days, told_at) \
         values ($1, $2, $3, $4, $5) on conflict do nothing",
    )
    .bind(programme)
    .bind(candidate)
    .bind(key)
    .bind(lead_days)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}
