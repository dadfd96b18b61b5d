//! Clocks: what the events told start, until when, and whether novelty was kept.

use std::borrow::Cow;

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::book::{
    Book, Confidence, Counted, Jurisdiction, Limb, Roll, RouteRules, Rule, Version, What,
};
use crate::calendar::Length;
use crate::event::{Attributes, Event, EventInput, EventKind};
use crate::fee::FeeDay;
use crate::reading::{check_attributes, check_order};
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
    /// Kinds of event that were told.
    #[serde(skip)]
    pub events_told: Vec<EventKind>,
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
    /// As for [`clock()`].
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
            events_told: events.iter().map(|event| event.kind).collect(),
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
        let claimed = priority_on == Some(event.on);
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
            What::PetitionLatePriorityBy => claimed.then_some(true),
            What::ReplyBy
            | What::ReplyAtLatest
            | What::PayIssueFeeBy
            | What::LodgePriorityPapersBy
            | What::SubmitMaterialBy => self.earliest(&[EventKind::Grant]).map(|_| true),
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

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    type Told<'a> = (&'a str, Date);

    fn ask(
        jurisdiction: &str,
        kind: &str,
        told: &[Told<'_>],
        tree: Option<bool>,
    ) -> ClockReport<'static> {
        let attributes = Attributes {
            tree_or_vine: tree,
            ..Attributes::default()
        };
        clock(jurisdiction, kind, &inputs(told), &attributes).unwrap()
    }

    fn refuse(jurisdiction: &str, kind: &str, told: &[Told<'_>]) -> RightsError {
        clock(jurisdiction, kind, &inputs(told), &Attributes::default()).unwrap_err()
    }

    fn inputs(told: &[Told<'_>]) -> Vec<EventInput> {
        told.iter()
            .map(|(event, on)| EventInput {
                event: (*event).to_owned(),
                on: *on,
                country: None,
            })
            .collect()
    }

    fn sale(on: Date, country: &str) -> EventInput {
        EventInput {
            event: "first_sale".to_owned(),
            on,
            country: Some(country.to_owned()),
        }
    }

    fn days(report: &ClockReport<'_>, what: What) -> (Date, Date) {
        let first = report.first(what).expect("a deadline of this sort");
        (first.nominal_on, first.due_on)
    }

    #[test]
    fn plant_patent_grace_shows_the_unrolled_and_the_rolled_day() {
        let report = ask(
            "US",
            "plant_patent",
            &[("first_disclosure", date(2025, 7, 3))],
            None,
        );
        assert_eq!(
            days(&report, What::FileBy),
            (date(2026, 7, 3), date(2026, 7, 6))
        );
        assert_eq!(report.novelty_kept, None, "nothing was filed");
        assert_eq!(report.caution, CAUTION);
    }

    #[test]
    fn plant_patent_grace_is_kept_to_the_day_and_lost_the_day_after() {
        let filed = |on| {
            let told = [("first_disclosure", date(2025, 3, 10)), ("filing", on)];
            ask("US", "plant_patent", &told, None).novelty_kept
        };
        assert_eq!(filed(date(2026, 3, 10)), Some(true));
        assert_eq!(filed(date(2026, 3, 11)), Some(false));
    }

    #[test]
    fn disclosure_on_29_february_leaves_until_28_february() {
        let report = ask(
            "US",
            "plant_patent",
            &[("first_disclosure", date(2024, 2, 29))],
            None,
        );
        assert_eq!(days(&report, What::FileBy).0, date(2025, 2, 28));
    }

    #[test]
    fn the_earliest_of_several_disclosures_counts() {
        let told = [
            ("publication", date(2025, 5, 2)),
            ("public_trial", date(2025, 4, 1)),
        ];
        let report = ask("US", "plant_patent", &told, None);
        assert_eq!(days(&report, What::FileBy).0, date(2026, 4, 1));
    }

    #[test]
    fn term_of_a_plant_patent_runs_from_filing_and_never_rolls() {
        // 4 July 2046 is a federal holiday.
        let told = [("filing", date(2026, 7, 4)), ("grant", date(2026, 7, 4))];
        let report = ask("US", "plant_patent", &told, None);
        assert_eq!(report.expiry_on, Some(date(2046, 7, 4)));
        let without_filing = ask("US", "plant_patent", &[("grant", date(2026, 7, 4))], None);
        assert_eq!(without_filing.expiry_on, None);
        assert!(
            without_filing
                .unknown
                .iter()
                .any(|unanswered| unanswered.what == What::Expiry)
        );
    }

    #[test]
    fn a_benefit_filing_shortens_the_term_and_foreign_priority_does_not() {
        let filed = ("filing", date(2022, 8, 15));
        let ends = |earlier| ask("US", "plant_patent", &[earlier, filed], None).expiry_on;
        assert_eq!(
            ends(("earliest_benefit_filing", date(2020, 6, 1))),
            Some(date(2040, 6, 1))
        );
        assert_eq!(
            ends(("foreign_pbr_filing", date(2021, 9, 1))),
            Some(date(2042, 8, 15))
        );
        assert_eq!(
            ends(("provisional_filing", date(2021, 9, 1))),
            Some(date(2042, 8, 15))
        );
    }

    #[test]
    fn filings_before_8_june_1995_have_the_later_of_two_ends() {
        let ends = |filed, granted| {
            ask(
                "US",
                "plant_patent",
                &[("filing", filed), ("grant", granted)],
                None,
            )
            .expiry_on
        };
        assert_eq!(
            ends(date(1995, 6, 7), date(1999, 3, 2)),
            Some(date(2016, 3, 2))
        );
        assert_eq!(
            ends(date(1995, 6, 7), date(1996, 3, 5)),
            Some(date(2015, 6, 7))
        );
        assert_eq!(
            ends(date(1995, 6, 8), date(1999, 3, 2)),
            Some(date(2015, 6, 8))
        );
    }

    #[test]
    fn adjustment_lengthens_and_a_disclaimer_cuts() {
        let attributes = Attributes {
            pta_days: Some(45),
            disclaimed_to: Some(date(2043, 6, 1)),
            ..Attributes::default()
        };
        let filed = inputs(&[("filing", date(2023, 5, 13))]);
        let report = clock("US", "plant_patent", &filed, &attributes).unwrap();
        assert_eq!(report.expiry_on, Some(date(2043, 6, 1)));
    }

    #[test]
    fn priority_stands_for_filing_only_within_its_twelve_months() {
        let kept = |sold, first_filed, filed| {
            let told = [
                ("eu_sale", sold),
                ("first_filing", first_filed),
                ("filing", filed),
            ];
            let report = ask("EU", "cpvr", &told, Some(true));
            (report.novelty_kept, report.effective_filing_on)
        };
        let (sold, first) = (date(2024, 9, 1), date(2025, 8, 20));
        assert_eq!(
            kept(sold, first, date(2026, 8, 20)),
            (Some(true), Some(first))
        );
        assert_eq!(
            kept(sold, first, date(2026, 8, 21)),
            (Some(false), Some(date(2026, 8, 21)))
        );
        assert_eq!(
            kept(date(2024, 8, 19), first, date(2026, 8, 10)),
            (Some(false), Some(first)),
            "the first filing itself came a day too late"
        );
    }

    #[test]
    fn trees_have_six_years_abroad_and_other_plants_four() {
        let sold = ("first_sale_abroad", date(2020, 5, 5));
        let until = |tree| days(&ask("AU", "pbr", &[sold], Some(tree)), What::FileBy).0;
        assert_eq!(until(true), date(2026, 5, 5));
        assert_eq!(until(false), date(2024, 5, 5));
    }

    #[test]
    fn an_untold_class_is_asked_for_unless_it_makes_no_difference() {
        let sold = ("first_sale_abroad", date(2020, 5, 5));
        let report = ask("AU", "pbr", &[sold, ("filing", date(2025, 5, 5))], None);
        assert_eq!(report.novelty_kept, None);
        assert!(report.unknown[0].reason.contains("tree_or_vine"));
        let early = ask("AU", "pbr", &[sold, ("filing", date(2024, 5, 5))], None);
        assert_eq!(early.novelty_kept, Some(true));
        let late = ask("AU", "pbr", &[sold, ("filing", date(2026, 5, 6))], None);
        assert_eq!(late.novelty_kept, Some(false));
    }

    #[test]
    fn the_union_is_home_for_its_members_while_they_were_members() {
        let until = |country: &str, on| {
            let attributes = Attributes {
                tree_or_vine: Some(true),
                ..Attributes::default()
            };
            let report = clock("EU", "cpvr", &[sale(on, country)], &attributes).unwrap();
            days(&report, What::FileBy).0
        };
        assert_eq!(until("es", date(2024, 3, 1)), date(2025, 3, 1));
        assert_eq!(until("CL", date(2024, 3, 1)), date(2030, 3, 1));
        assert_eq!(until("GB", date(2020, 12, 31)), date(2021, 12, 31));
        assert_eq!(until("GB", date(2021, 1, 1)), date(2027, 1, 1));
    }

    #[test]
    fn community_rights_end_with_a_calendar_year() {
        for granted in [date(2024, 1, 1), date(2024, 2, 29), date(2024, 12, 31)] {
            let ends = |tree| ask("EU", "cpvr", &[("grant", granted)], Some(tree)).expiry_on;
            assert_eq!(ends(true), Some(date(2054, 12, 31)));
            assert_eq!(ends(false), Some(date(2049, 12, 31)));
        }
    }

    #[test]
    fn terms_from_grant_hold_the_anniversary_and_the_day_before() {
        let term = ask("GB", "pbr", &[("grant", date(2024, 2, 29))], Some(true))
            .term
            .unwrap();
        assert_eq!(
            (term.on, term.or_day_before),
            (date(2054, 2, 28), Some(date(2054, 2, 27)))
        );
    }

    #[test]
    fn older_woody_rights_in_new_zealand_keep_their_23_years() {
        let ends = |granted| ask("NZ", "pvr", &[("grant", granted)], Some(true)).expiry_on;
        assert_eq!(ends(date(2023, 1, 23)), Some(date(2046, 1, 23)));
        assert_eq!(ends(date(2023, 1, 24)), Some(date(2048, 1, 24)));
        let named = Attributes {
            tree_or_vine: Some(true),
            act: Some("1987".to_owned()),
            ..Attributes::default()
        };
        let granted = inputs(&[("grant", date(2024, 3, 31))]);
        let report = clock("NZ", "pvr", &granted, &named).unwrap();
        assert_eq!(report.expiry_on, Some(date(2047, 3, 31)));
    }

    #[test]
    fn a_later_text_governs_older_rights_only_when_a_person_says_so() {
        let granted = inputs(&[("registered", date(2023, 11, 30))]);
        let ends = |act: Option<&str>| {
            let attributes = Attributes {
                tree_or_vine: Some(true),
                act: act.map(str::to_owned),
                ..Attributes::default()
            };
            let report = clock("JP", "pbr", &granted, &attributes).unwrap();
            assert!(!report.warnings.is_empty());
            report.expiry_on
        };
        assert_eq!(ends(None), Some(date(2053, 11, 30)));
        assert_eq!(ends(Some("2026")), Some(date(2063, 11, 30)));
        let later = ask(
            "JP",
            "pbr",
            &[("registered", date(2026, 7, 24))],
            Some(false),
        );
        assert_eq!(later.expiry_on, Some(date(2061, 7, 24)));
    }

    #[test]
    fn an_offer_counts_as_a_sale_only_where_the_law_says_so() {
        let offer = EventInput {
            event: "first_offer".to_owned(),
            ..sale(date(2024, 3, 1), "CA")
        };
        let attributes = Attributes {
            tree_or_vine: Some(true),
            ..Attributes::default()
        };
        let canada = clock("CA", "pbr", std::slice::from_ref(&offer), &attributes).unwrap();
        assert_eq!(days(&canada, What::FileBy).0, date(2025, 3, 1));
        let union = clock("EU", "cpvr", &[offer], &attributes).unwrap();
        assert!(union.deadlines.iter().all(|deadline| !deadline.certain));
    }

    #[test]
    fn a_convention_sets_a_minimum_and_no_expiry() {
        let report = ask(
            "UPOV",
            "breeders_right",
            &[("grant", date(2025, 10, 31))],
            Some(true),
        );
        assert_eq!(report.minimum_expiry_on, Some(date(2050, 10, 31)));
        assert_eq!(report.expiry_on, None);
    }

    #[test]
    fn law_that_nobody_read_gives_no_date() {
        let told = [
            ("first_sale_home", date(2024, 3, 1)),
            ("grant", date(2025, 3, 1)),
        ];
        let report = ask("ZA", "pbr", &told, Some(true));
        assert!(report.deadlines.is_empty());
        assert_eq!((report.expiry_on, report.novelty_kept), (None, None));
        assert_eq!(report.unknown.len(), 2);
    }

    #[test]
    fn a_start_older_than_the_text_is_not_shown_as_sure() {
        let report = ask("CA", "pbr", &[("grant", date(2011, 6, 30))], Some(true));
        assert_eq!(report.expiry_on, Some(date(2036, 6, 30)));
        assert_eq!(report.term.unwrap().confidence, Confidence::Unknown);
        assert!(
            report
                .warnings
                .iter()
                .any(|warning| warning.contains("older text"))
        );
    }

    #[test]
    fn doubtful_disclosures_may_start_a_clock_and_leave_novelty_to_a_person() {
        let attributes = Attributes::default();
        let mut events = vec![EventInput {
            event: "transfer_for_test_without_agreement".to_owned(),
            on: date(2024, 3, 1),
            country: Some("US".to_owned()),
        }];
        let before = clock("US", "plant_patent", &events, &attributes).unwrap();
        assert!(before.deadlines.iter().all(|deadline| !deadline.certain));
        assert!(before.first(What::FileBy).is_none());
        events.extend(inputs(&[("filing", date(2026, 3, 2))]));
        let filed = clock("US", "plant_patent", &events, &attributes).unwrap();
        assert_eq!(filed.novelty_kept, None);
    }

    #[test]
    fn replies_are_counted_from_mailing() {
        let attributes = Attributes {
            shortened_months: Some(3),
            ..Attributes::default()
        };
        let mailed = inputs(&[("action_mailed", date(2026, 11, 30))]);
        let report = clock("US", "plant_patent", &mailed, &attributes).unwrap();
        assert_eq!(
            days(&report, What::ReplyBy),
            (date(2027, 2, 28), date(2027, 3, 1))
        );
        let untold = clock("US", "plant_patent", &mailed, &Attributes::default()).unwrap();
        assert!(untold.first(What::ReplyBy).is_none());
        assert!(untold.unknown[0].reason.contains("shortened_months"));
        assert!(untold.first(What::ReplyAtLatest).is_some());
    }

    #[test]
    fn bad_input_names_its_field_and_a_remedy() {
        let on = date(2024, 3, 1);
        let unknown = refuse("BR", "pbr", &[("grant", on)]).to_string();
        assert!(unknown.contains("`BR` is not covered") && unknown.contains("ZA (South Africa)"));
        let kind = refuse("EU", "plant_patent", &[("grant", on)]).to_string();
        assert!(kind.starts_with("kind:") && kind.contains("community_plant_variety_right"));
        let event = refuse("EU", "cpvr", &[("harvest", on)]).to_string();
        assert!(event.starts_with("events[0].event:") && event.contains("first_sale"));
        let sold = refuse("US", "plant_patent", &[("filing", on), ("first_sale", on)]).to_string();
        assert!(sold.starts_with("events[1].country:") && sold.contains("two-letter"));
        let far = refuse("EU", "cpvr", &[("grant", date(1824, 3, 1))]).to_string();
        assert!(far.starts_with("events[0].on:") && far.contains("1930-01-01"));
        assert!(matches!(
            refuse("EU", "cpvr", &[("grant", date(2924, 3, 1))]),
            RightsError::DateOutOfRange { .. }
        ));
        let order =
            refuse("EU", "cpvr", &[("grant", on), ("filing", date(2024, 3, 2))]).to_string();
        assert!(order.starts_with("events[0].on: grant on 2024-03-01 comes before filing"));
        let twice = refuse(
            "EU",
            "cpvr",
            &[("filing", on), ("filing", date(2024, 3, 2))],
        );
        assert!(matches!(twice, RightsError::RepeatedEvent { .. }));
        let country = clock("US", "pvp", &[sale(on, "UK")], &Attributes::default()).unwrap_err();
        assert!(country.to_string().contains("give GB"));
        let upov = clock("UPOV", "pbr", &[sale(on, "CL")], &Attributes::default()).unwrap_err();
        assert!(upov.to_string().contains("home_country"));
    }

    #[test]
    fn what_a_grant_or_a_timely_claim_shows_to_be_done_is_no_longer_due() {
        let mut told = vec![
            ("foreign_pbr_filing", date(2025, 1, 20)),
            ("filing", date(2026, 1, 20)),
            ("allowance_mailed", date(2027, 3, 1)),
        ];
        let due = |told: &[Told<'_>]| -> Vec<What> {
            let report = ask("US", "plant_patent", told, None);
            report
                .due_list(date(2026, 2, 1), &[])
                .iter()
                .map(|item| item.what)
                .collect()
        };
        assert_eq!(due(&told), [What::PayIssueFeeBy]);
        told.push(("grant", date(2027, 8, 1)));
        assert_eq!(due(&told), []);
    }

    #[test]
    fn a_late_claim_is_due_only_once_the_timely_one_is_missed() {
        let report = ask(
            "US",
            "plant_patent",
            &[("foreign_pbr_filing", date(2025, 1, 20))],
            None,
        );
        let due = |as_of| -> Vec<What> {
            report
                .due_list(as_of, &[])
                .iter()
                .map(|item| item.what)
                .collect()
        };
        assert_eq!(due(date(2026, 1, 20)), [What::ClaimPriorityBy]);
        assert_eq!(
            due(date(2026, 1, 21)),
            [What::ClaimPriorityBy, What::PetitionLatePriorityBy]
        );
    }

    #[test]
    fn words_may_carry_their_place() {
        let until = |jurisdiction, kind, word| {
            let told = [(word, date(2024, 3, 1))];
            days(&ask(jurisdiction, kind, &told, Some(true)), What::FileBy).0
        };
        assert_eq!(until("GB", "pbr", "uk_sale"), date(2025, 3, 1));
        assert_eq!(until("US", "pvp", "uk_sale"), date(2030, 3, 1));
        assert_eq!(until("NZ", "pvr", "nz_sale"), date(2025, 3, 1));
        assert_eq!(until("EU", "cpvr", "es_sale"), date(2025, 3, 1));
        assert_eq!(until("CA", "pbr", "outside_ca_sale"), date(2030, 3, 1));
        let told = [("eu_filed", date(2024, 3, 1))];
        let abroad = ask("US", "plant_patent", &told, None);
        assert!(abroad.first(What::ClaimPriorityBy).is_some());
        let home = ask("EU", "cpvr", &told, None);
        assert_eq!(home.effective_filing_on, Some(date(2024, 3, 1)));
        let unknown = refuse("CA", "pbr", &[("outside_eu_sale", date(2024, 3, 1))]);
        assert!(matches!(unknown, RightsError::UnknownEvent { .. }));
    }

    #[test]
    fn filing_and_grant_on_the_same_day_are_in_order() {
        let on = date(2024, 3, 1);
        let report = ask(
            "JP",
            "breeders_right",
            &[("grant", on), ("filing", on)],
            Some(true),
        );
        assert_eq!(report.expiry_on, Some(date(2054, 3, 1)));
    }

    #[test]
    fn a_convention_takes_a_home_country() {
        let attributes = Attributes {
            home_country: Some("CL".to_owned()),
            tree_or_vine: Some(true),
            ..Attributes::default()
        };
        let until = |country: &str| {
            let report = clock(
                "UPOV",
                "pbr",
                &[sale(date(2024, 3, 1), country)],
                &attributes,
            )
            .unwrap();
            days(&report, What::FileBy).0
        };
        assert_eq!(
            (until("CL"), until("AR")),
            (date(2025, 3, 1), date(2030, 3, 1))
        );
    }
}
