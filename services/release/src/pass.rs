//! One pass over the due dates of all candidates, apart from any request, so that it can be
//! measured against reading the same rows.

use jiff::civil::Date;
use platform::ProgrammeId;
use rights::RightsError;
use sqlx::PgConnection;

use crate::domain::dossier::Dossier;
use crate::store::dossiers;

/// What is on file about every candidate of a programme that has anything on file.
///
/// # Errors
/// When the database refuses.
pub async fn read(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<Dossier>, sqlx::Error> {
    let read = dossiers::dossiers(connection, programme, None).await?;
    Ok(read.into_iter().map(|(_, dossier)| dossier).collect())
}

/// How many dates are due over these candidates, each recomputed in every jurisdiction.
///
/// # Errors
/// When events on file contradict each other.
pub fn due_dates(dossiers: &[Dossier], as_of: Date) -> Result<usize, RightsError> {
    dossiers
        .iter()
        .map(|dossier| Ok(dossier.due(as_of)?.len()))
        .sum()
}
