//! Interim.

use contract::evaluation::{
    DecideEntriesRequest, DecisionList, DecisionReply, ListDecisionsRequest,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn decide(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: DecideEntriesRequest,
) -> Result<DecisionReply, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListDecisionsRequest,
) -> Result<DecisionList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
