//! What the trials announce, taken in: a tree has one story.

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use contract::evaluation::evaluation_client::EvaluationClient;
use platform::feed::Follower;
use platform::peers::{Authorised, ServiceName};
use platform::{Fault, Unit};
use serde::Deserialize;

use super::seedlings::{self, InTrial};
use crate::CrossingApp;
use crate::domain::{DeathCause, SeedlingEventKind};

/// Topic under which the trials announce what became of plants.
const PLANTS_ENDED: &str = "plants.ended";

/// What became of a plant, as the trials tell it.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Told {
    germplasm_id: String,
    what: String,
    trial: String,
    reason: String,
    on: String,
}

/// Follows the evaluation service.
pub struct Trials;

impl Follower for Trials {
    type App = CrossingApp;
    const SOURCE: ServiceName = ServiceName::Evaluation;

    async fn ask(
        transport: Authorised,
        request: ReadFeedRequest,
    ) -> Result<FeedPage, tonic::Status> {
        Ok(EvaluationClient::new(transport)
            .read_feed(request)
            .await?
            .into_inner())
    }

    async fn take<'a>(
        _app: &'a CrossingApp,
        unit: &'a mut Unit,
        event: &'a FeedEvent,
    ) -> Result<(), Fault> {
        if event.topic != PLANTS_ENDED {
            return Ok(());
        }
        let told: Told = serde_json::from_str(&event.payload).map_err(Fault::internal)?;
        let became = match told.what.as_str() {
            "died" => Some((SeedlingEventKind::Died, Some(DeathCause::Unknown))),
            "removed" => Some((SeedlingEventKind::Died, Some(DeathCause::Culled))),
            "discarded" => Some((SeedlingEventKind::Discarded, None)),
            "kept" => Some((SeedlingEventKind::Kept, None)),
            _ => None,
        };
        let (Ok(plant), Ok(on), Some((kind, cause))) =
            (told.germplasm_id.parse(), told.on.parse(), became)
        else {
            tracing::warn!(
                feed.position = event.position,
                ?told,
                "an announcement makes no sense"
            );
            return Ok(());
        };
        let note = format!("trial {}: {}", told.trial, told.reason);
        let in_trial = InTrial {
            plant,
            kind,
            cause,
            on,
            note,
        };
        seedlings::follow(unit, in_trial).await
    }
}
