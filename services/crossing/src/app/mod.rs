//! The use cases, one function each: they take the application, an open unit of work and what is
//! asked, and leave the transaction, the permission and the retry to the platform.

pub mod advice;
pub mod adviser;
pub mod audit;
pub mod bloom;
mod corrections;
pub mod crosses;
pub mod days;
mod entries;
pub mod feed;
pub mod following;
pub mod forecast;
pub mod fruit;
pub mod genetics;
pub mod germplasm;
pub mod import;
pub mod kept_forecasts;
pub mod labels;
pub mod mothers;
pub mod passes;
pub mod pedigree;
pub mod plants;
pub mod pollen;
pub mod pollinizers;
pub mod relatives;
pub mod results;
pub mod season_plan;
pub mod seasons;
pub mod seed;
pub mod seedlings;
pub mod weather;
pub mod winter;

use jiff::civil::Date;
use platform::Fields;

/// Longest name that is taken.
pub(crate) const NAME_CHARS: usize = 120;
/// Longest note that is taken.
pub(crate) const NOTE_CHARS: usize = 4000;

/// Notes a fault when a day lies ahead of today.
pub(crate) fn not_ahead(fields: &mut Fields, field: &str, on: Option<Date>, today: Date) {
    if let Some(on) = on
        && on > today
    {
        fields.fault(
            field,
            format!("{on} lies ahead of today, {today}; record what has happened"),
        );
    }
}

/// Notes a fault when a text that may be empty is too long.
pub(crate) fn at_most(fields: &mut Fields, field: &str, text: &str, chars: usize) {
    fields.require(
        text.chars().count() <= chars,
        field,
        format!("is longer than {chars} characters; shorten it"),
    );
}

/// A count as it is stored.
pub(crate) fn stored(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}
