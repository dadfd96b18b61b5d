//! Sealing and opening texts with the programme's secret, which stays in the database.

use platform::database::Scope;
use platform::{Fault, OrganisationId, ProgrammeId, Unit};

use crate::domain::seal::{Sealed, Use};
use crate::store::links;

/// Seals `content` with the programme's secret.
pub async fn seal(unit: &mut Unit, purpose: Use, content: &[u8]) -> Result<String, Fault> {
    let programme = unit.programme()?;
    let tag = links::seal(unit.connection(), purpose, content)
        .await?
        .ok_or_else(|| Fault::forbidden("this is not yours to seal"))?;
    let sealed = Sealed {
        programme,
        content: content.to_vec(),
        tag,
    };
    Ok(sealed.written())
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
    if !links::seal_holds(unit.connection(), purpose, &sealed).await? {
        return Ok(None);
    }
    see(unit, sealed.programme, None).await?;
    Ok(Some((sealed.programme, sealed.content)))
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
