//! Clocks answered from what is told alone.

use contract::release::{
    AskClockRequest, ClockAnswer, CoveredJurisdiction, CoveredRight, JurisdictionList, LawRule,
    LawVersion, ListJurisdictionsRequest,
};
use platform::{Fault, Fields, Unit};
use rights::book::{Counted, Limb, Roll, Rule, TermRule, Version};
use rights::calendar::Length;
use rights::{Attributes, Book, CAUTION, ClockRequest, EventInput, EventKind};

use super::asked::rights_fault;
use super::shown;
use crate::ReleaseApp;
use crate::domain::dossier::word;

/// Most events in one question.
const EVENTS_MAX: usize = 500;

/// Answers a clock from the events told.
pub async fn ask(
    _app: &ReleaseApp,
    _unit: &mut Unit,
    request: AskClockRequest,
) -> Result<ClockAnswer, Fault> {
    let mut fields = Fields::new();
    fields.text("jurisdiction", &request.jurisdiction, 40);
    fields.text("kind", &request.kind, 80);
    fields.require(
        request.events.len() <= EVENTS_MAX,
        "events",
        format!("holds more than {EVENTS_MAX} events"),
    );
    let mut events = Vec::with_capacity(request.events.len());
    for (i, told) in request.events.iter().enumerate() {
        let event = fields
            .text(&format!("events/{i}/event"), &told.event, 80)
            .to_owned();
        if let Some(on) = fields.date(&format!("events/{i}/on"), &told.on) {
            events.push(EventInput {
                event,
                on,
                country: Some(told.country.clone()).filter(|code| !code.is_empty()),
            });
        }
    }
    let mut attributes = Attributes::default();
    for (name, value) in request
        .attributes
        .iter()
        .filter(|(_, value)| !value.is_empty())
    {
        if let Err(error) = attributes.set(name, value) {
            fields.fault(&format!("attributes/{name}"), error.to_string());
        }
    }
    fields.finish()?;
    let asked = ClockRequest {
        jurisdiction: request.jurisdiction.trim().to_owned(),
        kind: request.kind.trim().to_owned(),
        events,
        attributes,
    };
    let report = Book::embedded()
        .clock(&asked)
        .map_err(|e| rights_fault(&e))?;
    let on = |day: Option<jiff::civil::Date>| day.map(|day| day.to_string());
    let term = report.term.as_ref();
    Ok(ClockAnswer {
        jurisdiction: report.jurisdiction.to_owned(),
        kind: report.kind.to_owned(),
        deadlines: report.deadlines.iter().map(shown::deadline).collect(),
        expiry_on: on(report.expiry_on),
        minimum_expiry_on: on(report.minimum_expiry_on),
        novelty_kept: report.novelty_kept,
        effective_filing_on: on(report.effective_filing_on),
        expiry_law: term.map(|term| term.law.to_owned()).unwrap_or_default(),
        expiry_confidence: term.map(|term| word(term.confidence)).unwrap_or_default(),
        law_version: report.law_version.to_owned(),
        annual_fees: word(report.annual_fees),
        unanswered: shown::unanswered(&report),
        warnings: shown::warnings(&report),
        caution: CAUTION.to_owned(),
    })
}

/// What is covered.
pub async fn jurisdictions(
    _app: &ReleaseApp,
    _unit: &mut Unit,
    _request: ListJurisdictionsRequest,
) -> Result<JurisdictionList, Fault> {
    Ok(JurisdictionList {
        items: Book::embedded()
            .jurisdictions()
            .iter()
            .map(|jurisdiction| CoveredJurisdiction {
                code: jurisdiction.code.clone(),
                name: jurisdiction.name.clone(),
                reviewed_on: jurisdiction.reviewed_on.to_string(),
                note: jurisdiction.note.clone().unwrap_or_default(),
                rights: jurisdiction
                    .routes
                    .iter()
                    .map(|route| CoveredRight {
                        kind: route.kind.clone(),
                        name: route.name.clone(),
                        office: route.office.clone(),
                        longer_class: route.longer_class.clone(),
                        note: route.note.clone().unwrap_or_default(),
                        versions: route.versions.iter().map(version).collect(),
                        annual_fees: word(route.fees.due),
                        fee_law: route.fees.law.clone(),
                        fee_confidence: word(route.fees.confidence),
                        calendar: word(route.calendar),
                    })
                    .collect(),
            })
            .collect(),
        caution: CAUTION.to_owned(),
    })
}

fn version(version: &Version) -> LawVersion {
    LawVersion {
        title: version.title.clone(),
        act: version.act.clone(),
        in_force_from: shown::day(version.in_force_from),
        chosen_by: words(&version.chosen_by),
        rules: version
            .rules
            .iter()
            .map(rule)
            .chain(
                version
                    .term
                    .limbs
                    .iter()
                    .map(|limb| term(&version.term, limb)),
            )
            .collect(),
    }
}

fn words(events: &[EventKind]) -> Vec<String> {
    events.iter().map(|event| event.word().to_owned()).collect()
}

/// A period in words.
fn period(length: Option<Length>) -> String {
    let some = |n: u16, one: &str| format!("{n} {one}{}", if n == 1 { "" } else { "s" });
    match length {
        Some(Length::Years(n)) => some(n.into(), "year"),
        Some(Length::Months(n)) => some(n.into(), "month"),
        Some(Length::Days(n)) => some(n, "day"),
        Some(Length::MonthsSetByOffice) => "months that the office sets".to_owned(),
        None => "unknown".to_owned(),
    }
}

fn longer(length: Option<Length>) -> String {
    length
        .map(|length| period(Some(length)))
        .unwrap_or_default()
}

fn rule(rule: &Rule) -> LawRule {
    LawRule {
        what: word(rule.what),
        starts: words(&rule.starts),
        may_start: words(&rule.may_start),
        place: word(rule.place),
        period: period(rule.period),
        longer_period: longer(rule.tree_or_vine_period),
        roll: word(rule.roll),
        binds: rule.binds.clone(),
        extension: rule.extension.clone().unwrap_or_default(),
        law: rule.law.clone(),
        confidence: word(rule.confidence),
        note: rule.note.clone().unwrap_or_default(),
    }
}

/// One way of counting a term; a term's end never moves.
fn term(rule: &TermRule, limb: &Limb) -> LawRule {
    let counted = |length: String| match limb.counted {
        Counted::EndOfCalendarYear if !length.is_empty() && length != "unknown" => {
            format!("{length}, to the end of that calendar year")
        }
        _ => length,
    };
    LawRule {
        what: word(rule.what),
        starts: words(&limb.starts),
        place: "anywhere".to_owned(),
        period: counted(period(limb.period)),
        longer_period: counted(longer(limb.tree_or_vine_period)),
        roll: word(Roll::None),
        binds: "holder".to_owned(),
        law: rule.law.clone(),
        confidence: word(rule.confidence),
        note: rule.note.clone().unwrap_or_default(),
        ..LawRule::default()
    }
}
