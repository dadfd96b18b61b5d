//! Interim.

use contract::evaluation::{
    GetTrialRequest, ListTrialsRequest, OpenTrialRequest, Trial, TrialList,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn open(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: OpenTrialRequest,
) -> Result<Trial, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListTrialsRequest,
) -> Result<TrialList, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetTrialRequest,
) -> Result<Trial, Fault> {
    Err(Fault::unavailable("not served yet"))
}
