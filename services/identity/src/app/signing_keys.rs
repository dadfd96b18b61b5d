//! Revoking the keys that tokens are signed with.

use contract::identity::{RevokeSigningKeysRequest, SigningKeysRevoked};
use platform::{Fault, Unit};

use super::people::setup_key_holds;
use crate::IdentityApp;

/// Revokes signing keys. Another key signs from then on; every service refuses what the revoked ones
/// signed within about a second.
pub async fn revoke(
    app: &IdentityApp,
    unit: &mut Unit,
    request: RevokeSigningKeysRequest,
) -> Result<SigningKeysRevoked, Fault> {
    setup_key_holds(app, &request.setup_key)?;
    let only = (!request.key_id.is_empty()).then_some(request.key_id.as_str());
    let revoked = unit
        .without_connection(app.keys.revoke(&app.context, only, "the set-up key"))
        .await?;
    if revoked.is_empty() {
        return Err(Fault::not_found("signing key", &request.key_id));
    }
    for id in &revoked {
        unit.touch("signing_key", id);
    }
    tracing::warn!(keys = ?revoked, "signing keys were revoked");
    Ok(SigningKeysRevoked { key_ids: revoked })
}
