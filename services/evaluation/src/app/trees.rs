//! Interim.

use contract::evaluation::{GetTreeRequest, RecordTreeEventRequest, TreeEvent, TrialTree};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn record_event(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: RecordTreeEventRequest,
) -> Result<TreeEvent, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetTreeRequest,
) -> Result<TrialTree, Fault> {
    Err(Fault::unavailable("not served yet"))
}
