//! Who wrote what in this service.

use contract::common::{AuditPage, ListAuditRequest};
use platform::{Fault, Unit};

use crate::CrossingApp;

/// Writes, newest first.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListAuditRequest,
) -> Result<AuditPage, Fault> {
    platform::audit::list(unit, request).await
}
