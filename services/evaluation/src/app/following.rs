//! What the crossing house announces, taken in: a tree has one story.

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use contract::crossing::crossing_client::CrossingClient;
use platform::feed::Follower;
use platform::peers::{Authorised, ServiceName};
use platform::{Fault, Unit};
use serde::Deserialize;

use super::trees;
use crate::EvaluationApp;
use crate::domain::trial::TreeEventWord;

/// Topic under which the crossing house announces seedlings that died.
const SEEDLINGS_DIED: &str = "seedlings.died";
/// The cause of death of what was taken out on purpose.
const CULLED: &str = "culled";

/// A seedling that died, as the crossing house tells it.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Told {
    seedling_id: String,
    on: String,
    cause: String,
}

/// Follows the crossing service.
pub struct Seedlings;

impl Follower for Seedlings {
    type App = EvaluationApp;
    const SOURCE: ServiceName = ServiceName::Crossing;

    async fn ask(
        transport: Authorised,
        request: ReadFeedRequest,
    ) -> Result<FeedPage, tonic::Status> {
        Ok(CrossingClient::new(transport)
            .read_feed(request)
            .await?
            .into_inner())
    }

    async fn take<'a>(
        _app: &'a EvaluationApp,
        unit: &'a mut Unit,
        event: &'a FeedEvent,
    ) -> Result<(), Fault> {
        if event.topic != SEEDLINGS_DIED {
            return Ok(());
        }
        let told: Told = serde_json::from_str(&event.payload).map_err(Fault::internal)?;
        let (Ok(plant), Ok(on)) = (told.seedling_id.parse(), told.on.parse()) else {
            tracing::warn!(
                feed.position = event.position,
                ?told,
                "an announcement makes no sense"
            );
            return Ok(());
        };
        let kind = if told.cause == CULLED {
            TreeEventWord::Removed
        } else {
            TreeEventWord::Died
        };
        let reason = format!("the seedling died: {}", told.cause.replace('_', " "));
        trees::follow_seedling(unit, plant, kind, on, reason).await
    }
}
