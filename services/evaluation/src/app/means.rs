//! Interim.

use contract::evaluation::{GetMeansRequest, GetTreeValuesRequest, TreeValueList, TrialMeans};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetMeansRequest,
) -> Result<TrialMeans, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn tree_values(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetTreeValuesRequest,
) -> Result<TreeValueList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
