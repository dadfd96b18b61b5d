//! Clocks answered from what is told alone.

use contract::release::{
    AskClockRequest, ClockAnswer, CoveredJurisdiction, CoveredRight, JurisdictionList,
    ListJurisdictionsRequest,
};
use platform::{Fault, Fields, Unit};
use rights::{Attributes, Book, CAUTION, ClockRequest, EventInput};

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
                    })
                    .collect(),
            })
            .collect(),
        caution: CAUTION.to_owned(),
    })
}
