//! What this service announces, and to whom it is told.
//!
//! An announcement holds what everyone may know who sees its subject, and what staff alone may
//! know. It leaves through the outbox with the change that it tells of. This service follows its
//! own outbox and makes of each announcement one delivery for each webhook that waits for the
//! topic; for a partner's webhook the subject is first looked up in that partner's scope, so that
//! row-level security decides what a partner hears of.

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use contract::release::release_client::ReleaseClient;
use jiff::Timestamp;
use platform::database::{Instant, Scope};
use platform::feed::Follower;
use platform::fields::Words as _;
use platform::peers::{Authorised, ServiceName};
use platform::{Fault, OrganisationId, Unit};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::ReleaseApp;
use crate::domain::webhook::{DeliveryState, ID_PREFIX, Topic, WAITING_MAX};
use crate::domain::{CandidateId, DeliveryId, WebhookId};
use crate::store::webhooks::{self, DeliveryRow, Subject};

/// An announcement as it lies in the outbox.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Announcement {
    /// What it is about.
    pub subject: Subject,
    /// The id of that; of a due date, that of its candidate.
    pub id: Uuid,
    /// The candidate behind it.
    pub candidate_id: Uuid,
    /// What everyone may know who sees the subject.
    pub open: Value,
    /// What staff alone may know besides.
    #[serde(default)]
    pub staff: Value,
    /// Whether partners hear nothing of it, even if they see the subject by the time it is told.
    #[serde(default)]
    pub staff_only: bool,
}

impl Announcement {
    /// An announcement of something that everyone may know who sees the subject.
    pub fn new(subject: Subject, id: Uuid, candidate_id: CandidateId, open: Value) -> Self {
        Self {
            subject,
            id,
            candidate_id: candidate_id.uuid(),
            open,
            staff: Value::Null,
            staff_only: false,
        }
    }

    /// The same, told to staff alone when so.
    pub fn staff_only(mut self, staff_only: bool) -> Self {
        self.staff_only = staff_only;
        self
    }

    /// The same with what staff alone may know.
    pub fn for_staff(mut self, staff: Value) -> Self {
        self.staff = staff;
        self
    }

    fn told_to(&self, owner: Option<OrganisationId>) -> Value {
        let mut data = json!({ "candidate_id": self.candidate_id.to_string() });
        let parts = [Some(&self.open), owner.is_none().then_some(&self.staff)];
        for part in parts.into_iter().flatten() {
            if let (Value::Object(data), Value::Object(part)) = (&mut data, part) {
                data.extend(part.clone());
            }
        }
        data
    }
}

/// Announces something, to leave with the unit.
pub(super) async fn announce(
    unit: &mut Unit,
    topic: Topic,
    announcement: &Announcement,
) -> Result<(), Fault> {
    unit.announce(topic.word(), announcement).await
}

/// A delivery to a webhook that is to be sent at once.
pub(super) fn delivery(
    (webhook_id, organisation_id): (WebhookId, Option<OrganisationId>),
    topic: Topic,
    sequence: i64,
    lane: Uuid,
    (at, now): (&str, Instant),
    data: &Value,
) -> DeliveryRow {
    let id = DeliveryId::new();
    let body = json!({
        "id": message_id(id),
        "type": topic.word(),
        "timestamp": at,
        "sequence": sequence,
        "data": data,
        "caution": rights::CAUTION,
    });
    DeliveryRow {
        id,
        webhook_id,
        organisation_id,
        topic: topic.word().to_owned(),
        sequence,
        lane,
        body: body.to_string(),
        state: DeliveryState::Waiting.word().to_owned(),
        attempts_n: 0,
        next_at: now,
        created_at: now,
        delivered_at: None,
    }
}

/// The id by which a receiver knows a delivery.
pub(super) fn message_id(id: DeliveryId) -> String {
    format!("{ID_PREFIX}{id}")
}

/// Follows this service's own outbox.
pub struct Webhooks;

impl Follower for Webhooks {
    type App = ReleaseApp;
    const SOURCE: ServiceName = ServiceName::Release;

    async fn ask(
        transport: Authorised,
        request: ReadFeedRequest,
    ) -> Result<FeedPage, tonic::Status> {
        Ok(ReleaseClient::new(transport)
            .max_decoding_message_size(platform::skin::BATCH_BYTES)
            .read_feed(request)
            .await?
            .into_inner())
    }

    async fn take<'a>(
        _app: &'a ReleaseApp,
        unit: &'a mut Unit,
        event: &'a FeedEvent,
    ) -> Result<(), Fault> {
        let Some(topic) = Topic::from_word(&event.topic) else {
            return Ok(());
        };
        let told: Announcement = match serde_json::from_str(&event.payload) {
            Ok(told) => told,
            Err(error) => {
                tracing::warn!(feed.position = event.position, %error, "an announcement makes no sense");
                return Ok(());
            }
        };
        let (programme, now) = (unit.programme()?, Instant(unit.now()));
        let happened: Timestamp = event.at.parse().map_err(Fault::internal)?;
        let hooks =
            webhooks::subscribed(unit.connection(), programme, topic.word(), WAITING_MAX).await?;
        for hook in hooks {
            let owner = hook.organisation_id;
            let sees = match owner {
                // What happened before somebody asked to be told is not told.
                _ if happened < hook.created_at.0 => false,
                None => true,
                Some(_) if told.staff_only => false,
                Some(partner) => sees(unit, partner, &told).await?,
            };
            if !sees {
                continue;
            }
            if hook.full {
                miss(unit, hook.id).await?;
                continue;
            }
            let row = delivery(
                (hook.id, owner),
                topic,
                event.position,
                told.candidate_id,
                (&event.at, now),
                &told.told_to(owner),
            );
            webhooks::insert_delivery(unit.connection(), programme, &row).await?;
        }
        Ok(())
    }
}

/// Notes on a webhook that an event was not kept for it.
async fn miss(unit: &mut Unit, webhook: WebhookId) -> Result<(), Fault> {
    let programme = unit.programme()?;
    let missed_n = webhooks::miss(unit.connection(), programme, webhook).await?;
    if missed_n == 1 {
        tracing::warn!(
            webhook.id = %webhook,
            "{WAITING_MAX} events wait for a webhook; further ones are counted and not kept"
        );
    }
    Ok(())
}

/// Whether a partner sees what an announcement is about, as the database says.
async fn sees(
    unit: &mut Unit,
    partner: OrganisationId,
    told: &Announcement,
) -> Result<bool, Fault> {
    let programme = unit.programme()?;
    let own = Scope {
        programme: Some(programme),
        partner: Some(partner),
        across_programmes: false,
    };
    own.apply(unit.connection()).await?;
    let sees = webhooks::sees(unit.connection(), programme, told.subject, told.id).await?;
    // As the follower's unit began.
    let followers = Scope {
        programme: Some(programme),
        partner: None,
        across_programmes: true,
    };
    followers.apply(unit.connection()).await?;
    Ok(sees)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_partner_is_told_the_open_part_alone() {
        let told = Announcement::new(
            Subject::Licence,
            Uuid::nil(),
            CandidateId::new(),
            json!({ "number": "L-0001-A" }),
        )
        .for_staff(json!({ "reason": "late payer" }));
        let partner = told.told_to(Some(OrganisationId::new()));
        assert_eq!(partner["number"], "L-0001-A");
        assert!(!partner.to_string().contains("late payer"));
        assert_eq!(told.told_to(None)["reason"], "late payer");
    }
}
