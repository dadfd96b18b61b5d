//! Sealing and opening texts with the programme's secret.

use platform::database::{Instant, Scope};
use platform::{Fault, OrganisationId, ProgrammeId, Unit};
use rand::Rng as _;

use crate::domain::seal::{self, Sealed, Use};
use crate::store::links;

/// Seals `content` with the programme's secret, which is made when there is none.
pub async fn seal(unit: &mut Unit, purpose: Use, content: &[u8]) -> Result<String, Fault> {
    let (programme, now) = (unit.programme()?, unit.now());
    let mut fresh = [0_u8; 32];
    rand::rng().fill_bytes(&mut fresh);
    let secret = links::secret_or(unit.connection(), programme, &fresh, Instant(now)).await?;
    Ok(seal::seal(&secret, purpose, programme, content))
}

/// Opens a sealed text for somebody who need not be signed in. From then on the unit sees what
/// its programme's staff sees, so the caller must take no more from it than the text allows.
pub async fn open(
    unit: &mut Unit,
    purpose: Use,
    text: &str,
) -> Result<Option<(ProgrammeId, Vec<u8>)>, Fault> {
    let Some(sealed) = Sealed::read(text) else {
        return Ok(None);
    };
    let programme = sealed.programme();
    see(unit, programme, None).await?;
    let Some(secret) = links::secret(unit.connection(), programme).await? else {
        return Ok(None);
    };
    Ok(sealed
        .open(&secret, purpose)
        .map(|content| (programme, content.to_vec())))
}

/// Narrows what the unit sees to one programme, and to one partner's share of it.
pub async fn see(
    unit: &mut Unit,
    programme: ProgrammeId,
    partner: Option<OrganisationId>,
) -> Result<(), Fault> {
    Scope {
        programme: Some(programme),
        partner,
        across_programmes: false,
    }
    .apply(unit.connection())
    .await?;
    Ok(())
}
