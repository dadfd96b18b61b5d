//! Interim.

use contract::evaluation::{ListStageSummariesRequest, StageSummaryList};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListStageSummariesRequest,
) -> Result<StageSummaryList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
