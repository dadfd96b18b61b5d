//! Filings, grants and what comes after them.

use std::collections::BTreeMap;

use contract::release::{
    Filing, FilingList, ListFilingsRequest, RecordFilingEventRequest, RecordFilingRequest,
    RecordGrantRequest,
};
use platform::database::{Day, Instant};
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use rights::{Book, CAUTION};
use serde_json::json;

use super::asked::{self, checked, fault_of_new_event, happened, rights_fault};
use super::events::{Announcement, announce};
use super::shown;
use crate::ReleaseApp;
use crate::domain::webhook::Topic;
use crate::domain::words::FilingEventWord;
use crate::domain::{CandidateId, FilingEventId, FilingId};
use crate::store::dossiers::{self, FilingEventRow, FilingRow};
use crate::store::webhooks::Subject;

/// Records a filing.
pub async fn record(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RecordFilingRequest,
) -> Result<Filing, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: FilingId = fields.client_id(&request.id);
    let jurisdiction = fields.text("jurisdiction", &request.jurisdiction, 40);
    let on = happened(&mut fields, "on", &request.on, today);
    let number = fields
        .text("application_number", &request.application_number, 100)
        .to_owned();
    let priority_of: Option<FilingId> = fields.optional_id("priority_of", &request.priority_of);
    fields.finish()?;
    let on = checked(on, "on")?;
    let jurisdiction = Book::embedded()
        .jurisdiction(jurisdiction)
        .map_err(|e| rights_fault(&e))?;
    if jurisdiction.territory.is_empty() {
        return Err(Fault::field(
            "/jurisdiction",
            format!(
                "{} is a convention, before which nobody files; name the member's own",
                jurisdiction.name
            ),
        ));
    }
    let route = match (request.kind.as_str(), jurisdiction.routes.as_slice()) {
        ("", [only]) => only,
        ("", several) => {
            let kinds: Vec<_> = several.iter().map(|route| route.kind.as_str()).collect();
            return Err(Fault::field(
                "/kind",
                format!(
                    "{} has several rights; use one of {}",
                    jurisdiction.name,
                    kinds.join(", ")
                ),
            ));
        }
        (kind, _) => jurisdiction.route(kind).map_err(|e| rights_fault(&e))?,
    };
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    if let Some(earlier) = priority_of {
        let filed = dossiers::filings(unit.connection(), programme, Some(&[candidate.id])).await?;
        let earlier = filed
            .iter()
            .find(|filing| filing.id == earlier)
            .ok_or_else(|| {
                Fault::field(
                    "/priority_of",
                    "is no filing of this candidate; record that one first",
                )
            })?;
        if earlier.filed_on.0 > on {
            return Err(Fault::field(
                "/priority_of",
                format!("was filed on {}, after this one", earlier.filed_on.0),
            ));
        }
        if earlier.jurisdiction == jurisdiction.code {
            return Err(Fault::field(
                "/priority_of",
                "is before the same office; priority is claimed from a filing elsewhere",
            ));
        }
    }
    let row = FilingRow {
        id,
        candidate_id: candidate.id,
        jurisdiction: jurisdiction.code.clone(),
        kind: route.kind.clone(),
        filed_on: Day(on),
        application_number: number,
        priority_of,
        granted_on: None,
        grant_number: String::new(),
        pta_days: None,
    };
    let by = unit.caller().name.clone();
    dossiers::insert_filing(unit.connection(), programme, &row, &by, now)
        .await
        .on_constraint("filing_once", || {
            Fault::exists(
                "/jurisdiction",
                format!(
                    "a filing for {} in {} is on record already",
                    route.name, jurisdiction.name
                ),
            )
        })?;
    unit.touch("filing", id);
    one(unit, row).await
}

/// Records a grant.
pub async fn grant(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RecordGrantRequest,
) -> Result<Filing, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let on = happened(&mut fields, "on", &request.on, today);
    let number = fields
        .text("grant_number", &request.grant_number, 100)
        .to_owned();
    let pta_days = request
        .pta_days
        .map(|days| fields.count("pta_days", days, 0, 20_000));
    fields.finish()?;
    let on = checked(on, "on")?;
    let mut row = locked(unit, &request.filing_id).await?;
    if on < row.filed_on.0 {
        return Err(Fault::field(
            "/on",
            format!(
                "{on} comes before the filing, on {}; correct one of the two",
                row.filed_on.0
            ),
        ));
    }
    if let Some(granted) = row.granted_on {
        return Err(Fault::state(format!(
            "a grant on {} ({}) is on record already",
            granted.0, row.grant_number
        )));
    }
    if pta_days.is_some() && row.kind != "plant_patent" {
        return Err(Fault::field(
            "/pta_days",
            "is known to United States patents alone",
        ));
    }
    let programme = unit.programme()?;
    dossiers::grant(
        unit.connection(),
        programme,
        row.id,
        Day(on),
        &number,
        pta_days,
    )
    .await?;
    unit.touch("filing", row.id);
    row.granted_on = Some(Day(on));
    row.grant_number = number;
    row.pta_days = pta_days;
    let open = json!({
        "filing_id": row.id.to_string(),
        "jurisdiction": row.jurisdiction,
        "kind": row.kind,
        "granted_on": on.to_string(),
        "grant_number": row.grant_number,
    });
    let told = Announcement::new(Subject::Filing, row.id.uuid(), row.candidate_id, open);
    announce(unit, Topic::GrantRecorded, &told).await?;
    one(unit, row).await
}

/// Records another event.
pub async fn record_event(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RecordFilingEventRequest,
) -> Result<Filing, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: FilingEventId = fields.client_id(&request.id);
    let event = fields.word::<FilingEventWord>("event", &request.event);
    let on = happened(&mut fields, "on", &request.on, today);
    let evidence = request.evidence.trim().to_owned();
    if let Some(event) = event {
        fields.require(
            !(event.needs_evidence() && evidence.is_empty()),
            "evidence",
            format!("is required: {event} counts only with the receipt, letter or file number that shows it"),
        );
        let fee = event == FilingEventWord::AnnualFeePaid;
        fields.require(
            fee == request.year_n.is_some(),
            "year_n",
            if fee {
                "is required: the year of protection that the fee pays for, counted from 1 at grant"
            } else {
                "belongs to annual fees alone"
            },
        );
    }
    let year = request
        .year_n
        .map(|year| fields.count("year_n", year, 1, 60));
    fields.finish()?;
    let (event, on) = (checked(event, "event")?, checked(on, "on")?);
    let row = locked(unit, &request.filing_id).await?;
    let (after, named) = match row.granted_on {
        Some(granted) if event.needs_grant() => (granted.0, "grant"),
        None if event.needs_grant() => {
            return Err(Fault::state(format!(
                "{event} comes after a grant, and none is on record; record it first"
            )));
        }
        _ => (row.filed_on.0, "filing"),
    };
    if on < after {
        return Err(Fault::field(
            "/on",
            format!("{on} comes before the {named}, on {after}; correct one of the two"),
        ));
    }
    write_event(
        unit,
        &row,
        FilingEventRow {
            id,
            filing_id: row.id,
            candidate_id: row.candidate_id,
            event: event.word().to_owned(),
            on_day: Day(on),
            evidence,
            year_n: year,
        },
    )
    .await?;
    one(unit, row).await
}

/// Writes an event of a filing.
pub(super) async fn write_event(
    unit: &mut Unit,
    filing: &FilingRow,
    event: FilingEventRow,
) -> Result<(), Fault> {
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let by = unit.caller().name.clone();
    dossiers::insert_event(unit.connection(), programme, &event, &by, now)
        .await
        .map_err(
            |error| match error.as_database_error().and_then(|e| e.constraint()) {
                Some("annual_fee_once") => Fault::exists(
                    "/year_n",
                    format!(
                        "the fee of year {} is on record as paid",
                        event.year_n.unwrap_or_default()
                    ),
                ),
                Some("right_ends_once") => {
                    Fault::state("this right has ended already; a right ends once")
                }
                _ => error.into(),
            },
        )?;
    unit.touch("filing", filing.id);
    if FilingEventWord::from_word(&event.event).is_some_and(FilingEventWord::ends_right) {
        let open = json!({
            "filing_id": filing.id.to_string(),
            "jurisdiction": filing.jurisdiction,
            "kind": filing.kind,
            "ended_by": event.event,
            "on": event.on_day.0.to_string(),
        });
        let told = Announcement::new(Subject::Filing, filing.id.uuid(), filing.candidate_id, open)
            .for_staff(json!({ "evidence": event.evidence }));
        announce(unit, Topic::RightEnded, &told).await?;
    }
    Ok(())
}

/// The filing named, locked.
pub(super) async fn locked(unit: &mut Unit, id: &str) -> Result<FilingRow, Fault> {
    let mut fields = Fields::new();
    let parsed: Option<FilingId> = fields.id("filing_id", id);
    fields.finish()?;
    let programme = unit.programme()?;
    dossiers::lock_filing(unit.connection(), programme, checked(parsed, "filing_id")?)
        .await?
        .ok_or_else(|| Fault::not_found("filing", id))
}

/// A filing with what its clocks say of it now.
async fn one(unit: &mut Unit, row: FilingRow) -> Result<Filing, Fault> {
    let id = row.id.to_string();
    of_candidate(unit, row.candidate_id)
        .await?
        .into_iter()
        .find(|filing| filing.id == id)
        .ok_or_else(|| Fault::not_found("filing", id))
}

/// A candidate's filings with what their clocks say as of the last day told.
pub(super) async fn of_candidate(unit: &mut Unit, id: CandidateId) -> Result<Vec<Filing>, Fault> {
    let (programme, today) = (unit.programme()?, unit.today());
    let rows = dossiers::filings(unit.connection(), programme, Some(&[id])).await?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let mut events = by_filing(dossiers::events(unit.connection(), programme, Some(&[id])).await?);
    let (_, dossier) = asked::dossier(unit, id).await?;
    let as_of = dossier.last_day(today);
    let states = dossier.routes(as_of).map_err(|e| fault_of_new_event(&e))?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let state = states
                .iter()
                .find(|state| state.filing.is_some_and(|filing| filing.id == row.id));
            let own = events.remove(&row.id).unwrap_or_default();
            let mut filing = shown::filing(row, own, state.map(|state| &state.route.report));
            if let Some(state) = state {
                filing.warnings.extend(state.route.reasons.iter().cloned());
            }
            filing
        })
        .collect())
}

fn by_filing(events: Vec<FilingEventRow>) -> BTreeMap<FilingId, Vec<FilingEventRow>> {
    let mut by: BTreeMap<FilingId, Vec<FilingEventRow>> = BTreeMap::new();
    for event in events {
        by.entry(event.filing_id).or_default().push(event);
    }
    by
}

/// Lists filings.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListFilingsRequest,
) -> Result<FilingList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let candidate: Option<CandidateId> = fields.optional_id("candidate_id", &request.candidate_id);
    fields.finish()?;
    let programme = unit.programme()?;
    let after: Option<FilingId> = page.after_key()?;
    let mut rows = dossiers::filings(
        unit.connection(),
        programme,
        candidate.as_ref().map(std::slice::from_ref),
    )
    .await?;
    rows.sort_by_key(|row| row.id);
    rows.retain(|row| after.is_none_or(|after| row.id > after));
    rows.truncate(usize::try_from(page.fetch()).unwrap_or(usize::MAX));
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let mut shown: BTreeMap<String, Filing> = BTreeMap::new();
    let candidates: std::collections::BTreeSet<CandidateId> =
        rows.iter().map(|row| row.candidate_id).collect();
    for candidate in candidates {
        for filing in of_candidate(unit, candidate).await? {
            shown.insert(filing.id.clone(), filing);
        }
    }
    Ok(FilingList {
        items: rows
            .iter()
            .filter_map(|row| shown.remove(&row.id.to_string()))
            .collect(),
        next_cursor,
        caution: CAUTION.to_owned(),
    })
}
