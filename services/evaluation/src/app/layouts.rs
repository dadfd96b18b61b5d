//! Interim.

use contract::common::Document;
use contract::evaluation::{
    GetLayoutCsvRequest, GetLayoutRequest, LayOutTrialRequest, TrialLayout, TryDesignRequest,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn lay_out(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: LayOutTrialRequest,
) -> Result<TrialLayout, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetLayoutRequest,
) -> Result<TrialLayout, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn csv(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetLayoutCsvRequest,
) -> Result<Document, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn try_design(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: TryDesignRequest,
) -> Result<TrialLayout, Fault> {
    Err(Fault::unavailable("not served yet"))
}
