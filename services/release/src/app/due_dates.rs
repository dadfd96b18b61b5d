//! Due dates across candidates, and that they were met.

use std::collections::BTreeSet;

use contract::release::{
    AnnounceDueDatesRequest, ConfirmDueDateRequest, DueDate, DueDateList, DueDatesAnnounced,
    ListDueDatesRequest,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, PersonId, ProgrammeId, Unit};
use rights::{CAUTION, RightsError, What};
use serde_json::json;
use uuid::Uuid;

use super::asked::{self, checked, happened};
use super::events::Announcement;
use super::{events, filings, neighbours, shown};
use crate::ReleaseApp;
use crate::domain::dossier::{LEAD_DAYS, a_year_ahead, urgency, word};
use crate::domain::reporting::Owed;
use crate::domain::webhook::Topic;
use crate::domain::words::FilingEventWord;
use crate::domain::{CandidateId, FilingEventId};
use crate::store::agreements::{self, AgreementRow};
use crate::store::dossiers::{self, DoneRow, FilingEventRow, Heading};
use crate::store::licences;
use crate::store::webhooks::{self, Subject};

/// What keys of due dates under testing agreements begin with.
const AGREEMENT: &str = "agreement.";
/// What keys of due dates under licences begin with.
const LICENCE: &str = "licence.";
/// Word under which the end of a testing agreement falls due.
const RETURN_TREES: &str = "return_trees";
/// Word under which events that contradict each other fall due.
const MEND_RECORD: &str = "mend_record";

/// What is still to be done, over all candidates or one, earliest first.
pub(super) async fn open(
    unit: &mut Unit,
    programme: ProgrammeId,
    candidate: Option<CandidateId>,
    responsible: Option<PersonId>,
    as_of: Date,
    until: Option<Date>,
) -> Result<Vec<DueDate>, Fault> {
    let only = candidate.as_ref().map(std::slice::from_ref);
    let done: BTreeSet<(CandidateId, String)> = dossiers::done(unit.connection(), programme, only)
        .await?
        .into_iter()
        .filter(|row| row.on_day.0 <= as_of)
        .map(|row| (row.candidate_id, row.key))
        .collect();
    let mut all = Vec::new();
    for (heading, dossier) in dossiers::dossiers(unit.connection(), programme, only).await? {
        if responsible.is_some() && heading.responsible_id != responsible {
            continue;
        }
        let due = match dossier.due(as_of) {
            Ok(due) => due,
            // One candidate whose record the rules cannot read must not hide the others' dates.
            Err(error) => {
                all.push(unreadable(&heading, &error, as_of));
                continue;
            }
        };
        for due in due {
            if until.is_none_or(|until| due.item.nominal_on <= until) {
                all.push(shown::due_date(&heading, &due));
            }
        }
    }
    all.extend(held_trees(unit, programme, candidate, responsible, as_of, until).await?);
    all.extend(under_licences(unit, programme, candidate, responsible, as_of, until).await?);
    all.retain(|due| {
        let id = due.candidate_id.parse();
        !id.is_ok_and(|id| done.contains(&(id, due.key.clone())))
    });
    all.sort_by_cached_key(place);
    Ok(all)
}

/// That a candidate's events on file contradict each other, so that its dates cannot be told.
fn unreadable(heading: &Heading, error: &RightsError, as_of: Date) -> DueDate {
    DueDate {
        key: format!("record.{MEND_RECORD}"),
        candidate_id: heading.id.to_string(),
        candidate_code: heading.code.clone(),
        denomination: heading.denomination.clone().unwrap_or_default(),
        kind: "record".to_owned(),
        what: MEND_RECORD.to_owned(),
        nominal_on: as_of.to_string(),
        due_on: as_of.to_string(),
        urgency: word(urgency(as_of, as_of)),
        law: error.to_string(),
        responsible_id: shown::id(heading.responsible_id),
        caution: CAUTION.to_owned(),
        ..DueDate::default()
    }
}

/// Where a due date stands in the list; the cursor.
fn place(due: &DueDate) -> String {
    format!("{} {} {}", due.nominal_on, due.candidate_id, due.key)
}

async fn held_trees(
    unit: &mut Unit,
    programme: ProgrammeId,
    candidate: Option<CandidateId>,
    responsible: Option<PersonId>,
    as_of: Date,
    until: Option<Date>,
) -> Result<Vec<DueDate>, Fault> {
    let only = candidate.as_ref().map(std::slice::from_ref);
    let rows: Vec<AgreementRow> = agreements::of_candidates(unit.connection(), programme, only)
        .await?
        .into_iter()
        .filter(|row| row.settled_n < row.trees_n)
        .filter(|row| row.starts_on.0 <= as_of)
        .filter(|row| until.is_none_or(|until| row.ends_on.0 <= until))
        .collect();
    let mut held = Vec::new();
    for row in rows {
        if responsible.is_some() && row.responsible_id != responsible {
            continue;
        }
        let on = row.ends_on.0;
        held.push(DueDate {
            key: format!("{AGREEMENT}{}.{RETURN_TREES}", row.id),
            candidate_id: row.candidate_id.to_string(),
            candidate_code: row.candidate_code,
            jurisdiction: String::new(),
            kind: "testing_agreement".to_owned(),
            what: RETURN_TREES.to_owned(),
            nominal_on: on.to_string(),
            due_on: on.to_string(),
            days_left: (on - as_of).get_days(),
            urgency: word(urgency(on, as_of)),
            remind_on: reminders(on, as_of),
            law: format!("agreement with {} at {}", row.holder_name, row.place),
            confidence: String::new(),
            responsible_id: shown::id(row.responsible_id),
            caution: CAUTION.to_owned(),
            ..DueDate::default()
        });
    }
    Ok(held)
}

/// Days on which to remind of a day, from another on.
fn reminders(on: Date, as_of: Date) -> Vec<String> {
    LEAD_DAYS
        .iter()
        .map(|days| on.saturating_sub(i64::from(*days).days()))
        .filter(|day| *day >= as_of)
        .map(|day| day.to_string())
        .collect()
}

/// What falls due under licences: reports, minimums, and the end.
async fn under_licences(
    unit: &mut Unit,
    programme: ProgrammeId,
    candidate: Option<CandidateId>,
    responsible: Option<PersonId>,
    as_of: Date,
    until: Option<Date>,
) -> Result<Vec<DueDate>, Fault> {
    let only = candidate.as_ref().map(std::slice::from_ref);
    let until = until.unwrap_or_else(|| a_year_ahead(as_of));
    let mut all = Vec::new();
    for row in licences::ledgers(unit.connection(), programme, only).await? {
        if responsible.is_some() && row.responsible_id != responsible {
            continue;
        }
        for due in row.ledger.due(as_of, until) {
            let period = due.period.map_or(String::new(), |period| {
                format!(" for {} to {}", period.first, period.last)
            });
            all.push(DueDate {
                key: format!("{LICENCE}{}.{}", row.id, due.key()),
                candidate_id: row.candidate_id.to_string(),
                candidate_code: row.candidate_code.clone(),
                denomination: row.denomination.clone().unwrap_or_default(),
                kind: "licence".to_owned(),
                what: due.what.word().to_owned(),
                nominal_on: due.on.to_string(),
                due_on: due.on.to_string(),
                days_left: (due.on - as_of).get_days(),
                urgency: word(urgency(due.on, as_of)),
                remind_on: reminders(due.on, as_of),
                law: format!("licence {} with {}{period}", row.number, row.licensee_name),
                responsible_id: shown::id(row.responsible_id),
                licence_id: row.id.to_string(),
                caution: CAUTION.to_owned(),
                ..DueDate::default()
            });
        }
    }
    Ok(all)
}

/// Writes beside due dates who answers for them, by name.
pub(super) async fn name_responsible(
    app: &ReleaseApp,
    programme: ProgrammeId,
    dates: &mut [DueDate],
) {
    let ids = dates
        .iter()
        .filter_map(|due| due.responsible_id.parse().ok());
    let names = neighbours::names(app, programme, ids).await;
    for due in dates {
        if let Some(name) = names.get(&due.responsible_id) {
            due.responsible_name.clone_from(name);
        }
    }
}

/// One candidate's due dates as of a day.
pub(super) async fn of_candidate(
    app: &ReleaseApp,
    unit: &mut Unit,
    candidate: CandidateId,
    as_of: Date,
) -> Result<Vec<DueDate>, Fault> {
    let programme = unit.programme()?;
    let mut due = open(unit, programme, Some(candidate), None, as_of, None).await?;
    name_responsible(app, programme, &mut due).await;
    Ok(due)
}

/// Lists due dates.
pub async fn list(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: ListDueDatesRequest,
) -> Result<DueDateList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let as_of = asked::as_of(&mut fields, &request.as_of, unit.today());
    let until = fields
        .optional_date("until", &request.until)
        .unwrap_or_else(|| a_year_ahead(as_of));
    let responsible = fields.optional_id("responsible_id", &request.responsible_id);
    fields.finish()?;
    let programme = unit.programme()?;
    let mut items = open(unit, programme, None, responsible, as_of, Some(until)).await?;
    if let Some(after) = &page.after {
        items.retain(|due| place(due) > *after);
    }
    items.truncate(usize::try_from(page.fetch()).unwrap_or(usize::MAX));
    let (mut items, next_cursor) = page.cut(items, place);
    name_responsible(app, programme, &mut items).await;
    Ok(DueDateList {
        items,
        next_cursor,
        caution: CAUTION.to_owned(),
    })
}

/// Announces what came near or was reached and was not announced before: once for each lead and
/// once for the day itself.
pub async fn announce(
    _app: &ReleaseApp,
    unit: &mut Unit,
    _request: AnnounceDueDatesRequest,
) -> Result<DueDatesAnnounced, Fault> {
    let (programme, today, now) = (unit.programme()?, unit.today(), Instant(unit.now()));
    let farthest = LEAD_DAYS.iter().max().copied().unwrap_or_default();
    let until = today.saturating_add(i64::from(farthest).days());
    let mut announced_n = 0;
    for due in open(unit, programme, None, None, today, Some(until)).await? {
        let (Ok(candidate), false) = (due.candidate_id.parse(), due.what == MEND_RECORD) else {
            continue;
        };
        let lead = match due.days_left {
            ..=0 => 0,
            left => match LEAD_DAYS
                .iter()
                .map(|days| i32::from(*days))
                .filter(|days| left <= *days)
                .min()
            {
                Some(lead) => lead,
                None => continue,
            },
        };
        if !webhooks::tell_due_date(unit.connection(), programme, candidate, &due.key, lead, now)
            .await?
        {
            continue;
        }
        let (subject, id) = subject(&due, candidate);
        let open = json!({
            "key": due.key,
            "what": due.what,
            "jurisdiction": due.jurisdiction,
            "kind": due.kind,
            "nominal_on": due.nominal_on,
            "due_on": due.due_on,
            "days_left": due.days_left,
            "law": due.law,
            "licence_id": due.licence_id,
        });
        let told = Announcement::new(subject, id, candidate, open).for_staff(json!({
            "candidate_code": due.candidate_code,
            "denomination": due.denomination,
            "urgency": due.urgency,
            "confidence": due.confidence,
            "responsible_id": due.responsible_id,
        }));
        let topic = if lead == 0 {
            Topic::DueDateReached
        } else {
            Topic::DueDateComing
        };
        events::announce(unit, topic, &told).await?;
        announced_n += 1;
    }
    Ok(DueDatesAnnounced { announced_n })
}

/// What a due date is announced about. Trees held for test concern their holder as well, and what
/// falls due under a licence its licensee; all others are the staff's own.
fn subject(due: &DueDate, candidate: CandidateId) -> (Subject, Uuid) {
    let named = |prefix: &str| -> Option<Uuid> {
        let (id, _) = due.key.strip_prefix(prefix)?.split_once('.')?;
        id.parse().ok()
    };
    if let Some(id) = named(AGREEMENT) {
        (Subject::Agreement, id)
    } else if let Some(id) = named(LICENCE) {
        (Subject::Licence, id)
    } else {
        (Subject::DueDate, candidate.uuid())
    }
}

/// Why a due date is not confirmed by hand, where it is not.
fn met_elsewhere(what: &str) -> Option<&'static str> {
    match (what, Owed::from_word(what)) {
        (RETURN_TREES, _) => {
            Some("trees held for test are settled under their agreement, with how many came back")
        }
        (MEND_RECORD, _) => Some("a record is mended by correcting its events"),
        (_, Some(Owed::Report)) => {
            Some("a report is due; it is met by propagation reports that cover its whole period")
        }
        (_, Some(Owed::Minimum)) => {
            Some("a minimum is due; it is met by royalty statements that cover its whole period")
        }
        _ => None,
    }
}

/// Confirms that a due date was met.
pub async fn confirm(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: ConfirmDueDateRequest,
) -> Result<DueDate, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let key = fields.text("key", &request.key, 200).to_owned();
    let on = happened(&mut fields, "on", &request.on, today);
    let evidence = fields.text("evidence", &request.evidence, 1000).to_owned();
    fields.finish()?;
    let on = checked(on, "on")?;
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let programme = unit.programme()?;
    let mut due = of_candidate(app, unit, candidate.id, today.min(on))
        .await?
        .into_iter()
        .find(|due| due.key == key)
        .ok_or_else(|| Fault::not_found("open due date", &key))?;
    if let Some(why) = met_elsewhere(&due.what) {
        return Err(Fault::state(why));
    }
    let (now, by) = (Instant(unit.now()), unit.caller().name.clone());
    if due.what == word(What::AnnualFee) {
        // A fee paid is an event of its filing, from which what is owing is computed.
        let filing = dossiers::filings(unit.connection(), programme, Some(&[candidate.id]))
            .await?
            .into_iter()
            .find(|row| row.jurisdiction == due.jurisdiction && row.kind == due.kind)
            .ok_or_else(|| Fault::not_found("filing of due date", &key))?;
        let event = FilingEventRow {
            id: FilingEventId::new(),
            filing_id: filing.id,
            candidate_id: candidate.id,
            event: FilingEventWord::AnnualFeePaid.word().to_owned(),
            on_day: Day(on),
            evidence: evidence.clone(),
            year_n: due.year_n.and_then(|n| i32::try_from(n).ok()),
        };
        filings::write_event(unit, &filing, event).await?;
    } else {
        let row = DoneRow {
            candidate_id: candidate.id,
            key,
            on_day: Day(on),
            evidence: evidence.clone(),
        };
        dossiers::insert_done(unit.connection(), programme, &row, &by, now).await?;
        unit.touch("candidate", candidate.id);
    }
    due.done_on = Some(on.to_string());
    due.evidence = evidence;
    Ok(due)
}
