//! Routes: for one candidate, each way to protection, whether it is open as of a day, until when,
//! and what closes it; and what a sale would change.

use std::borrow::Cow;
use std::collections::HashMap;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::book::{Book, Confidence, Family, Jurisdiction, RouteRules, What};
use crate::clock::{ClockReport, Deadline};
use crate::country::CountryCode;
use crate::event::{Attributes, Event, EventKind};
use crate::reading::{check_day, read_country, unknown_event};
use crate::{CAUTION, RightsError};

/// An event in a candidate's life, as the programme records it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CandidateEvent {
    /// The event's word; see [`EventKind`].
    pub event: String,
    /// The day it happened.
    pub on: Date,
    /// For a disclosure, sale or transfer: the country.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub country: Option<String>,
    /// For a filing, grant, fee, lapse and the like: the jurisdiction, or the country of one that
    /// is not covered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jurisdiction: Option<String>,
    /// For the same: the right, where the jurisdiction has several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
}

/// Where one way to protection stands on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// One may still file; nothing told so far ends that.
    Open,
    /// One may still file, until the day stated.
    Closing,
    /// It is too late to file.
    Closed,
    /// Filed, not granted.
    Filed,
    /// Granted and in force as far as told.
    Granted,
    /// Granted once; lapsed, surrendered or expired.
    Ended,
    /// Cannot be told; the reasons say what is needed.
    Unknown,
}

/// One way to protection for one candidate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Route<'b> {
    /// Code of the jurisdiction.
    pub jurisdiction: &'b str,
    /// Name of the jurisdiction.
    pub jurisdiction_name: &'b str,
    /// Word for the right.
    pub kind: &'b str,
    /// Name of the right.
    pub name: &'b str,
    /// Where it stands.
    pub standing: Standing,
    /// Last safe day to file, before any roll.
    pub open_until_nominal: Option<Date>,
    /// Last day in law to file.
    pub open_until: Option<Date>,
    /// An earlier day on which it closes if a person judges that an event started the clock.
    pub may_close_on: Option<Date>,
    /// Last day to file with a claim of priority, where one can be claimed.
    pub priority_until: Option<Date>,
    /// The clocks behind it.
    pub report: ClockReport<'b>,
    /// As of when.
    pub as_of: Date,
    /// Whether the law that would tell until when one may file is not known.
    pub untold: bool,
}

/// What a sale would change for one way to protection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "effect")]
pub enum Effect {
    /// Nothing.
    None,
    /// The first clock would start.
    StartsClock {
        /// Last safe day to file afterwards.
        file_by_nominal: Date,
        /// Last day in law to file afterwards.
        file_by: Date,
    },
    /// An earlier day would end it.
    Shortens {
        /// Last day in law to file without the sale.
        from: Date,
        /// Last day in law to file after the sale.
        to: Date,
    },
    /// It would be closed.
    Closes,
    /// A clock may start; a person must judge.
    MayStartClock {
        /// The day on which it may close.
        may_close_on: Date,
    },
    /// Cannot be told.
    Unknown,
}

/// One way to protection before and after a sale that nobody has made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WhatIf<'b> {
    /// What the sale would change.
    #[serde(flatten)]
    pub effect: Effect,
    /// As things are.
    pub before: Route<'b>,
    /// As things would be.
    pub after: Route<'b>,
    /// An aid, not legal advice.
    pub caution: &'static str,
}

/// Attributes of one candidate: for every jurisdiction, and where a jurisdiction's own word for
/// the class with longer periods was answered differently.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct CandidateAttributes {
    /// Attributes that hold everywhere.
    pub everywhere: Attributes,
    /// Attributes by code of jurisdiction, which replace those that hold everywhere.
    pub by_jurisdiction: HashMap<String, Attributes>,
}

impl CandidateAttributes {
    fn within(&self, jurisdiction: &Jurisdiction) -> &Attributes {
        self.by_jurisdiction
            .get(&jurisdiction.code)
            .unwrap_or(&self.everywhere)
    }
}

impl Book {
    /// Every way to protection for a candidate as of a day, from the events up to that day.
    ///
    /// A convention without territory gives no way of its own and is left out. The candidate's
    /// earliest filing elsewhere is the one from which priority may be claimed.
    ///
    /// # Errors
    /// As for [`crate::clock()`]; a filing or grant without its jurisdiction or right.
    pub fn routes(
        &self,
        events: &[CandidateEvent],
        attributes: &CandidateAttributes,
        as_of: Date,
    ) -> Result<Vec<Route<'_>>, RightsError> {
        let evaluated = self.evaluated(events, attributes, as_of)?;
        Ok(evaluated
            .into_iter()
            .map(|(jurisdiction, route, report)| Route::of(jurisdiction, route, report, as_of))
            .collect())
    }

    /// The clocks of every way to protection for a candidate, as for [`Book::routes`] but without
    /// saying where each way stands: what a pass over all candidates' due dates needs.
    ///
    /// # Errors
    /// As for [`Book::routes`].
    pub fn clocks(
        &self,
        events: &[CandidateEvent],
        attributes: &CandidateAttributes,
        as_of: Date,
    ) -> Result<Vec<ClockReport<'_>>, RightsError> {
        let evaluated = self.evaluated(events, attributes, as_of)?;
        Ok(evaluated.into_iter().map(|(_, _, report)| report).collect())
    }

    fn evaluated(
        &self,
        events: &[CandidateEvent],
        attributes: &CandidateAttributes,
        as_of: Date,
    ) -> Result<Vec<Evaluated<'_>>, RightsError> {
        let told = self.told(events, as_of)?;
        self.jurisdictions()
            .iter()
            .filter(|jurisdiction| !jurisdiction.territory.is_empty())
            .flat_map(|jurisdiction| {
                jurisdiction
                    .routes
                    .iter()
                    .map(move |route| (jurisdiction, route))
            })
            .map(|(jurisdiction, route)| {
                let seen = told.seen_from(jurisdiction, route);
                let attributes = attributes.within(jurisdiction);
                let report = jurisdiction.evaluate(route, &seen, attributes)?;
                Ok((jurisdiction, route, report))
            })
            .collect()
    }

    /// What selling on a day in a country would change for every way to protection. Nothing is
    /// stored. Standings are as of the later of `as_of` and the day of the sale.
    ///
    /// # Errors
    /// As for [`Book::routes`].
    pub fn what_if(
        &self,
        events: &[CandidateEvent],
        attributes: &CandidateAttributes,
        sale: &CandidateEvent,
        as_of: Date,
    ) -> Result<Vec<WhatIf<'_>>, RightsError> {
        let as_of = as_of.max(sale.on);
        let before = self.routes(events, attributes, as_of)?;
        let mut with_sale = events.to_vec();
        with_sale.push(sale.clone());
        let after = self.routes(&with_sale, attributes, as_of)?;
        Ok(before
            .into_iter()
            .zip(after)
            .map(|(before, after)| WhatIf {
                effect: Effect::between(&before, &after),
                before,
                after,
                caution: CAUTION,
            })
            .collect())
    }

    fn told(&self, events: &[CandidateEvent], as_of: Date) -> Result<Told<'_>, RightsError> {
        let mut told = Told::default();
        for (index, event) in events.iter().enumerate() {
            let field = |name: &str| format!("events[{index}].{name}");
            check_day(event.on, || field("on"))?;
            let kind = EventKind::from_word(&event.event)
                .ok_or_else(|| unknown_event(field("event"), &event.event))?;
            if event.on > as_of {
                continue;
            }
            if kind.is_disclosure() {
                let country = read_country(event.country.as_deref(), || field("country"))?;
                // Home and abroad depend on who looks, so the country itself is needed.
                let relative =
                    matches!(kind, EventKind::FirstSaleHome | EventKind::FirstSaleAbroad);
                if relative || (country.is_none() && kind.needs_country()) {
                    return Err(RightsError::SaleWithoutCountry {
                        field: field("country"),
                        event: event.event.clone(),
                    });
                }
                told.disclosures.push(Disclosed {
                    index,
                    kind,
                    on: event.on,
                    country,
                });
                continue;
            }
            let code =
                event
                    .jurisdiction
                    .as_deref()
                    .ok_or_else(|| RightsError::WithoutJurisdiction {
                        field: field("jurisdiction"),
                        event: event.event.clone(),
                    })?;
            let jurisdiction = match self.jurisdiction(code) {
                Ok(jurisdiction) => jurisdiction,
                Err(unknown) => {
                    CountryCode::read(code).ok_or(unknown)?;
                    if kind == EventKind::Filing {
                        told.filed_uncovered.push((index, event.on));
                    }
                    continue;
                }
            };
            let route = match (&event.kind, jurisdiction.routes.as_slice()) {
                (Some(word), _) => jurisdiction.route(word)?,
                (None, [only]) => only,
                (None, several) => {
                    return Err(RightsError::WithoutKind {
                        field: field("kind"),
                        event: event.event.clone(),
                        jurisdiction: jurisdiction.code.clone(),
                        covered: several
                            .iter()
                            .map(|route| route.kind.as_str())
                            .collect::<Vec<_>>()
                            .join(", "),
                    });
                }
            };
            told.procedural.push(Procedural {
                index,
                jurisdiction,
                route,
                kind,
                on: event.on,
            });
        }
        Ok(told)
    }
}

/// One right's clocks with the rules they came from.
type Evaluated<'b> = (&'b Jurisdiction, &'b RouteRules, ClockReport<'b>);

/// A step before an office.
struct Procedural<'b> {
    index: usize,
    jurisdiction: &'b Jurisdiction,
    route: &'b RouteRules,
    kind: EventKind,
    on: Date,
}

/// A disclosure, seen from nowhere in particular.
struct Disclosed {
    index: usize,
    kind: EventKind,
    on: Date,
    country: Option<CountryCode>,
}

/// A candidate's events, sorted by whom they concern, each with its place in the list.
#[derive(Default)]
struct Told<'b> {
    disclosures: Vec<Disclosed>,
    procedural: Vec<Procedural<'b>>,
    filed_uncovered: Vec<(usize, Date)>,
}

impl Told<'_> {
    /// The events as one jurisdiction sees them for one right.
    fn seen_from(&self, jurisdiction: &Jurisdiction, route: &RouteRules) -> Vec<Event> {
        let disclosed = self.disclosures.iter().map(|told| Event {
            kind: told.kind,
            on: told.on,
            place: told
                .country
                .and_then(|country| jurisdiction.place_of(country, told.on)),
            index: told.index,
        });
        let step = |index: usize, kind: EventKind, on: Date| Event {
            kind,
            on,
            place: None,
            index,
        };
        let here = |at: &&Procedural<'_>| {
            at.jurisdiction.code == jurisdiction.code && at.route.kind == route.kind
        };
        let taken = self
            .procedural
            .iter()
            .filter(here)
            .map(|at| step(at.index, at.kind, at.on));
        let filings = || {
            self.procedural
                .iter()
                .filter(|at| at.kind == EventKind::Filing)
        };
        let filed_here = filings().filter(here).map(|at| at.on).min();
        // Only the variety's first filing gives priority; one here that is no later leaves none.
        let elsewhere = filings()
            .filter(|at| at.jurisdiction.code != jurisdiction.code)
            .map(|at| {
                let kind = match at.route.family {
                    Family::BreedersRight => EventKind::ForeignPbrFiling,
                    Family::Patent => EventKind::FirstFiling,
                };
                (at.on, at.index, kind)
            })
            .chain(
                self.filed_uncovered
                    .iter()
                    .map(|(index, on)| (*on, *index, EventKind::ForeignPbrFiling)),
            )
            .min_by_key(|(on, index, _)| (*on, *index))
            .filter(|(on, ..)| filed_here.is_none_or(|filed| *on < filed))
            .map(|(on, index, kind)| step(index, kind, on));
        disclosed.chain(taken).chain(elsewhere).collect()
    }
}

/// When filing stops being possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct LastDay {
    due_on: Date,
    nominal_on: Date,
}

impl<'b> Route<'b> {
    fn of(
        jurisdiction: &'b Jurisdiction,
        rules: &'b RouteRules,
        report: ClockReport<'b>,
        as_of: Date,
    ) -> Self {
        let priority = report
            .first(What::ClaimPriorityBy)
            .filter(|claim| claim.due_on >= as_of)
            .map(|claim| (claim.started_on, LastDay::of(claim)));
        // A first filing made in time elsewhere keeps the way open until priority runs out.
        let last_day = |deadline: &Deadline<'_>| match priority {
            Some((filed_on, claim)) if filed_on <= deadline.nominal_on => {
                LastDay::of(deadline).max(claim)
            }
            _ => LastDay::of(deadline),
        };
        let novelty = |certain: bool| {
            report
                .deadlines
                .iter()
                .filter(move |d| d.what == What::FileBy && d.certain == certain)
                .map(last_day)
                .min()
        };
        let until = novelty(true);
        let may_close_on = novelty(false)
            .map(|last| last.due_on)
            .filter(|on| until.is_none_or(|until| *on < until.due_on));
        let told = |kind: EventKind| report.events_told.contains(&kind);
        let untold = report
            .unknown
            .iter()
            .any(|unanswered| unanswered.what == What::FileBy)
            || rules.versions.iter().all(|version| {
                version
                    .rules
                    .iter()
                    .any(|rule| rule.what == What::FileBy && rule.confidence == Confidence::Unknown)
            });
        let expired = report.expiry_on.is_some_and(|on| on < as_of);
        let standing = if report.ended.is_some() || expired {
            Standing::Ended
        } else if told(EventKind::Grant) {
            Standing::Granted
        } else if told(EventKind::Filing) {
            Standing::Filed
        } else {
            match until {
                Some(last) if last.due_on < as_of => Standing::Closed,
                _ if untold => Standing::Unknown,
                Some(_) => Standing::Closing,
                None => Standing::Open,
            }
        };
        Self {
            jurisdiction: &jurisdiction.code,
            jurisdiction_name: &jurisdiction.name,
            kind: &rules.kind,
            name: &rules.name,
            standing,
            open_until_nominal: until.map(|last| last.nominal_on),
            open_until: until.map(|last| last.due_on),
            may_close_on,
            priority_until: priority.map(|(_, claim)| claim.due_on),
            report,
            as_of,
            untold,
        }
    }

    /// What closes, closed or would have closed it, and why something cannot be told; written only
    /// when asked for, as a pass over all candidates' due dates needs none of it.
    pub fn reasons(&self) -> Vec<String> {
        reasons(&self.report, self.standing, self.untold, self.as_of)
    }

    /// Whether one may still file.
    pub fn is_open(&self) -> bool {
        matches!(self.standing, Standing::Open | Standing::Closing)
    }
}

fn reasons(report: &ClockReport<'_>, standing: Standing, untold: bool, as_of: Date) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(ended) = report.ended {
        reasons.push(format!("{} on {}", ended.by.word(), ended.on));
    }
    for deadline in report
        .deadlines
        .iter()
        .filter(|deadline| deadline.what == What::FileBy)
    {
        let verb = match (deadline.certain, deadline.due_on < as_of) {
            (true, true) => "ended",
            (true, false) => "ends",
            (false, _) => "may end, which a person must judge,",
        };
        reasons.push(format!(
            "{} on {} started a period that {verb} on {} ({})",
            deadline.started_by.word(),
            deadline.started_on,
            deadline.due_on,
            deadline.law
        ));
    }
    if standing == Standing::Filed && report.novelty_kept == Some(false) {
        reasons.push("filed too late after a disclosure or sale; novelty is lost".to_owned());
    }
    if untold && report.unknown.is_empty() {
        reasons.push(format!(
            "the law of {} was not read; ask the office",
            report.jurisdiction
        ));
    }
    reasons.extend(
        report
            .unknown
            .iter()
            .map(|unanswered: &_| Cow::clone(&unanswered.reason).into_owned()),
    );
    reasons.dedup();
    reasons
}

impl LastDay {
    fn of(deadline: &Deadline<'_>) -> Self {
        Self {
            due_on: deadline.due_on,
            nominal_on: deadline.nominal_on,
        }
    }
}

impl Effect {
    fn between(before: &Route<'_>, after: &Route<'_>) -> Self {
        let protected = matches!(
            before.standing,
            Standing::Filed | Standing::Granted | Standing::Ended | Standing::Closed
        );
        if protected {
            return Self::None;
        }
        match (
            before.open_until,
            after.open_until,
            after.open_until_nominal,
        ) {
            _ if after.standing == Standing::Unknown => Self::Unknown,
            _ if after.standing == Standing::Closed => Self::Closes,
            (None, Some(file_by), Some(file_by_nominal)) => Self::StartsClock {
                file_by_nominal,
                file_by,
            },
            (Some(from), Some(to), _) if to < from => Self::Shortens { from, to },
            _ => match after.may_close_on {
                Some(may_close_on) if before.may_close_on != after.may_close_on => {
                    Self::MayStartClock { may_close_on }
                }
                _ => Self::None,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::due::Urgency;

    fn sold(on: Date, country: &str) -> CandidateEvent {
        CandidateEvent {
            event: "first_sale".to_owned(),
            on,
            country: Some(country.to_owned()),
            jurisdiction: None,
            kind: None,
        }
    }

    fn step(event: &str, on: Date, jurisdiction: &str, kind: Option<&str>) -> CandidateEvent {
        CandidateEvent {
            event: event.to_owned(),
            on,
            country: None,
            jurisdiction: Some(jurisdiction.to_owned()),
            kind: kind.map(str::to_owned),
        }
    }

    fn trees() -> CandidateAttributes {
        CandidateAttributes {
            everywhere: Attributes {
                tree_or_vine: Some(true),
                ..Attributes::default()
            },
            ..CandidateAttributes::default()
        }
    }

    fn routes(events: &[CandidateEvent], as_of: Date) -> Vec<Route<'static>> {
        Book::embedded().routes(events, &trees(), as_of).unwrap()
    }

    fn route(
        events: &[CandidateEvent],
        as_of: Date,
        jurisdiction: &str,
        kind: &str,
    ) -> Route<'static> {
        let mut found = routes(events, as_of)
            .into_iter()
            .filter(|route| route.jurisdiction == jurisdiction && route.kind == kind);
        found.next().expect("the route exists")
    }

    const CPVR: &str = "community_plant_variety_right";

    #[test]
    fn an_undisclosed_candidate_has_every_known_way_open() {
        for route in routes(&[], date(2026, 3, 1)) {
            let expected = if route.jurisdiction == "ZA" {
                Standing::Unknown
            } else {
                Standing::Open
            };
            assert_eq!(
                route.standing, expected,
                "{} {}",
                route.jurisdiction, route.kind
            );
        }
    }

    #[test]
    fn one_sale_starts_different_clocks() {
        let events = [sold(date(2025, 2, 3), "US")];
        let until = |jurisdiction, kind| {
            let route = route(&events, date(2025, 6, 1), jurisdiction, kind);
            (route.standing, route.open_until_nominal.unwrap())
        };
        assert_eq!(
            until("US", "plant_patent"),
            (Standing::Closing, date(2026, 2, 3))
        );
        assert_eq!(
            until("US", "plant_variety_protection"),
            (Standing::Closing, date(2026, 2, 3))
        );
        assert_eq!(until("EU", CPVR), (Standing::Closing, date(2031, 2, 3)));
    }

    #[test]
    fn a_way_is_open_on_its_last_day_and_closed_the_day_after() {
        let events = [sold(date(2025, 2, 3), "ES")];
        assert!(route(&events, date(2026, 2, 3), "EU", CPVR).is_open());
        let closed = route(&events, date(2026, 2, 4), "EU", CPVR);
        assert_eq!(closed.standing, Standing::Closed);
        assert!(
            closed.reasons()[0].contains("first_sale on 2025-02-03"),
            "{:?}",
            closed.reasons()
        );
    }

    #[test]
    fn a_first_filing_elsewhere_keeps_a_way_open() {
        let events = [
            sold(date(2025, 2, 3), "ES"),
            step("filing", date(2026, 1, 15), "US", Some("plant_patent")),
        ];
        let open = route(&events, date(2026, 6, 1), "EU", CPVR);
        assert_eq!(
            (open.standing, open.open_until),
            (Standing::Closing, Some(date(2027, 1, 15)))
        );
        assert_eq!(open.priority_until, Some(date(2027, 1, 15)));
        assert_eq!(
            route(&events, date(2027, 1, 16), "EU", CPVR).standing,
            Standing::Closed
        );
    }

    #[test]
    fn only_the_first_filing_gives_priority() {
        let events = [
            step("filing", date(2025, 1, 15), "EU", None),
            step("filing", date(2025, 6, 15), "CL", None),
        ];
        let chile = route(&events, date(2025, 7, 1), "CL", "plant_breeders_right");
        assert_eq!(chile.report.effective_filing_on, Some(date(2025, 1, 15)));
        let union = route(&events, date(2025, 7, 1), "EU", CPVR);
        assert_eq!(union.report.effective_filing_on, Some(date(2025, 1, 15)));
        let japan = route(&events, date(2025, 7, 1), "JP", "breeders_right");
        assert_eq!(japan.priority_until, Some(date(2026, 1, 15)));
    }

    #[test]
    fn a_right_is_filed_then_granted_then_ended() {
        let mut events = vec![step("filing", date(2020, 3, 2), "EU", None)];
        let standing = |events: &[CandidateEvent], as_of| route(events, as_of, "EU", CPVR).standing;
        assert_eq!(standing(&events, date(2021, 1, 1)), Standing::Filed);
        events.push(step("grant", date(2022, 5, 9), "EU", None));
        assert_eq!(
            standing(&events, date(2022, 5, 8)),
            Standing::Filed,
            "not yet granted"
        );
        assert_eq!(standing(&events, date(2052, 12, 31)), Standing::Granted);
        assert_eq!(standing(&events, date(2053, 1, 1)), Standing::Ended);
        events.push(step("surrender", date(2030, 1, 1), "EU", None));
        assert_eq!(standing(&events, date(2030, 1, 1)), Standing::Ended);
    }

    #[test]
    fn what_a_sale_would_change() {
        let as_of = date(2025, 6, 1);
        let events = [sold(date(2025, 2, 3), "US")];
        let changes = Book::embedded()
            .what_if(&events, &trees(), &sold(date(2025, 7, 1), "ES"), as_of)
            .unwrap();
        let effect = |jurisdiction: &str, kind: &str| {
            changes
                .iter()
                .find(|change| {
                    change.before.jurisdiction == jurisdiction && change.before.kind == kind
                })
                .unwrap()
                .effect
        };
        let shortened = Effect::Shortens {
            from: date(2031, 2, 3),
            to: date(2026, 7, 1),
        };
        assert_eq!(effect("EU", CPVR), shortened);
        assert_eq!(
            effect("US", "plant_patent"),
            Effect::None,
            "the earlier sale already counts"
        );
        assert_eq!(effect("CL", "plant_breeders_right"), Effect::None);
    }

    #[test]
    fn a_first_sale_starts_clocks_and_a_long_past_one_closes() {
        let effect = |on, as_of| {
            let changes = Book::embedded()
                .what_if(&[], &trees(), &sold(on, "US"), as_of)
                .unwrap();
            changes
                .iter()
                .find(|change| change.before.kind == "plant_patent")
                .unwrap()
                .effect
        };
        let (file_by_nominal, file_by) = (date(2026, 7, 4), date(2026, 7, 6));
        assert_eq!(
            effect(date(2025, 7, 4), date(2025, 1, 1)),
            Effect::StartsClock {
                file_by_nominal,
                file_by
            }
        );
        assert_eq!(effect(date(2025, 7, 4), date(2026, 7, 7)), Effect::Closes);
    }

    #[test]
    fn a_doubtful_transfer_only_may_close() {
        let mut transfer = sold(date(2025, 7, 1), "ES");
        transfer.event = "transfer_for_test_without_agreement".to_owned();
        let open = route(&[transfer], date(2025, 8, 1), "EU", CPVR);
        assert_eq!(open.standing, Standing::Open);
        assert_eq!(open.may_close_on, Some(date(2026, 7, 1)));
    }

    #[test]
    fn steps_name_their_jurisdiction_and_right() {
        let refused = |event: CandidateEvent| {
            Book::embedded()
                .routes(&[event], &trees(), date(2026, 1, 1))
                .unwrap_err()
                .to_string()
        };
        let on = date(2025, 1, 1);
        assert!(refused(step("filing", on, "US", None)).contains("plant_variety_protection"));
        let mut nowhere = step("filing", on, "US", None);
        nowhere.jurisdiction = None;
        assert!(refused(nowhere).starts_with("events[0].jurisdiction:"));
        assert!(refused(step("filing", on, "Atlantis", None)).contains("not covered"));
        let mut relative = sold(on, "ES");
        relative.event = "first_sale_home".to_owned();
        assert!(refused(relative).starts_with("events[0].country:"));
        let mut unsaid = sold(on, "ES");
        unsaid.country = None;
        assert!(refused(unsaid).starts_with("events[0].country:"));
    }

    #[test]
    fn due_days_come_with_reminders_before_the_unrolled_day() {
        let events = [sold(date(2025, 7, 4), "US")];
        let as_of = date(2026, 6, 10);
        let patent = route(&events, as_of, "US", "plant_patent");
        let due = patent.report.due_list(as_of, &[30, 7, 1]);
        assert_eq!(due.len(), 1);
        assert_eq!(
            (due[0].nominal_on, due[0].due_on),
            (date(2026, 7, 4), date(2026, 7, 6))
        );
        assert_eq!((due[0].days_left, due[0].urgency), (24, Urgency::Due));
        assert_eq!(due[0].remind_on, [date(2026, 6, 27), date(2026, 7, 3)]);
        assert_eq!(
            patent.report.due_list(date(2026, 7, 7), &[30])[0].urgency,
            Urgency::Overdue
        );
    }
}
