//! Interim.

use contract::evaluation::{AddPhotoRequest, ListPhotosRequest, TreePhoto, TreePhotoList};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn add(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: AddPhotoRequest,
) -> Result<TreePhoto, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListPhotosRequest,
) -> Result<TreePhotoList, Fault> {
    Err(Fault::unavailable("not served yet"))
}
