//! Interim.

use contract::evaluation::{ComputeSelectionIndexRequest, SelectionIndex};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn compute(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ComputeSelectionIndexRequest,
) -> Result<SelectionIndex, Fault> {
    Err(Fault::unavailable("not served yet"))
}
