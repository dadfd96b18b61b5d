//! Reading a client's events: words, countries and days, and the order they must stand in.

use jiff::civil::Date;

use crate::RightsError;
use crate::book::{Family, Jurisdiction, RouteRules};
use crate::calendar::{EARLIEST_EVENT, LATEST_EVENT};
use crate::country::{CountryCode, Place};
use crate::event::{Attributes, Event, EventInput, EventKind};

impl Jurisdiction {
    /// Reads a client's events as this jurisdiction sees them.
    ///
    /// # Errors
    /// Unknown words and countries, a sale without a country, a date out of range.
    pub fn read_events(
        &self,
        route: &RouteRules,
        events: &[EventInput],
        attributes: &Attributes,
    ) -> Result<Vec<Event>, RightsError> {
        let home = match &attributes.home_country {
            Some(code) => Some(
                CountryCode::read(code)
                    .ok_or_else(|| unknown_country("attributes.home_country".to_owned(), code))?,
            ),
            None => None,
        };
        events
            .iter()
            .enumerate()
            .map(|(index, event)| self.read_event(route, index, event, home))
            .collect()
    }

    fn read_event(
        &self,
        route: &RouteRules,
        index: usize,
        event: &EventInput,
        home: Option<CountryCode>,
    ) -> Result<Event, RightsError> {
        let field = |name: &str| format!("events[{index}].{name}");
        check_day(event.on, || field("on"))?;
        let word = event.event.as_str();
        let given = read_country(event.country.as_deref(), || field("country"))?;
        let (kind, country) = self
            .understand(route, word, given)
            .ok_or_else(|| unknown_event(field("event"), word))?;
        let place = match (kind, country) {
            (EventKind::FirstSaleHome, _) => Some(Place::Home),
            (EventKind::FirstSaleAbroad, _) => Some(Place::Abroad),
            (kind, None) if kind.needs_country() => {
                return Err(RightsError::SaleWithoutCountry {
                    field: field("country"),
                    event: word.to_owned(),
                });
            }
            (_, None) => None,
            (kind, Some(country)) => {
                let seen = self.place_of(country, event.on).or_else(|| {
                    home.map(|home| {
                        if home == country {
                            Place::Home
                        } else {
                            Place::Abroad
                        }
                    })
                });
                if seen.is_none() && kind.needs_country() {
                    return Err(RightsError::NoTerritory {
                        field: field("country"),
                        event: word.to_owned(),
                        jurisdiction: self.code.clone(),
                    });
                }
                seen
            }
        };
        Ok(Event {
            kind,
            on: event.on,
            place,
            index,
        })
    }

    /// The event and country a word stands for, seen from here.
    fn understand(
        &self,
        route: &RouteRules,
        word: &str,
        given: Option<CountryCode>,
    ) -> Option<(EventKind, Option<CountryCode>)> {
        if let Some(kind) = EventKind::from_word(word) {
            return Some((kind, given));
        }
        if word == "own_first_sale" {
            // For a patent a sale anywhere discloses, so its country need not be told.
            let anywhere = route.family == Family::Patent && given.is_none();
            let kind = if anywhere {
                EventKind::FirstDisclosure
            } else {
                EventKind::FirstSale
            };
            return Some((kind, given));
        }
        if let Some(filed_in) = word
            .strip_suffix("_filed")
            .or_else(|| word.strip_suffix("_filing"))
        {
            let here = self.is_named(filed_in);
            let elsewhere = CountryCode::read_loosely(filed_in).is_some();
            return match (here, elsewhere) {
                (true, _) => Some((EventKind::Filing, given)),
                (false, true) => Some((EventKind::ForeignPbrFiling, given)),
                (false, false) => None,
            };
        }
        let sold_in = word.strip_suffix("_sale")?;
        if let Some(outside) = sold_in.strip_prefix("outside_") {
            return self
                .is_named(outside)
                .then_some((EventKind::FirstSaleAbroad, given));
        }
        if self.is_named(sold_in) {
            return Some((EventKind::FirstSaleHome, given));
        }
        CountryCode::read_loosely(sold_in).map(|country| (EventKind::FirstSale, Some(country)))
    }
}

/// Refuses a day so far off that it is taken for a slip.
pub(crate) fn check_day(on: Date, field: impl Fn() -> String) -> Result<(), RightsError> {
    if (EARLIEST_EVENT..=LATEST_EVENT).contains(&on) {
        return Ok(());
    }
    Err(RightsError::DateOutOfRange {
        field: field(),
        value: on,
        earliest: EARLIEST_EVENT,
        latest: LATEST_EVENT,
    })
}

/// The country a client named, if any.
pub(crate) fn read_country(
    code: Option<&str>,
    field: impl Fn() -> String,
) -> Result<Option<CountryCode>, RightsError> {
    match code.map(str::trim).filter(|code| !code.is_empty()) {
        Some(code) => CountryCode::read(code)
            .map(Some)
            .ok_or_else(|| unknown_country(field(), code)),
        None => Ok(None),
    }
}

pub(crate) fn unknown_event(field: String, word: &str) -> RightsError {
    let known: Vec<_> = EventKind::ALL.iter().map(|kind| kind.word()).collect();
    RightsError::UnknownEvent {
        field,
        value: word.to_owned(),
        known: known.join(", "),
    }
}

fn unknown_country(field: String, code: &str) -> RightsError {
    let hint = if code.eq_ignore_ascii_case("UK") {
        "; for the United Kingdom give GB"
    } else {
        ""
    };
    RightsError::UnknownCountry {
        field,
        value: code.to_owned(),
        hint,
    }
}

/// Pairs of events of which the first cannot come after the second.
const ORDER: &[(EventKind, EventKind)] = {
    use EventKind::*;
    &[
        (EarliestBenefitFiling, Filing),
        (EarliestBenefitFiling, Grant),
        (ProvisionalFiling, Filing),
        (FirstFiling, Filing),
        (FirstFiling, Grant),
        (Filing, ApplicationPublished),
        (Filing, Examination),
        (Filing, ActionMailed),
        (Filing, AllowanceMailed),
        (Filing, Grant),
        (Filing, PriorityClaim),
        (ApplicationPublished, Grant),
        (AllowanceMailed, Grant),
        (Grant, AnnualFeePaid),
        (Grant, Renewal),
        (Grant, Lapse),
        (Grant, Surrender),
        (Grant, Expiry),
    ]
};

/// Refuses events that happened in an impossible order, or twice.
pub(crate) fn check_order(events: &[Event]) -> Result<(), RightsError> {
    for (at, event) in events.iter().enumerate() {
        for other in &events[..at] {
            if other.kind == event.kind && event.kind.happens_once() && other.on != event.on {
                return Err(RightsError::RepeatedEvent {
                    field: format!("events[{}].on", event.index),
                    event: event.kind.word(),
                    first: other.on,
                    second: event.on,
                });
            }
            let (early, late) = if other.on <= event.on {
                (other, event)
            } else {
                (event, other)
            };
            if early.on < late.on && ORDER.contains(&(late.kind, early.kind)) {
                return Err(RightsError::OutOfOrder {
                    field: format!("events[{}].on", early.index),
                    later: early.kind.word(),
                    later_on: early.on,
                    earlier: late.kind.word(),
                    earlier_on: late.on,
                });
            }
        }
    }
    Ok(())
}

/// Refuses attributes that make no sense.
pub(crate) fn check_attributes(attributes: &Attributes) -> Result<(), RightsError> {
    match attributes.shortened_months {
        Some(months) if !(1..=6).contains(&months) => Err(RightsError::BadAttribute {
            field: "shortened_months".to_owned(),
            value: months.to_string(),
            remedy: "give whole months, 1 to 6".to_owned(),
        }),
        _ => Ok(()),
    }
}
