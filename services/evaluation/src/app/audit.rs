//! Who wrote what in this service.

use contract::common::{AuditPage, ListAuditRequest};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Writes, newest first.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListAuditRequest,
) -> Result<AuditPage, Fault> {
    platform::audit::list(unit, request).await
}
