//! Who wrote what in this service.

use contract::common::{AuditPage, ListAuditRequest};
use platform::{Fault, Unit};

use crate::IdentityApp;

/// Writes, newest first.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: ListAuditRequest,
) -> Result<AuditPage, Fault> {
    platform::audit::list(unit, request).await
}
