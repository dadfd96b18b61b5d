//! Interim.

use contract::evaluation::{AdvanceList, SuggestAdvanceRequest};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn suggest(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: SuggestAdvanceRequest,
) -> Result<AdvanceList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
