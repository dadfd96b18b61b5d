//! What requests of several use cases have in common.

use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::paging::Page;
use platform::{Fault, FieldError, Fields, Unit};
use rights::{CountryCode, EventKind, RightsError};

use crate::domain::dossier::Dossier;
use crate::domain::{CandidateId, LicenceId};
use crate::store::candidates::{self, CandidateRow};
use crate::store::dossiers::{self, Heading};

/// A day on which something happened. A day known in advance, such as an announced date of issue,
/// may lie up to a year ahead; farther off it is taken for a slip.
pub fn happened(fields: &mut Fields, field: &str, value: &str, today: Date) -> Option<Date> {
    let on = fields.date(field, value)?;
    let latest = today.saturating_add(1.year());
    if on > latest {
        fields.fault(
            field,
            format!("{on} is more than a year ahead; check the year, and ask what-if for plans"),
        );
        return None;
    }
    Some(on)
}

/// A period by its first and its last day.
pub fn period(fields: &mut Fields, start: &str, end: &str) -> Option<(Date, Date)> {
    let start = fields.date("period_start", start);
    let end = fields.date("period_end", end);
    let (start, end) = (start?, end?);
    fields.require(
        end >= start,
        "period_end",
        format!("comes before the start, {start}"),
    );
    Some((start, end))
}

/// A page of what lies under one licence, or under all when none is named.
pub fn page_under(
    limit: u32,
    cursor: &str,
    licence_id: &str,
) -> Result<(Page, Option<LicenceId>), Fault> {
    let page = Page::parse(limit, cursor)?;
    let mut fields = Fields::new();
    let licence = fields.optional_id("licence_id", licence_id);
    fields.finish()?;
    Ok((page, licence))
}

/// A country's code, or none when the text is empty.
pub fn country(fields: &mut Fields, field: &str, value: &str) -> Option<CountryCode> {
    if value.is_empty() {
        return None;
    }
    let read = CountryCode::read(value);
    if read.is_none() {
        fields.fault(
            field,
            format!("{value:?} is not an ISO 3166-1 two-letter country code; give one such as US, CL or ES"),
        );
    }
    read
}

/// The word of a disclosure, in the form in which it is kept.
pub fn disclosure_kind(fields: &mut Fields, value: &str) -> Option<EventKind> {
    // Home and abroad are relative to one jurisdiction; a candidate's sale names its country.
    let told = EventKind::from_word(value).filter(|kind| {
        kind.is_disclosure()
            && !matches!(kind, EventKind::FirstSaleHome | EventKind::FirstSaleAbroad)
    });
    if told.is_none() {
        let known: Vec<_> = EventKind::ALL
            .iter()
            .filter(|kind| {
                kind.is_disclosure()
                    && !matches!(kind, EventKind::FirstSaleHome | EventKind::FirstSaleAbroad)
            })
            .map(|kind| kind.word())
            .collect();
        let message = if value.is_empty() {
            format!("is required; one of {}", known.join(", "))
        } else {
            format!("{value:?} is not known; one of {}", known.join(", "))
        };
        fields.fault("kind", message);
    }
    told
}

/// Where the clocks of an event differ at home and abroad, its country must be told.
pub fn require_country(fields: &mut Fields, kind: EventKind, given: &str) {
    fields.require(
        !(kind.needs_country() && given.is_empty()),
        "country",
        format!(
            "{} has no country, and the clocks it starts differ at home and abroad; give its two-letter country code",
            kind.word()
        ),
    );
}

/// A question about rights that cannot be answered, as a fault of the request's field. The
/// message of such an error begins with the field's path.
pub fn rights_fault(error: &RightsError) -> Fault {
    let text = error.to_string();
    match text.split_once(": ") {
        Some((path, message)) if !path.contains(' ') => Fault::field(pointer(path), message),
        _ => Fault::field("", text),
    }
}

/// The same for an event that is being added to those on file: whatever the rules find wrong with
/// the list is a fault of the new event, since the list was sound before.
pub fn fault_of_new_event(error: &RightsError) -> Fault {
    let text = error.to_string();
    let (path, message) = text.split_once(": ").unwrap_or(("", &text));
    let field = match path.rsplit('.').next() {
        Some(field @ ("country" | "kind" | "jurisdiction" | "on")) => field,
        Some("event") => "kind",
        _ => "on",
    };
    Fault::field(format!("/{field}"), message)
}

fn pointer(path: &str) -> String {
    let mut pointer = String::from("/");
    for character in path.chars() {
        match character {
            '.' | '[' => pointer.push('/'),
            ']' => {}
            other => pointer.push(other),
        }
    }
    pointer
}

/// The candidate named, locked so that what depends on it is written in turn.
pub async fn locked_candidate(unit: &mut Unit, id: &str) -> Result<CandidateRow, Fault> {
    let id = candidate_id(id)?;
    let programme = unit.programme()?;
    candidates::lock(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("candidate", id))
}

/// The candidate named.
pub async fn candidate(unit: &mut Unit, id: &str) -> Result<CandidateRow, Fault> {
    let id = candidate_id(id)?;
    let programme = unit.programme()?;
    candidates::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("candidate", id))
}

fn candidate_id(id: &str) -> Result<CandidateId, Fault> {
    let mut fields = Fields::new();
    let parsed = fields.id("candidate_id", id);
    fields.finish()?;
    parsed.ok_or_else(|| Fault::not_found("candidate", id))
}

/// What is on file about one candidate.
pub async fn dossier(unit: &mut Unit, id: CandidateId) -> Result<(Heading, Dossier), Fault> {
    let programme = unit.programme()?;
    dossiers::dossiers(unit.connection(), programme, Some(&[id]))
        .await?
        .into_iter()
        .next()
        .ok_or_else(|| Fault::not_found("candidate", id))
}

/// The day as of which something is asked; today when left out.
pub fn as_of(fields: &mut Fields, value: &str, today: Date) -> Date {
    fields.optional_date("as_of", value).unwrap_or(today)
}

/// Faults when a value that was checked before is missing, which [`Fields::finish`] rules out.
pub fn checked<T>(value: Option<T>, field: &str) -> Result<T, Fault> {
    value.ok_or_else(|| Fault::invalid(vec![FieldError::new(format!("/{field}"), "is required")]))
}

/// Words of some values, for messages.
pub fn listed<T: platform::fields::Words>(values: &[T]) -> String {
    if values.is_empty() {
        return "nothing".to_owned();
    }
    values
        .iter()
        .map(|value| value.word())
        .collect::<Vec<_>>()
        .join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_becomes_a_pointer() {
        assert_eq!(pointer("events[2].country"), "/events/2/country");
        assert_eq!(pointer("jurisdiction"), "/jurisdiction");
        let unknown = rights::clock("XX", "pbr", &[], &rights::Attributes::default()).unwrap_err();
        assert_eq!(rights_fault(&unknown).errors()[0].pointer, "/jurisdiction");
    }
}
