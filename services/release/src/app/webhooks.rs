//! Webhooks: subscribing to events, and looking after deliveries.

use std::collections::BTreeMap;

use contract::common::Empty;
use contract::release::{
    CreateWebhookRequest, EditWebhookRequest, EndWebhookRequest, GetWebhookRequest,
    ListWebhookDeliveriesRequest, ListWebhooksRequest, RedeliverWebhookRequest,
    RenewWebhookSecretRequest, TestWebhookRequest, Webhook, WebhookAttempt, WebhookDelivery,
    WebhookDeliveryList, WebhookList,
};
use platform::database::Instant;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use rand::Rng as _;
use serde_json::json;

use super::asked::checked;
use super::{events, shown};
use crate::ReleaseApp;
use crate::domain::webhook::{
    DeliveryState, ID_PREFIX, Secret, Topic, WAITING_MAX, WEBHOOKS_MAX, read_url,
};
use crate::domain::{DeliveryId, WebhookId};
use crate::store::webhooks::{self, AttemptRow, DeliveryRow, WebhookRow};

/// Longest name.
const NAME_CHARS: usize = 100;

fn told(row: WebhookRow) -> Webhook {
    Webhook {
        id: row.id.to_string(),
        name: row.name,
        url: row.url,
        topics: row.topics,
        organisation_id: shown::id(row.organisation_id),
        active: row.active,
        stopped_reason: row.stopped_reason,
        secret: String::new(),
        created_at: row.created_at.0.to_string(),
        created_by: row.created_by,
        waiting_n: shown::count(row.waiting_n),
        dead_n: shown::count(row.dead_n),
        missed_n: shown::count(row.missed_n),
        version: row.version,
    }
}

fn topics(fields: &mut Fields, asked: &[String]) -> Vec<String> {
    fields.require(
        !asked.is_empty(),
        "topics",
        format!("is required; any of {}", Topic::listed()),
    );
    let mut topics: Vec<String> = Vec::new();
    for (i, word) in asked.iter().enumerate() {
        let field = format!("topics/{i}");
        match fields.word::<Topic>(&field, word) {
            Some(topic) if !topic.is_offered() => {
                fields.fault(&field, "is sent on demand and cannot be subscribed to");
            }
            Some(topic) if !topics.iter().any(|known| known == topic.word()) => {
                topics.push(topic.word().to_owned());
            }
            _ => {}
        }
    }
    topics
}

fn url(fields: &mut Fields, app: &ReleaseApp, text: &str) -> String {
    if text.trim().is_empty() {
        fields.fault("url", "is required, as https://example.org/events");
        return String::new();
    }
    match read_url(text, app.settings.webhooks) {
        Ok(url) => url.to_string(),
        Err(fault) => {
            fields.fault("url", fault);
            String::new()
        }
    }
}

fn fresh_secret() -> Secret {
    let mut bytes = vec![0_u8; 32];
    rand::rng().fill_bytes(&mut bytes);
    Secret::of(bytes)
}

async fn keep_secret(unit: &mut Unit, id: WebhookId) -> Result<String, Fault> {
    let secret = fresh_secret();
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    webhooks::insert_secret(unit.connection(), programme, id, secret.bytes(), now).await?;
    Ok(secret.shown())
}

/// Makes a webhook.
pub async fn create(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: CreateWebhookRequest,
) -> Result<Webhook, Fault> {
    let mut fields = Fields::new();
    let id: WebhookId = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, NAME_CHARS).to_owned();
    let url = url(&mut fields, app, &request.url);
    let topics = topics(&mut fields, &request.topics);
    fields.finish()?;
    let row = WebhookRow {
        id,
        organisation_id: unit.caller().partner(),
        name,
        url,
        topics,
        active: true,
        stopped_reason: String::new(),
        created_at: Instant(unit.now()),
        created_by: unit.caller().name.clone(),
        version: 1,
        waiting_n: 0,
        dead_n: 0,
        missed_n: 0,
    };
    let programme = unit.programme()?;
    if webhooks::count_to_add(unit.connection(), programme).await? >= WEBHOOKS_MAX {
        return Err(Fault::state(format!(
            "the programme and its partners have {WEBHOOKS_MAX} webhooks, as many as they may; end one that nobody needs any more"
        )));
    }
    webhooks::insert(unit.connection(), programme, &row)
        .await
        .on_constraint("webhook_pkey", || {
            Fault::exists("/id", "is a webhook's already; make another id")
        })?;
    let secret = keep_secret(unit, id).await?;
    unit.touch("webhook", id);
    Ok(Webhook {
        secret,
        ..told(row)
    })
}

async fn found(unit: &mut Unit, id: &str) -> Result<WebhookRow, Fault> {
    let mut fields = Fields::new();
    let parsed: Option<WebhookId> = fields.id("webhook_id", id);
    fields.finish()?;
    let programme = unit.programme()?;
    webhooks::find(unit.connection(), programme, checked(parsed, "webhook_id")?)
        .await?
        .ok_or_else(|| Fault::not_found("webhook", id))
}

/// Lists webhooks.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListWebhooksRequest,
) -> Result<WebhookList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let programme = unit.programme()?;
    let rows = webhooks::list(unit.connection(), programme, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(WebhookList {
        items: rows.into_iter().map(told).collect(),
        next_cursor,
    })
}

/// One webhook.
pub async fn get(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetWebhookRequest,
) -> Result<Webhook, Fault> {
    found(unit, &request.webhook_id).await.map(told)
}

/// Changes a webhook.
pub async fn edit(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: EditWebhookRequest,
) -> Result<Webhook, Fault> {
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, NAME_CHARS).to_owned();
    let url = url(&mut fields, app, &request.url);
    let topics = topics(&mut fields, &request.topics);
    fields.finish()?;
    let mut row = found(unit, &request.webhook_id).await?;
    if row.version != request.expected_version {
        return Err(Fault::stale(row.version));
    }
    row = WebhookRow {
        name,
        url,
        topics,
        active: request.active,
        stopped_reason: String::new(),
        ..row
    };
    let programme = unit.programme()?;
    if !webhooks::update(unit.connection(), programme, &row).await? {
        return Err(Fault::stale(row.version + 1));
    }
    row.version += 1;
    unit.touch("webhook", row.id);
    Ok(told(row))
}

/// Ends a webhook.
pub async fn end(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: EndWebhookRequest,
) -> Result<Empty, Fault> {
    let row = found(unit, &request.webhook_id).await?;
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    webhooks::end(unit.connection(), programme, row.id, now).await?;
    unit.touch("webhook", row.id);
    Ok(Empty {})
}

/// Makes a new secret.
pub async fn renew_secret(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RenewWebhookSecretRequest,
) -> Result<Webhook, Fault> {
    let row = found(unit, &request.webhook_id).await?;
    let secret = keep_secret(unit, row.id).await?;
    unit.touch("webhook", row.id);
    Ok(Webhook {
        secret,
        ..told(row)
    })
}

/// Refuses to have more wait for a webhook than may.
fn has_room(hook: &WebhookRow) -> Result<(), Fault> {
    if hook.waiting_n < WAITING_MAX {
        return Ok(());
    }
    Err(Fault::state(format!(
        "{WAITING_MAX} events wait for this webhook, as many as may; have its receiver take some, or end it"
    )))
}

/// Sends a trial event.
pub async fn test(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: TestWebhookRequest,
) -> Result<WebhookDelivery, Fault> {
    let hook = found(unit, &request.webhook_id).await?;
    if !hook.active {
        return Err(Fault::state(
            "the webhook is switched off; switch it on first",
        ));
    }
    has_room(&hook)?;
    let (programme, now) = (unit.programme()?, unit.now());
    let data = json!({ "webhook_id": hook.id.to_string(), "name": hook.name });
    // A lane of its own: a trial waits for nothing.
    let row = events::delivery(
        (hook.id, hook.organisation_id),
        Topic::Test,
        0,
        uuid::Uuid::now_v7(),
        (&now.to_string(), Instant(now)),
        &data,
    );
    webhooks::insert_delivery(unit.connection(), programme, &row).await?;
    unit.touch("webhook", hook.id);
    Ok(told_delivery(row, Vec::new()))
}

fn told_delivery(row: DeliveryRow, attempts: Vec<AttemptRow>) -> WebhookDelivery {
    let waits = row.state == DeliveryState::Waiting.word();
    WebhookDelivery {
        id: events::message_id(row.id),
        webhook_id: row.webhook_id.to_string(),
        topic: row.topic,
        sequence: row.sequence,
        state: row.state,
        attempts_n: shown::count(i64::from(row.attempts_n)),
        next_attempt_at: if waits {
            row.next_at.0.to_string()
        } else {
            String::new()
        },
        created_at: row.created_at.0.to_string(),
        delivered_at: row
            .delivered_at
            .map(|at| at.0.to_string())
            .unwrap_or_default(),
        body: row.body,
        attempts: attempts
            .into_iter()
            .map(|attempt| WebhookAttempt {
                at: attempt.at.0.to_string(),
                status: attempt.status.and_then(|status| u32::try_from(status).ok()),
                fault: attempt.fault,
                took_ms: shown::count(i64::from(attempt.took_ms)),
            })
            .collect(),
    }
}

/// Lists deliveries.
pub async fn deliveries(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListWebhookDeliveriesRequest,
) -> Result<WebhookDeliveryList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let state = fields.optional_word::<DeliveryState>("state", &request.state);
    fields.finish()?;
    let hook = found(unit, &request.webhook_id).await?;
    let programme = unit.programme()?;
    let state = state.map(|state| state.word());
    let rows = webhooks::deliveries(unit.connection(), programme, hook.id, state, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let ids: Vec<DeliveryId> = rows.iter().map(|row| row.id).collect();
    let mut attempts: BTreeMap<DeliveryId, Vec<AttemptRow>> = BTreeMap::new();
    for attempt in webhooks::attempts(unit.connection(), programme, &ids).await? {
        attempts
            .entry(attempt.delivery_id)
            .or_default()
            .push(attempt);
    }
    Ok(WebhookDeliveryList {
        items: rows
            .into_iter()
            .map(|row| {
                let own = attempts.remove(&row.id).unwrap_or_default();
                told_delivery(row, own)
            })
            .collect(),
        next_cursor,
    })
}

/// Delivers again.
pub async fn redeliver(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RedeliverWebhookRequest,
) -> Result<WebhookDelivery, Fault> {
    let unknown = || Fault::not_found("delivery", &request.delivery_id);
    let id: DeliveryId = request
        .delivery_id
        .strip_prefix(ID_PREFIX)
        .and_then(|id| id.parse().ok())
        .ok_or_else(unknown)?;
    let hook = found(unit, &request.webhook_id).await?;
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let mut row = webhooks::lock_delivery(unit.connection(), programme, hook.id, id)
        .await?
        .ok_or_else(unknown)?;
    if row.state == DeliveryState::Sending.word() {
        return Err(Fault::state("it is on its way at this moment"));
    }
    if row.state != DeliveryState::Waiting.word() {
        has_room(&hook)?;
    }
    webhooks::send_again(unit.connection(), programme, id, now).await?;
    unit.touch("webhook", hook.id);
    row.state = DeliveryState::Waiting.word().to_owned();
    (row.attempts_n, row.next_at, row.delivered_at) = (0, now, None);
    let attempts = webhooks::attempts(unit.connection(), programme, &[id]).await?;
    Ok(told_delivery(row, attempts))
}
