//! The SQL. Rows are private to each module and leave it as domain types or messages.

pub mod analyses;
pub mod decisions;
pub mod figures;
pub mod photos;
pub mod records;
pub mod sites;
pub mod summaries;
pub mod traits;
pub mod trees;
pub mod trials;

use platform::Fault;
use platform::fields::Words;

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
