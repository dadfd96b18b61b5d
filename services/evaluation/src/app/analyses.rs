//! Interim.

use contract::evaluation::{
    Analysis, AnalysisList, GetAnalysisRequest, ListAnalysesRequest, RequestAnalysisRequest,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn request(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: RequestAnalysisRequest,
) -> Result<Analysis, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetAnalysisRequest,
) -> Result<Analysis, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListAnalysesRequest,
) -> Result<AnalysisList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
