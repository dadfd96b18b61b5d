//! What the stages of evaluation came to.

use contract::evaluation::{ListStageSummariesRequest, StageSummary, StageSummaryList};
use platform::{Fault, Fields, Unit};

use crate::EvaluationApp;
use crate::store;

/// Trees looked at, entries and decisions by crossing year, season and stage.
///
/// # Errors
/// Invalid fields.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListStageSummariesRequest,
) -> Result<StageSummaryList, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let season =
        (request.season > 0).then(|| fields.count("season", request.season, 1950, 2200) as i16);
    fields.finish()?;
    let items: Vec<StageSummary> =
        store::summaries::stages(unit.connection(), programme, season).await?;
    Ok(StageSummaryList { items })
}
