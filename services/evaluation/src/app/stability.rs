//! Interim.

use contract::evaluation::{GetStabilityRequest, TrialStability};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetStabilityRequest,
) -> Result<TrialStability, Fault> {
    Err(Fault::unavailable("not served yet"))
}
