//! The SQL. Rows are private to each module and leave it as domain types or messages.

pub mod analyses;
pub mod decisions;
pub mod photos;
pub mod records;
pub mod sites;
pub mod summaries;
pub mod traits;
pub mod trees;
pub mod trials;

use platform::Fault;
use platform::fields::Words;
use sqlx::PgConnection;

/// A stored word as its value.
pub(crate) fn word<T: Words>(stored: &str) -> Result<T, Fault> {
    T::from_word(stored).ok_or_else(|| Fault::internal(UnknownWord(stored.to_owned())))
}

#[derive(Debug, thiserror::Error)]
#[error("the database holds the word {0:?}, which this version does not know")]
struct UnknownWord(String);

/// A count as the contract carries it.
pub(crate) fn count(n: i64) -> u32 {
    u32::try_from(n).unwrap_or(0)
}

/// A date as the contract carries it; empty when there is none.
pub(crate) fn day_text(day: Option<platform::database::Day>) -> String {
    day.map(|day| day.0.to_string()).unwrap_or_default()
}

/// An id as the contract carries it; empty when there is none.
pub(crate) fn id_text<T>(id: Option<platform::ids::Id<T>>) -> String {
    id.map(|id| id.to_string()).unwrap_or_default()
}

/// What may grow by much at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Growth {
    /// Records.
    Records,
    /// Trees and entries.
    Trees,
}

/// Rows at once after which the planner is told anew how many there are.
const LARGE: usize = 2000;

/// Tells the planner how large the tables are now, when so many rows at once are many: until then it
/// reckons with what they were before the batch.
pub async fn refresh_statistics(
    connection: &mut PgConnection,
    growth: Growth,
    grown_n: usize,
) -> Result<(), Fault> {
    if grown_n < LARGE {
        return Ok(());
    }
    let of = match growth {
        Growth::Records => "records",
        Growth::Trees => "trees",
    };
    sqlx::query("select refresh_statistics($1, $2)")
        .bind(of)
        .bind(grown_n as i64)
        .execute(connection)
        .await?;
    Ok(())
}
