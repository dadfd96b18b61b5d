//! What the trials announce, taken in.

use contract::common::{FeedEvent, FeedPage, ReadFeedRequest};
use contract::evaluation::evaluation_client::EvaluationClient;
use platform::feed::Follower;
use platform::fields::Words as _;
use platform::peers::{Authorised, ServiceName};
use platform::{Fault, Unit};
use serde::Deserialize;

use super::candidates::{self, Advanced};
use crate::ReleaseApp;
use crate::domain::stage::Stage;

/// Topic under which the trials announce trees that go on.
const TREES_ADVANCED: &str = "trees.advanced";

/// A tree that goes on, as the trials tell it.
#[derive(Debug, Deserialize)]
#[serde(default)]
#[derive(Default)]
struct Told {
    germplasm_id: String,
    number: String,
    name: String,
    to_stage: String,
    trial_id: String,
    reason: String,
    on: String,
}

/// Follows the evaluation service.
pub struct Trials;

impl Follower for Trials {
    type App = ReleaseApp;
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
        app: &'a ReleaseApp,
        unit: &'a mut Unit,
        event: &'a FeedEvent,
    ) -> Result<(), Fault> {
        if event.topic != TREES_ADVANCED {
            return Ok(());
        }
        // One tree to an announcement, or several.
        let value: serde_json::Value =
            serde_json::from_str(&event.payload).map_err(Fault::internal)?;
        let trees = match value {
            serde_json::Value::Array(trees) => trees,
            one => vec![one],
        };
        for tree in trees {
            let told: Told = serde_json::from_value(tree).map_err(Fault::internal)?;
            let (Ok(plant), Some(to), Ok(on)) = (
                told.germplasm_id.parse(),
                Stage::from_word(&told.to_stage),
                told.on.parse(),
            ) else {
                tracing::warn!(
                    feed.position = event.position,
                    ?told,
                    "an announcement makes no sense"
                );
                continue;
            };
            let reason = if told.reason.is_empty() {
                "advanced in trial".to_owned()
            } else {
                told.reason
            };
            let evidence = if told.trial_id.is_empty() {
                String::new()
            } else {
                format!("trial {}", told.trial_id)
            };
            let advanced = Advanced {
                plant,
                number: told.number,
                name: told.name,
                to,
                on,
                reason,
                evidence,
            };
            candidates::follow(app, unit, advanced).await?;
        }
        Ok(())
    }
}
