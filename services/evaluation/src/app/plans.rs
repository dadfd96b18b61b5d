//! Interim.

use contract::evaluation::{PlanSelectionRequest, SelectionPlan};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn plan(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: PlanSelectionRequest,
) -> Result<SelectionPlan, Fault> {
    Err(Fault::unavailable("not served yet"))
}
