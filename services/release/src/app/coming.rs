//! What is coming that a partner may know of: what its own papers ask for, and where the protection
//! of what they are about ends. The database shows a partner nothing else.

use std::collections::BTreeMap;

use contract::release::{ComingItem, ComingList, ListComingRequest};
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rights::{Book, CAUTION, Standing};

use super::asked::rights_fault;
use crate::ReleaseApp;
use crate::domain::CandidateId;
use crate::domain::denomination::NameState;
use crate::domain::dossier::word;
use crate::domain::territory::{Territory, reaches};
use crate::store::candidates::{self, CandidateRow};
use crate::store::{agreements, denominations, dossiers, licences};

/// Years that are looked ahead when nobody says.
const YEARS_AHEAD: i64 = 2;
/// Candidates read at once.
const AT_ONCE: i64 = 200;

/// Lists what is coming.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListComingRequest,
) -> Result<ComingList, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let until = fields
        .optional_date("until", &request.until)
        .unwrap_or_else(|| today.saturating_add(YEARS_AHEAD.years()));
    fields.finish()?;
    let programme = unit.programme()?;
    let mut own: Vec<CandidateRow> = Vec::new();
    loop {
        let after = own.last().map(|row| row.id);
        let page = candidates::list_after(unit.connection(), programme, after, AT_ONCE).await?;
        let last = page.len() < AT_ONCE as usize;
        own.extend(page);
        if last {
            break;
        }
    }
    let ids: Vec<CandidateId> = own.iter().map(|row| row.id).collect();
    let named = names(unit, &own, &ids).await?;
    let mut items = papers(unit, &named, &ids, (today, until)).await?;
    items.extend(rights_that_end(unit, &named, &ids, (today, until)).await?);
    items.sort_by(|a, b| (&a.on, &a.denomination, &a.what).cmp(&(&b.on, &b.denomination, &b.what)));
    Ok(ComingList {
        items,
        as_of: today.to_string(),
        caution: CAUTION.to_owned(),
    })
}

/// The published denomination of each candidate, or its code.
async fn names(
    unit: &mut Unit,
    own: &[CandidateRow],
    ids: &[CandidateId],
) -> Result<BTreeMap<CandidateId, String>, Fault> {
    let programme = unit.programme()?;
    let mut named: BTreeMap<CandidateId, String> =
        own.iter().map(|row| (row.id, row.code.clone())).collect();
    for row in denominations::of_candidates(unit.connection(), programme, ids).await? {
        if row.state == NameState::Published.word() {
            named.insert(row.candidate_id, row.name);
        }
    }
    Ok(named)
}

fn item(
    named: &BTreeMap<CandidateId, String>,
    candidate: CandidateId,
    on: Date,
    today: Date,
    what: &str,
) -> ComingItem {
    ComingItem {
        on: on.to_string(),
        days_left: (on - today).get_days(),
        what: what.to_owned(),
        candidate_id: candidate.to_string(),
        denomination: named.get(&candidate).cloned().unwrap_or_default(),
        ..ComingItem::default()
    }
}

/// What licences and testing agreements ask for.
async fn papers(
    unit: &mut Unit,
    named: &BTreeMap<CandidateId, String>,
    ids: &[CandidateId],
    (today, until): (Date, Date),
) -> Result<Vec<ComingItem>, Fault> {
    let programme = unit.programme()?;
    let mut items = Vec::new();
    for row in licences::ledgers(unit.connection(), programme, Some(ids)).await? {
        let starts = row.ledger.starts;
        let begins = (starts > today && starts <= until).then_some((starts, "licence_starts"));
        let due = row.ledger.due(today, until).into_iter();
        for (on, what) in begins
            .into_iter()
            .chain(due.map(|due| (due.on, due.what.word())))
        {
            items.push(ComingItem {
                licence_id: row.id.to_string(),
                about: row.number.clone(),
                ..item(named, row.candidate_id, on, today, what)
            });
        }
    }
    for row in agreements::of_candidates(unit.connection(), programme, Some(ids)).await? {
        if row.settled_n < row.trees_n && row.ends_on.0 <= until {
            items.push(ComingItem {
                agreement_id: row.id.to_string(),
                about: format!("{}, {}", row.place, row.country),
                ..item(
                    named,
                    row.candidate_id,
                    row.ends_on.0,
                    today,
                    "return_trees",
                )
            });
        }
    }
    Ok(items)
}

/// Rights that end where the partner is licensed.
async fn rights_that_end(
    unit: &mut Unit,
    named: &BTreeMap<CandidateId, String>,
    ids: &[CandidateId],
    (today, until): (Date, Date),
) -> Result<Vec<ComingItem>, Fault> {
    let programme = unit.programme()?;
    let mut licensed: BTreeMap<CandidateId, Vec<Territory>> = BTreeMap::new();
    for row in licences::of_candidates(unit.connection(), programme, ids).await? {
        if row.standing(today) != "ended" {
            let own = licensed.entry(row.candidate_id).or_default();
            own.extend(row.territories());
        }
    }
    let licensees: Vec<CandidateId> = licensed.keys().copied().collect();
    let mut items = Vec::new();
    for (heading, dossier) in
        dossiers::dossiers(unit.connection(), programme, Some(&licensees)).await?
    {
        for state in dossier.routes(today).map_err(|e| rights_fault(&e))? {
            let route = &state.route;
            let Some(on) = route.report.expiry_on.filter(|on| *on <= until) else {
                continue;
            };
            let jurisdiction = Book::embedded()
                .jurisdiction(route.jurisdiction)
                .map_err(|e| rights_fault(&e))?;
            let reached = licensed
                .get(&heading.id)
                .into_iter()
                .flatten()
                .any(|place| reaches(jurisdiction, place, today));
            if route.standing != Standing::Granted || !reached {
                continue;
            }
            let term = route.report.term.as_ref();
            items.push(ComingItem {
                about: format!("{} {}", route.jurisdiction, route.kind.replace('_', " ")),
                law: term.map(|term| term.law.to_owned()).unwrap_or_default(),
                confidence: term.map(|term| word(term.confidence)).unwrap_or_default(),
                ..item(named, heading.id, on, today, "right_ends")
            });
        }
    }
    Ok(items)
}
