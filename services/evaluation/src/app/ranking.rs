//! Interim.

use contract::evaluation::{GetRankingRequest, TrialRanking};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetRankingRequest,
) -> Result<TrialRanking, Fault> {
    Err(Fault::unavailable("not served yet"))
}
