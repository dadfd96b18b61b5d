//! What was made known or handed over, and the clocks it started.

use contract::release::{
    Confidentiality, Disclosure, GetConfidentialityRequest, Knowledge, RecordDisclosureRequest,
};
use platform::database::{Day, Instant};
use platform::{Fault, Fields, Unit};
use rights::{CAUTION, EventKind, Standing};

use super::asked::{self, checked, fault_of_new_event, happened};
use super::shown;
use crate::ReleaseApp;
use crate::domain::DisclosureId;
use crate::store::dossiers::DisclosureRow;
use crate::store::{agreements, dossiers, licences};

/// Records a disclosure.
pub async fn record(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RecordDisclosureRequest,
) -> Result<Disclosure, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: DisclosureId = fields.client_id(&request.id);
    let kind = asked::disclosure_kind(&mut fields, &request.kind);
    let on = happened(&mut fields, "on", &request.on, today);
    let country = asked::country(&mut fields, "country", &request.country);
    if let Some(kind) = kind {
        asked::require_country(&mut fields, kind, &request.country);
    }
    let detail = fields.text("detail", &request.detail, 4000).to_owned();
    fields.finish()?;
    let (kind, on) = (checked(kind, "kind")?, checked(on, "on")?);
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let (_, before) = asked::dossier(unit, candidate.id).await?;
    let as_of = before.last_day(today).max(on);
    let before = before.routes(as_of).map_err(|e| fault_of_new_event(&e))?;

    let row = DisclosureRow {
        id,
        candidate_id: candidate.id,
        kind: kind.word().to_owned(),
        on_day: Day(on),
        country: country.map(|code| code.to_string()),
        detail,
        disclosed_to: request.disclosed_to.trim().to_owned(),
        recorded_by: unit.caller().name.clone(),
    };
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    dossiers::insert_disclosure(unit.connection(), programme, &row, now).await?;
    unit.touch("disclosure", id);

    let (_, told) = asked::dossier(unit, candidate.id).await?;
    let after = told.routes(as_of).map_err(|e| fault_of_new_event(&e))?;
    let mut reply = shown::disclosure(row);
    for (before, after) in before.iter().zip(&after) {
        let report = &after.route.report;
        // A clock that an earlier event of the same day started is not this one's.
        reply.clocks.extend(
            report
                .deadlines
                .iter()
                .filter(|d| d.started_by == kind && d.started_on == on)
                .filter(|d| !before.route.report.deadlines.contains(d))
                .map(|d| shown::started_clock(report, d)),
        );
        if before.route.standing != Standing::Closed && after.route.standing == Standing::Closed {
            reply.warnings.push(format!(
                "this closes the way to {} in {}: {}",
                after.route.name,
                after.route.jurisdiction_name,
                after.route.reasons().join("; ")
            ));
        }
    }
    if reply.clocks.is_empty() {
        reply.warnings.push(
            "no new clock was started: earlier events count, or no rule held here speaks of this"
                .to_owned(),
        );
    }
    Ok(reply)
}

/// Who knows of a candidate or holds material of it.
pub async fn confidentiality(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetConfidentialityRequest,
) -> Result<Confidentiality, Fault> {
    let candidate = asked::candidate(unit, &request.candidate_id).await?;
    let programme = unit.programme()?;
    let connection = unit.connection();
    let mut known_by = Vec::new();
    let mut public = false;
    for row in dossiers::disclosures(connection, programme, Some(&[candidate.id])).await? {
        let to_public = row.disclosed_to.is_empty()
            && !matches!(
                EventKind::from_word(&row.kind),
                Some(EventKind::TransferWithAgreement | EventKind::TransferWithoutAgreement)
            );
        public |= to_public;
        known_by.push(Knowledge {
            who: if row.disclosed_to.is_empty() {
                if to_public { "the public" } else { "not told" }.to_owned()
            } else {
                row.disclosed_to
            },
            organisation_id: String::new(),
            since: row.on_day.0.to_string(),
            by: "disclosure".to_owned(),
            detail: format!("{}: {}", row.kind, row.detail),
        });
    }
    for row in licences::of_candidates(connection, programme, &[candidate.id]).await? {
        known_by.push(Knowledge {
            who: row.licensee_name,
            organisation_id: row.licensee_id.to_string(),
            since: row.starts_on.0.to_string(),
            by: "licence".to_owned(),
            detail: format!("{} for {}", row.number, row.purpose),
        });
    }
    for row in agreements::of_candidates(connection, programme, Some(&[candidate.id])).await? {
        known_by.push(Knowledge {
            who: row.holder_name,
            organisation_id: row.holder_id.to_string(),
            since: row.starts_on.0.to_string(),
            by: "testing_agreement".to_owned(),
            detail: format!("{} trees at {}, {}", row.trees_n, row.place, row.country),
        });
    }
    known_by.sort_by(|a, b| a.since.cmp(&b.since));
    Ok(Confidentiality {
        candidate_id: candidate.id.to_string(),
        public,
        known_by,
        caution: CAUTION.to_owned(),
    })
}
