//! Interim.

use contract::evaluation::{GetSiteRequest, ListSitesRequest, RegisterSiteRequest, Site, SiteList};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn register(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: RegisterSiteRequest,
) -> Result<Site, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListSitesRequest,
) -> Result<SiteList, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn get(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: GetSiteRequest,
) -> Result<Site, Fault> {
    Err(Fault::unavailable("not served yet"))
}
