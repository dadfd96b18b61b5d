//! Interim.

use contract::evaluation::{AssessorComparison, CompareAssessorsRequest};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn compare(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: CompareAssessorsRequest,
) -> Result<AssessorComparison, Fault> {
    Err(Fault::unavailable("not served yet"))
}
