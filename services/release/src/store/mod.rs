//! SQL, and the private shapes of rows.

pub mod agreements;
pub mod candidates;
pub mod denominations;
pub mod dossiers;
pub mod gates;
pub mod licences;
pub mod links;
pub mod material;
pub mod pipeline;
pub mod reports;
pub mod royalties;

use platform::ProgrammeId;
use platform::numbering::with_check_character;
use sqlx::PgConnection;

/// The next number of a series, such as `L-0007` with its check character; never given twice.
pub async fn next_number(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    kind: &str,
    letter: char,
) -> Result<String, sqlx::Error> {
    let n: i64 = sqlx::query_scalar(
        "insert into number_series (programme_id, kind, last_n) values ($1, $2, 1) \
         on conflict (programme_id, kind) do update set last_n = number_series.last_n + 1 \
         returning last_n",
    )
    .bind(programme)
    .bind(kind)
    .fetch_one(connection)
    .await?;
    Ok(with_check_character(&format!("{letter}-{n:04}")))
}
