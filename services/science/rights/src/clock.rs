//! Clocks: what the events told start, until when, and whether novelty was kept.

use std::borrow::Cow;

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::book::{
    Book, Confidence, Counted, Family, Jurisdiction, Limb, Roll, RouteRules, Rule, Version, What,
};
use crate::calendar::{EARLIEST_EVENT, LATEST_EVENT, Length};
use crate::country::{CountryCode, Place};
use crate::event::{Attributes, Event, EventInput, EventKind};
use crate::fee::FeeDay;
use crate::{CAUTION, RightsError};

/// A question about one right in one jurisdiction.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ClockRequest {
    /// Code of the jurisdiction.
    pub jurisdiction: String,
    /// Word for the right.
    pub kind: String,
    /// What happened.
    pub events: Vec<EventInput>,
    /// What else the answer may depend on.
    #[serde(default)]
    pub attributes: Attributes,
}

/// A day by which something must be done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Deadline<'b> {
    /// What must be done.
    pub what: What,
    /// The event that started the clock.
    pub started_by: EventKind,
    /// When it started.
    pub started_on: Date,
    /// The period's last day before any roll: the safe day to work to.
    pub nominal_on: Date,
    /// The last day in law, rolled to a working day where the law has that.
    pub due_on: Date,
    /// Whether the law moves the day.
    pub roll: Roll,
    /// False when a person must judge whether the event starts this clock at all.
    pub certain: bool,
    /// Whether it was met, where the events told show it.
    pub met: Option<bool>,
    /// Whom it binds.
    pub binds: &'b str,
    /// Extension that the law allows.
    pub extension: Option<&'b str>,
    /// The law.
    pub law: &'b str,
    /// How well the law is known.
    pub confidence: Confidence,
}

/// The end of a right's term.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TermEnd<'b> {
    /// The end, never rolled.
    pub on: Date,
    /// The day before, where the office may count the anniversary as the first day without right.
    pub or_day_before: Option<Date>,
    /// The law.
    pub law: &'b str,
    /// How well the law is known.
    pub confidence: Confidence,
}

/// Something that could not be said, and what would be needed to say it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unanswered<'b> {
    /// What could not be said.
    pub what: What,
    /// Why, with the remedy.
    pub reason: Cow<'b, str>,
}

/// An event after which there is no right any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Ended {
    /// Lapse, surrender or expiry.
    pub by: EventKind,
    /// When.
    pub on: Date,
}

/// What the events told mean for one right in one jurisdiction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ClockReport<'b> {
    /// Code of the jurisdiction.
    pub jurisdiction: &'b str,
    /// Word for the right.
    pub kind: &'b str,
    /// The text of the law that was applied.
    pub law_version: &'b str,
    /// Days by which something must be done, earliest first.
    pub deadlines: Vec<Deadline<'b>>,
    /// End of the term, if it can be told.
    pub expiry_on: Option<Date>,
    /// Earliest end that a convention allows its members, if it can be told.
    pub minimum_expiry_on: Option<Date>,
    /// The end of the term with its law.
    pub term: Option<TermEnd<'b>>,
    /// Whether the filing came in time after what was disclosed or sold; none when it cannot be
    /// told.
    pub novelty_kept: Option<bool>,
    /// The day against which novelty is measured: of filing, or of the priority filing.
    pub effective_filing_on: Option<Date>,
    /// When annual fees fall due.
    pub annual_fees: FeeDay,
    /// What ended the right, if it ended.
    pub ended: Option<Ended>,
    /// What could not be said.
    pub unknown: Vec<Unanswered<'b>>,
    /// What a reader should know besides.
    pub warnings: Vec<Cow<'b, str>>,
    /// An aid, not legal advice.
    pub caution: &'static str,
}

impl<'b> ClockReport<'b> {
    /// The deadline of this sort that falls first, counting only clocks that certainly run.
    pub fn first(&self, what: What) -> Option<&Deadline<'b>> {
        self.deadlines
            .iter()
            .filter(|deadline| deadline.what == what && deadline.certain)
            .min_by_key(|deadline| (deadline.nominal_on, deadline.due_on))
    }
}

/// Answers a question from the rules that Drupeline carries.
///
/// # Errors
/// Every [`RightsError`] but those of the rules themselves: unknown words, a sale without a country,
/// dates out of range or out of order.
pub fn clock(
    jurisdiction: &str,
    kind: &str,
    events: &[EventInput],
    attributes: &Attributes,
) -> Result<ClockReport<'static>, RightsError> {
    Book::embedded().answer(jurisdiction, kind, events, attributes)
}

impl Book {
    /// Answers a question.
    ///
    /// # Errors
    /// As for [`clock`].
    pub fn clock(&self, request: &ClockRequest) -> Result<ClockReport<'_>, RightsError> {
        self.answer(
            &request.jurisdiction,
            &request.kind,
            &request.events,
            &request.attributes,
        )
    }

    fn answer(
        &self,
        jurisdiction: &str,
        kind: &str,
        events: &[EventInput],
        attributes: &Attributes,
    ) -> Result<ClockReport<'_>, RightsError> {
        let jurisdiction = self.jurisdiction(jurisdiction)?;
        let route = jurisdiction.route(kind)?;
        let events = jurisdiction.read_events(route, events, attributes)?;
        jurisdiction.evaluate(route, &events, attributes)
    }
}

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
        if !(EARLIEST_EVENT..=LATEST_EVENT).contains(&event.on) {
            return Err(RightsError::DateOutOfRange {
                field: field("on"),
                value: event.on,
                earliest: EARLIEST_EVENT,
                latest: LATEST_EVENT,
            });
        }
        let word = event.event.as_str();
        let given = match event
            .country
            .as_deref()
            .map(str::trim)
            .filter(|code| !code.is_empty())
        {
            Some(code) => Some(
                CountryCode::read(code).ok_or_else(|| unknown_country(field("country"), code))?,
            ),
            None => None,
        };
        let (kind, country) =
            self.understand(route, word, given)
                .ok_or_else(|| RightsError::UnknownEvent {
                    field: field("event"),
                    value: word.to_owned(),
                    known: EventKind::ALL
                        .iter()
                        .map(|kind| kind.word())
                        .collect::<Vec<_>>()
                        .join(", "),
                })?;
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
            let elsewhere = CountryCode::read(filed_in).is_some();
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
        CountryCode::read(sold_in).map(|country| (EventKind::FirstSale, Some(country)))
    }

    /// Answers from events already read.
    ///
    /// # Errors
    /// Events out of order or repeated, attributes that make no sense, an unknown Act.
    pub fn evaluate<'b>(
        &'b self,
        route: &'b RouteRules,
        events: &[Event],
        attributes: &Attributes,
    ) -> Result<ClockReport<'b>, RightsError> {
        check_order(events)?;
        check_attributes(attributes)?;
        let version = route.version_for(events, attributes)?;
        let mut report = ClockReport {
            jurisdiction: &self.code,
            kind: &route.kind,
            law_version: &version.title,
            deadlines: Vec::with_capacity(4),
            expiry_on: None,
            minimum_expiry_on: None,
            term: None,
            novelty_kept: None,
            effective_filing_on: None,
            annual_fees: route.fees.due,
            ended: events
                .iter()
                .filter(|event| event.kind.ends_right())
                .min_by_key(|event| event.on)
                .map(|event| Ended {
                    by: event.kind,
                    on: event.on,
                }),
            unknown: Vec::new(),
            warnings: Vec::new(),
            caution: CAUTION,
        };
        let facts = Facts {
            route,
            version,
            events,
            attributes,
        };
        facts.run_clocks(&mut report);
        facts.end_term(&mut report);
        report
            .deadlines
            .sort_by_key(|deadline| (deadline.due_on, deadline.what));
        Ok(report)
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

fn check_order(events: &[Event]) -> Result<(), RightsError> {
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

fn check_attributes(attributes: &Attributes) -> Result<(), RightsError> {
    match attributes.shortened_months {
        Some(months) if !(1..=6).contains(&months) => Err(RightsError::BadAttribute {
            field: "shortened_months".to_owned(),
            value: months.to_string(),
            remedy: "give whole months, 1 to 6".to_owned(),
        }),
        _ => Ok(()),
    }
}

impl RouteRules {
    /// The text of the law that governs: the Act a person named, else by the day of the first
    /// choosing event that is told, else the newest.
    fn version_for(
        &self,
        events: &[Event],
        attributes: &Attributes,
    ) -> Result<&Version, RightsError> {
        let newest = self
            .versions
            .last()
            .expect("a route holds at least one version");
        if let Some(act) = &attributes.act {
            return self
                .versions
                .iter()
                .find(|version| version.act == *act)
                .ok_or_else(|| RightsError::BadAttribute {
                    field: "act".to_owned(),
                    value: act.clone(),
                    remedy: format!(
                        "use one of {}",
                        self.versions
                            .iter()
                            .map(|v| v.act.as_str())
                            .collect::<Vec<_>>()
                            .join(", ")
                    ),
                });
        }
        let chosen_on = newest
            .chosen_by
            .iter()
            .find_map(|kind| events.iter().find(|event| event.kind == *kind))
            .map(|event| event.on);
        Ok(match chosen_on {
            None => newest,
            Some(on) => self
                .versions
                .iter()
                .rev()
                .find(|version| version.in_force_from.is_none_or(|from| from <= on))
                .unwrap_or(&self.versions[0]),
        })
    }
}

/// Everything one answer is drawn from.
struct Facts<'b, 'e> {
    route: &'b RouteRules,
    version: &'b Version,
    events: &'e [Event],
    attributes: &'e Attributes,
}

impl<'b> Facts<'b, '_> {
    fn filing(&self) -> Option<Date> {
        self.earliest(&[EventKind::Filing]).map(|event| event.on)
    }

    fn earliest(&self, kinds: &[EventKind]) -> Option<&Event> {
        self.events
            .iter()
            .filter(|event| kinds.contains(&event.kind))
            .min_by_key(|event| event.on)
    }

    fn run_clocks(&self, report: &mut ClockReport<'b>) {
        let filing = self.filing();
        let priority_on = filing.and_then(|filing| self.valid_priority(filing));
        report.effective_filing_on = priority_on.or(filing);
        let mut novelty = Novelty::default();
        for rule in &self.version.rules {
            for (event, certain) in self.starting_events(rule) {
                self.run_clock(rule, event, certain, priority_on, &mut novelty, report);
            }
        }
        report.novelty_kept = novelty.verdict(filing.is_some());
        if filing.is_some() && report.novelty_kept.is_none() {
            let reason = match novelty {
                Novelty {
                    undecided: true, ..
                } => "novelty depends on an answer that is missing or that a person must judge",
                _ => "no disclosure or sale that starts a clock here was told",
            };
            report.unknown.push(Unanswered {
                what: What::FileBy,
                reason: Cow::Borrowed(reason),
            });
        }
    }

    fn run_clock(
        &self,
        rule: &'b Rule,
        event: &Event,
        certain: bool,
        priority_on: Option<Date>,
        novelty: &mut Novelty,
        report: &mut ClockReport<'b>,
    ) {
        if rule.confidence == Confidence::Unknown {
            novelty.undecided |= rule.what == What::FileBy;
            report.unknown.push(Unanswered {
                what: rule.what,
                reason: Cow::Owned(format!(
                    "{} was not read and no date is computed from it; ask the office",
                    rule.law
                )),
            });
            return;
        }
        let filing = self.filing();
        let counts = |kind: &EventKind| rule.priority_counts.contains(kind);
        let priority_on = priority_on.filter(|on| {
            self.events
                .iter()
                .any(|event| event.on == *on && counts(&event.kind))
        });
        let met = |nominal_on: Date, due_on: Date| match rule.what {
            What::FileBy => filing.map(|filing| {
                filing <= due_on || priority_on.is_some_and(|priority| priority <= nominal_on)
            }),
            What::ClaimPriorityBy => filing.map(|filing| filing <= due_on),
            What::PayIssueFeeBy => self.earliest(&[EventKind::Grant]).map(|_| true),
            _ => None,
        };
        let ends = |length: Length| {
            let nominal_on = length.end_from(event.on, self.attributes.shortened_months)?;
            let (due_on, roll) = self.rolled(rule, nominal_on);
            Some((nominal_on, due_on, roll))
        };
        let length = match self.length(rule.period, rule.tree_or_vine_period) {
            Ok(length) => length,
            Err(lengths) => {
                let verdicts = lengths
                    .map(|length| ends(length).and_then(|(nominal, due, _)| met(nominal, due)));
                if rule.what == What::FileBy {
                    match verdicts {
                        [Some(a), Some(b)] if a == b => novelty.record(a, certain),
                        _ => novelty.undecided = true,
                    }
                }
                report.unknown.push(Unanswered {
                    what: rule.what,
                    reason: self.class_needed(),
                });
                return;
            }
        };
        let Some((nominal_on, due_on, roll)) = ends(length) else {
            report.unknown.push(Unanswered {
                what: rule.what,
                reason: Cow::Borrowed(
                    "the months that the office set for the reply are not told; give the attribute shortened_months",
                ),
            });
            return;
        };
        let met = met(nominal_on, due_on);
        if let (What::FileBy, Some(kept)) = (rule.what, met) {
            novelty.record(kept, certain);
        }
        if let Some(note) = rule.note.as_deref()
            && !report.warnings.iter().any(|known| known == note)
        {
            report.warnings.push(Cow::Borrowed(note));
        }
        report.deadlines.push(Deadline {
            what: rule.what,
            started_by: event.kind,
            started_on: event.on,
            nominal_on,
            due_on,
            roll,
            certain,
            met,
            binds: &rule.binds,
            extension: rule.extension.as_deref(),
            law: &rule.law,
            confidence: rule.confidence,
        });
    }

    /// The events from which a rule's clock runs: the earliest that certainly starts it, and an
    /// earlier one that may.
    fn starting_events(&self, rule: &Rule) -> impl Iterator<Item = (&Event, bool)> {
        let earliest_of = |kinds: &[EventKind]| {
            self.events
                .iter()
                .filter(|event| kinds.contains(&event.kind) && rule.place.covers(event.place))
                .min_by_key(|event| event.on)
        };
        let certain = earliest_of(&rule.starts);
        let possible = earliest_of(&rule.may_start)
            .filter(|possible| certain.is_none_or(|certain| possible.on < certain.on));
        certain
            .map(|event| (event, true))
            .into_iter()
            .chain(possible.map(|event| (event, false)))
    }

    /// The earliest filing whose priority the filing here can claim in time.
    fn valid_priority(&self, filing: Date) -> Option<Date> {
        self.version
            .rules
            .iter()
            .filter(|rule| rule.what == What::ClaimPriorityBy)
            .flat_map(|rule| {
                self.events
                    .iter()
                    .filter(|event| rule.starts.contains(&event.kind) && event.on <= filing)
                    .filter_map(move |event| {
                        let nominal_on = rule.period?.end_from(event.on, None)?;
                        (filing <= self.rolled(rule, nominal_on).0).then_some(event.on)
                    })
            })
            .min()
    }

    fn rolled(&self, rule: &Rule, nominal_on: Date) -> (Date, Roll) {
        match rule.roll {
            Roll::NextWorkingDay => match self.route.calendar.roll_forward(nominal_on) {
                Some(due_on) => (due_on, Roll::NextWorkingDay),
                None => (nominal_on, Roll::Unknown),
            },
            roll => (nominal_on, roll),
        }
    }

    /// The period that applies, or both when the class is needed and not told.
    fn length(&self, other: Option<Length>, longer: Option<Length>) -> Result<Length, [Length; 2]> {
        let other = other.expect("a known rule has a period");
        match (longer, self.attributes.tree_or_vine) {
            (Some(longer), Some(true)) => Ok(longer),
            (None, _) | (_, Some(false)) => Ok(other),
            (Some(longer), None) => Err([other, longer]),
        }
    }

    fn class_needed(&self) -> Cow<'b, str> {
        Cow::Owned(format!(
            "the period differs for {}; give the attribute tree_or_vine",
            self.route.longer_class
        ))
    }

    fn end_term(&self, report: &mut ClockReport<'b>) {
        let term = &self.version.term;
        let mut unanswered = |reason| {
            report.unknown.push(Unanswered {
                what: term.what,
                reason,
            })
        };
        if term.confidence == Confidence::Unknown {
            unanswered(Cow::Owned(format!(
                "{} was not read and no date is computed from it; ask the office",
                term.law
            )));
            return;
        }
        let mut starts_on = Vec::with_capacity(term.limbs.len());
        let mut ends_on = Vec::with_capacity(term.limbs.len());
        for limb in &term.limbs {
            let Some(start) = self.earliest(&limb.starts) else {
                // Without grant or filing there is no term to speak of yet.
                if report.ended.is_some() || self.earliest(&[EventKind::Grant]).is_some() {
                    let words: Vec<_> = limb.starts.iter().map(|kind| kind.word()).collect();
                    unanswered(Cow::Owned(format!(
                        "the term runs from {}, which is not told; give its day",
                        words.join(" or ")
                    )));
                }
                return;
            };
            match self.limb_end(limb, start.on) {
                Ok(end) => {
                    starts_on.push(start.on);
                    ends_on.push(end);
                }
                Err(reason) => return unanswered(reason),
            }
        }
        let mut on = *ends_on.iter().max().expect("a term has at least one limb");
        if term.adjustable {
            if let Some(days) = self.attributes.pta_days {
                on = on.saturating_add(i64::from(days).days());
            }
            if let Some(disclaimed_to) = self.attributes.disclaimed_to {
                on = on.min(disclaimed_to);
            }
        } else if self.attributes.pta_days.is_some() || self.attributes.disclaimed_to.is_some() {
            report.warnings.push(Cow::Borrowed(
                "days of adjustment and a disclaimer do not apply to this right and were left out",
            ));
        }
        let older_text = self
            .version
            .in_force_from
            .is_some_and(|from| starts_on.iter().any(|start| *start < from));
        if older_text && self.attributes.act.is_none() {
            report.warnings.push(Cow::Owned(format!(
                "the term is counted by {}, in force from {}; the right began earlier and an older text may govern it: confirm",
                self.version.title,
                self.version.in_force_from.expect("told above")
            )));
        }
        if let Some(note) = term.note.as_deref() {
            report.warnings.push(Cow::Borrowed(note));
        }
        match term.what {
            What::MinimumExpiry => report.minimum_expiry_on = Some(on),
            _ => report.expiry_on = Some(on),
        }
        report.term = Some(TermEnd {
            on,
            or_day_before: term.may_end_day_before.then(|| on.saturating_sub(1.day())),
            law: &term.law,
            confidence: if older_text {
                Confidence::Unknown
            } else {
                term.confidence
            },
        });
    }

    fn limb_end(&self, limb: &'b Limb, start: Date) -> Result<Date, Cow<'b, str>> {
        let length = self
            .length(limb.period, limb.tree_or_vine_period)
            .map_err(|_| self.class_needed())?;
        let anniversary = length
            .end_from(start, None)
            .expect("a term is not set by the office");
        Ok(match limb.counted {
            Counted::Anniversary => anniversary,
            Counted::EndOfCalendarYear => anniversary.last_of_year(),
        })
    }
}

/// What the novelty clocks said.
#[derive(Debug, Default)]
struct Novelty {
    kept: bool,
    lost: bool,
    undecided: bool,
}

impl Novelty {
    fn record(&mut self, kept: bool, certain: bool) {
        match (kept, certain) {
            (true, _) => self.kept = true,
            (false, true) => self.lost = true,
            (false, false) => self.undecided = true,
        }
    }

    fn verdict(&self, filed: bool) -> Option<bool> {
        match self {
            _ if !filed => None,
            Self { lost: true, .. } => Some(false),
            Self {
                undecided: true, ..
            } => None,
            Self { kept: true, .. } => Some(true),
            _ => None,
        }
    }
}
