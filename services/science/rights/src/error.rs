//! What can be wrong with a question about rights, said with the field and the remedy.

use jiff::civil::Date;

/// A question that cannot be answered as put. Every message names the field, the value and the
/// remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RightsError {
    /// No rules are held for this jurisdiction.
    #[error(
        "jurisdiction: `{value}` is not covered, and its law is never guessed; covered are {covered}"
    )]
    UnknownJurisdiction {
        /// The word that was given.
        value: String,
        /// Covered jurisdictions, for a reader.
        covered: String,
    },
    /// The jurisdiction has no right of this kind.
    #[error("kind: `{value}` is not a right known in {jurisdiction}; use one of {covered}")]
    UnknownKind {
        /// The word that was given.
        value: String,
        /// Code of the jurisdiction asked about.
        jurisdiction: String,
        /// Kinds known there.
        covered: String,
    },
    /// The event word is not known.
    #[error("{field}: `{value}` is not an event known here; use one of {known}")]
    UnknownEvent {
        /// Path of the field.
        field: String,
        /// The word that was given.
        value: String,
        /// Words that are known.
        known: String,
    },
    /// The country is not an ISO 3166-1 alpha-2 code.
    #[error(
        "{field}: `{value}` is not an ISO 3166-1 two-letter country code; give one such as US, CL or ES{hint}"
    )]
    UnknownCountry {
        /// Path of the field.
        field: String,
        /// The word that was given.
        value: String,
        /// A likely correction, or nothing.
        hint: &'static str,
    },
    /// A sale or transfer starts different clocks at home and abroad, so its country is needed.
    #[error(
        "{field}: `{event}` has no country, and the clocks it starts differ at home and abroad; give its two-letter country code"
    )]
    SaleWithoutCountry {
        /// Path of the field.
        field: String,
        /// The event word.
        event: String,
    },
    /// The convention itself has no territory of its own.
    #[error(
        "{field}: {jurisdiction} has no territory of its own, so home and abroad cannot be told for `{event}`; use first_sale_home or first_sale_abroad, or give the attribute home_country"
    )]
    NoTerritory {
        /// Path of the field.
        field: String,
        /// The event word.
        event: String,
        /// Code of the jurisdiction asked about.
        jurisdiction: String,
    },
    /// The date is so far off that it is taken for a slip.
    #[error("{field}: {value} lies outside {earliest} to {latest}; check the year")]
    DateOutOfRange {
        /// Path of the field.
        field: String,
        /// The date that was given.
        value: Date,
        /// Earliest accepted date.
        earliest: Date,
        /// Latest accepted date.
        latest: Date,
    },
    /// An event precedes one that must come before it.
    #[error(
        "{field}: {later} on {later_on} comes before {earlier} on {earlier_on}; correct one of the two dates"
    )]
    OutOfOrder {
        /// Path of the field of the event that should be the later.
        field: String,
        /// The event that should be the later.
        later: &'static str,
        /// Its date.
        later_on: Date,
        /// The event that should be the earlier.
        earlier: &'static str,
        /// Its date.
        earlier_on: Date,
    },
    /// An event that happens once is given with two dates.
    #[error(
        "{field}: {event} is given on both {first} and {second}; it happens once, keep one date"
    )]
    RepeatedEvent {
        /// Path of the field.
        field: String,
        /// The event.
        event: &'static str,
        /// One date.
        first: Date,
        /// The other date.
        second: Date,
    },
    /// An attribute word or its value is not understood.
    #[error("attributes.{field}: `{value}` is not understood; {remedy}")]
    BadAttribute {
        /// The attribute.
        field: String,
        /// The value that was given.
        value: String,
        /// What to give instead.
        remedy: String,
    },
    /// The question word is not known.
    #[error("question: `{value}` is not known; use one of {known}")]
    UnknownQuestion {
        /// The word that was given.
        value: String,
        /// Words that are known.
        known: String,
    },
    /// A filing, grant or fee belongs to one jurisdiction, which was not told.
    #[error("{field}: `{event}` has no jurisdiction; say where, by its code")]
    WithoutJurisdiction {
        /// Path of the field.
        field: String,
        /// The event word.
        event: String,
    },
    /// A filing, grant or fee in a jurisdiction with several rights, of which none was named.
    #[error(
        "{field}: {jurisdiction} has several rights and `{event}` names none; use one of {covered}"
    )]
    WithoutKind {
        /// Path of the field.
        field: String,
        /// The event word.
        event: String,
        /// Code of the jurisdiction.
        jurisdiction: String,
        /// Kinds known there.
        covered: String,
    },
    /// A text is missing that the answer needs.
    #[error("{field}: is empty; {remedy}")]
    Empty {
        /// Path of the field.
        field: String,
        /// What to give.
        remedy: &'static str,
    },
    /// A jurisdiction file does not hold together.
    #[error("rules of {place}: {problem}")]
    BadRules {
        /// File, route or version.
        place: String,
        /// What is wrong and how to put it right.
        problem: String,
    },
}

impl RightsError {
    /// Path of the field to correct in the question that was put; none when the rules themselves
    /// are at fault.
    pub fn field(&self) -> Option<String> {
        Some(match self {
            Self::UnknownJurisdiction { .. } => "jurisdiction".to_owned(),
            Self::UnknownKind { .. } => "kind".to_owned(),
            Self::UnknownQuestion { .. } => "question".to_owned(),
            Self::BadAttribute { field, .. } => format!("attributes.{field}"),
            Self::UnknownEvent { field, .. }
            | Self::UnknownCountry { field, .. }
            | Self::SaleWithoutCountry { field, .. }
            | Self::NoTerritory { field, .. }
            | Self::DateOutOfRange { field, .. }
            | Self::OutOfOrder { field, .. }
            | Self::RepeatedEvent { field, .. }
            | Self::WithoutJurisdiction { field, .. }
            | Self::WithoutKind { field, .. }
            | Self::Empty { field, .. } => field.clone(),
            Self::BadRules { .. } => return None,
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::{Attributes, clock};

    #[test]
    fn every_message_of_a_question_begins_with_its_field() {
        let refused = clock("Atlantis", "pbr", &[], &Attributes::default()).unwrap_err();
        assert_eq!(refused.field().as_deref(), Some("jurisdiction"));
        let told = Attributes {
            shortened_months: Some(7),
            ..Attributes::default()
        };
        let refused = clock("US", "plant_patent", &[], &told).unwrap_err();
        assert_eq!(
            refused.field().as_deref(),
            Some("attributes.shortened_months")
        );
        assert!(
            refused
                .to_string()
                .starts_with("attributes.shortened_months: `7`")
        );
    }
}
