//! Rows and findings as the contract shows them.

use contract::release::{
    DenominationFindings, DenominationWarning, Disclosure, DueDate, Filing, FilingEvent,
    MarkingText, MaterialCount, RightDeadline, RightRoute, StageMove, StartedClock,
    UnansweredQuestion,
};
use jiff::civil::Date;
use rights::denomination::Findings;
use rights::{CAUTION, ClockReport, Deadline, Marking};

use crate::domain::dossier::{Due, RouteState, fee_word, word};
use crate::domain::stage::Stage;
use crate::store::candidates::MoveRow;
use crate::store::dossiers::{DisclosureRow, FilingEventRow, FilingRow, Heading};
use crate::store::material::MaterialRow;
use platform::fields::Words as _;

/// A day, or the empty text.
pub fn day(on: Option<Date>) -> String {
    on.map(|on| on.to_string()).unwrap_or_default()
}

/// An id, or the empty text.
pub fn id<T: ToString>(id: Option<T>) -> String {
    id.map(|id| id.to_string()).unwrap_or_default()
}

/// A count for the contract.
pub fn count(n: i64) -> u32 {
    u32::try_from(n.max(0)).unwrap_or(u32::MAX)
}

/// A move.
pub fn stage_move(row: MoveRow, may_move_to: Vec<String>) -> StageMove {
    StageMove {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        from_stage: row.from_stage.unwrap_or_default(),
        stage: row.to_stage,
        on: row.on_day.0.to_string(),
        reason: row.reason,
        by: row.decided_by_name,
        reversal: row.reversal,
        may_move_to,
        evidence: row.evidence,
    }
}

/// A count of trees or budwood.
pub fn material(row: MaterialRow) -> MaterialCount {
    MaterialCount {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        place: row.place,
        country: row.country,
        what: row.what,
        n: count(row.n.into()),
        on: row.on_day.0.to_string(),
        note: row.note,
        by: row.counted_by,
    }
}

/// Words of stages to which a candidate may go.
pub fn may_move_to(at: Stage, withdrawn_from: Option<Stage>) -> Vec<String> {
    crate::domain::stage::moves_from(at, withdrawn_from)
        .into_iter()
        .map(|(stage, _)| stage.word().to_owned())
        .collect()
}

/// A disclosure.
pub fn disclosure(row: DisclosureRow) -> Disclosure {
    Disclosure {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        kind: row.kind,
        on: row.on_day.0.to_string(),
        country: row.country.unwrap_or_default(),
        detail: row.detail,
        disclosed_to: row.disclosed_to,
        recorded_by: row.recorded_by,
        clocks: Vec::new(),
        warnings: Vec::new(),
        caution: CAUTION.to_owned(),
    }
}

/// A deadline.
pub fn deadline(deadline: &Deadline<'_>) -> RightDeadline {
    RightDeadline {
        what: word(deadline.what),
        nominal_on: deadline.nominal_on.to_string(),
        due_on: deadline.due_on.to_string(),
        law: deadline.law.to_owned(),
        confidence: word(deadline.confidence),
        started_by: deadline.started_by.word().to_owned(),
        started_on: deadline.started_on.to_string(),
        roll: word(deadline.roll),
        certain: deadline.certain,
        met: deadline.met,
        binds: deadline.binds.to_owned(),
        extension: deadline.extension.unwrap_or_default().to_owned(),
    }
}

/// A clock that an event started.
pub fn started_clock(report: &ClockReport<'_>, deadline: &Deadline<'_>) -> StartedClock {
    StartedClock {
        jurisdiction: report.jurisdiction.to_owned(),
        kind: report.kind.to_owned(),
        what: word(deadline.what),
        started_by: deadline.started_by.word().to_owned(),
        started_on: deadline.started_on.to_string(),
        nominal_on: deadline.nominal_on.to_string(),
        due_on: deadline.due_on.to_string(),
        certain: deadline.certain,
        law: deadline.law.to_owned(),
        confidence: word(deadline.confidence),
    }
}

/// What could not be said.
pub fn unanswered(report: &ClockReport<'_>) -> Vec<UnansweredQuestion> {
    report
        .unknown
        .iter()
        .map(|question| UnansweredQuestion {
            what: word(question.what),
            reason: question.reason.to_string(),
        })
        .collect()
}

/// What a reader should know besides.
pub fn warnings(report: &ClockReport<'_>) -> Vec<String> {
    report.warnings.iter().map(ToString::to_string).collect()
}

/// One way to protection.
pub fn route(state: &RouteState<'_>) -> RightRoute {
    let route = &state.route;
    let report = &route.report;
    let on = |day: Option<Date>| day.map(|day| day.to_string());
    RightRoute {
        jurisdiction: route.jurisdiction.to_owned(),
        jurisdiction_name: route.jurisdiction_name.to_owned(),
        kind: route.kind.to_owned(),
        name: route.name.to_owned(),
        standing: word(route.standing),
        open_until_nominal: on(route.open_until_nominal),
        open_until: on(route.open_until),
        may_close_on: on(route.may_close_on),
        priority_until: on(route.priority_until),
        reasons: route.reasons(),
        deadlines: report.deadlines.iter().map(deadline).collect(),
        expiry_on: on(report.expiry_on),
        expiry_or_day_before: on(report.term.as_ref().and_then(|term| term.or_day_before)),
        expiry_law: report
            .term
            .as_ref()
            .map(|t| t.law.to_owned())
            .unwrap_or_default(),
        expiry_confidence: report
            .term
            .as_ref()
            .map(|t| word(t.confidence))
            .unwrap_or_default(),
        fee_state: match state.filing.and_then(|filing| filing.granted_on) {
            Some(_) => fee_word(state.fees).to_owned(),
            None => String::new(),
        },
        filing_id: id(state.filing.map(|filing| filing.id)),
        application_number: state
            .filing
            .map(|filing| filing.application_number.clone())
            .unwrap_or_default(),
        grant_number: state
            .filing
            .map(|filing| filing.grant_number.clone())
            .unwrap_or_default(),
        unanswered: unanswered(report),
        warnings: warnings(report),
    }
}

/// A due date.
pub fn due_date(heading: &Heading, due: &Due) -> DueDate {
    DueDate {
        key: due.key.clone(),
        candidate_id: heading.id.to_string(),
        candidate_code: heading.code.clone(),
        denomination: heading.denomination.clone().unwrap_or_default(),
        jurisdiction: due.item.jurisdiction.to_owned(),
        kind: due.item.kind.to_owned(),
        what: word(due.item.what),
        year_n: due.item.year_n.map(u32::from),
        nominal_on: due.item.nominal_on.to_string(),
        due_on: due.item.due_on.to_string(),
        days_left: due.item.days_left,
        urgency: word(due.item.urgency),
        remind_on: due.item.remind_on.iter().map(ToString::to_string).collect(),
        law: due.item.law.to_owned(),
        confidence: word(due.item.confidence),
        responsible_id: id(heading.responsible_id),
        caution: CAUTION.to_owned(),
        ..DueDate::default()
    }
}

/// A filing with its events and, where its clocks were asked, what they say.
pub fn filing(
    row: FilingRow,
    events: Vec<FilingEventRow>,
    report: Option<&ClockReport<'_>>,
) -> Filing {
    let ended = events
        .iter()
        .find(|event| matches!(event.event.as_str(), "lapse" | "surrender" | "expiry"));
    let term = report.and_then(|report| report.term.as_ref());
    Filing {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        jurisdiction: row.jurisdiction,
        kind: row.kind,
        filed_on: row.filed_on.0.to_string(),
        application_number: row.application_number,
        priority_of: id(row.priority_of),
        granted_on: row.granted_on.map(|on| on.0.to_string()),
        grant_number: row.grant_number,
        ended_by: ended.map(|event| event.event.clone()).unwrap_or_default(),
        ended_on: ended.map(|event| event.on_day.0.to_string()),
        expiry_on: report
            .and_then(|report| report.expiry_on)
            .map(|on| on.to_string()),
        expiry_law: term.map(|term| term.law.to_owned()).unwrap_or_default(),
        expiry_confidence: term.map(|term| word(term.confidence)).unwrap_or_default(),
        novelty_kept: report.and_then(|report| report.novelty_kept),
        deadlines: report
            .map(|report| report.deadlines.iter().map(deadline).collect())
            .unwrap_or_default(),
        warnings: report.map(warnings).unwrap_or_default(),
        events: events
            .into_iter()
            .map(|event| FilingEvent {
                id: event.id.to_string(),
                event: event.event,
                on: event.on_day.0.to_string(),
                evidence: event.evidence,
                year_n: event.year_n.and_then(|n| u32::try_from(n).ok()),
            })
            .collect(),
        caution: CAUTION.to_owned(),
    }
}

/// What the checks of a denomination found.
pub fn findings(found: &Findings) -> DenominationFindings {
    DenominationFindings {
        warnings: found
            .warnings
            .iter()
            .map(|warning| DenominationWarning {
                principle: word(warning.principle),
                article: warning.article.to_owned(),
                text: warning.text.clone(),
                against: warning.against.clone().unwrap_or_default(),
            })
            .collect(),
        compared_n: u32::try_from(found.compared_n).unwrap_or(u32::MAX),
        caution: CAUTION.to_owned(),
    }
}

/// Text for a tag.
pub fn marking(marking: Marking<'_>) -> MarkingText {
    MarkingText {
        jurisdiction: marking.jurisdiction.to_owned(),
        kind: marking.kind.to_owned(),
        text: marking.text.unwrap_or_default(),
        missing: marking.missing.unwrap_or_default().to_owned(),
        effect: marking.effect.to_owned(),
        law: marking.law.to_owned(),
        confidence: word(marking.confidence),
    }
}
