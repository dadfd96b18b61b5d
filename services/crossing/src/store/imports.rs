//! What was answered before, for imports.

use std::collections::HashMap;

use platform::{Fault, Unit};

/// Fingerprints of requests with one of these ids that were answered before, by operation and id.
///
/// # Errors
/// When the database does not answer.
pub async fn answered(
    unit: &mut Unit,
    ids: &[String],
) -> Result<HashMap<(String, String), Vec<u8>>, Fault> {
    let programme = unit.programme()?;
    let keys: Vec<String> = ids.iter().map(|id| format!("id:{id}")).collect();
    let rows: Vec<(String, String, Vec<u8>)> = sqlx::query_as(
        "select operation, key, fingerprint from retry where programme_id = $1 and key = any($2)",
    )
    .bind(programme)
    .bind(keys)
    .fetch_all(unit.connection())
    .await?;
    Ok(rows
        .into_iter()
        .map(|(operation, key, fingerprint)| {
            let id = key.strip_prefix("id:").unwrap_or(&key).to_owned();
            ((operation, id), fingerprint)
        })
        .collect())
}
