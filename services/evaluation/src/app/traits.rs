//! Interim.

use contract::evaluation::{
    AddStandardTraitsRequest, DefineTraitRequest, GetTraitRequest, ListTraitsRequest,
    TraitDefinition, TraitList,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn define(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: DefineTraitRequest,
) -> Result<TraitDefinition, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn add_standard(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: AddStandardTraitsRequest,
) -> Result<TraitList, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListTraitsRequest,
) -> Result<TraitList, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetTraitRequest,
) -> Result<TraitDefinition, Fault> {
    Err(Fault::unavailable("not served yet"))
}
