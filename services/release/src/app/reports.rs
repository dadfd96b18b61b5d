//! Propagation reports, by the licensee or by the programme's own people.

use contract::release::{
    ListPropagationReportsRequest, PropagationReport, PropagationReportList,
    ReportPropagationRequest,
};
use platform::database::{Day, Instant};
use platform::fault::OnConstraint as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use serde_json::json;

use super::asked::{self, checked};
use super::events::{Announcement, announce};
use super::shown;
use crate::ReleaseApp;
use crate::domain::money::read_decimal;
use crate::domain::webhook::Topic;
use crate::domain::{InspectionId, LicenceId, ReportId};
use crate::store::reports::ReportRow;
use crate::store::webhooks::Subject;
use crate::store::{inspections, licences, reports};

/// Most trees in one report; more is taken for a slip.
const TREES_MAX: u32 = 100_000_000;

/// Records a report.
pub async fn report(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ReportPropagationRequest,
) -> Result<PropagationReport, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: ReportId = fields.client_id(&request.id);
    let licence: Option<LicenceId> = fields.id("licence_id", &request.licence_id);
    let period = asked::period(&mut fields, &request.period_start, &request.period_end);
    if let Some((start, _)) = period {
        fields.require(
            start <= today,
            "period_start",
            format!("{start} lies ahead; a report tells what was propagated"),
        );
    }
    let trees_n = fields.count("trees_n", request.trees_n, 0, TREES_MAX);
    let decimal = |fields: &mut Fields, name: &str, text: &str| {
        if text.is_empty() {
            return None;
        }
        read_decimal(text)
            .map_err(|fault| fields.fault(name, fault))
            .ok()
            .map(|value| value.to_string())
    };
    let hectares = decimal(&mut fields, "hectares", &request.hectares);
    let kilograms = decimal(&mut fields, "kilograms", &request.kilograms);
    let corrects: Option<ReportId> = fields.optional_id("corrects_id", &request.corrects_id);
    let inspection: Option<InspectionId> =
        fields.optional_id("inspection_id", &request.inspection_id);
    fields.require(
        inspection.is_none() || corrects.is_some(),
        "inspection_id",
        "belongs to a correction; name the report it corrects (corrects_id)",
    );
    fields.finish()?;
    let licence_id = checked(licence, "licence_id")?;
    let (start, end) = checked(period, "period_start")?;
    let programme = unit.programme()?;
    let licence = licences::find(unit.connection(), programme, licence_id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", licence_id))?;
    let last = licence.ends_on.map(|on| on.0);
    if start < licence.starts_on.0 || last.is_some_and(|last| last < end) {
        let until = last.map_or("open".to_owned(), |last| last.to_string());
        let pointer = if start < licence.starts_on.0 {
            "/period_start"
        } else {
            "/period_end"
        };
        return Err(Fault::field(
            pointer,
            format!(
                "lies outside the licence, {} to {until}",
                licence.starts_on.0
            ),
        ));
    }
    reports::take_turn(unit.connection(), licence_id).await?;
    if let Some(replaced) = corrects {
        let earlier = reports::find(unit.connection(), programme, replaced)
            .await?
            .filter(|earlier| earlier.licence_id == licence_id)
            .ok_or_else(|| Fault::field("/corrects_id", "is no report under this licence"))?;
        if !reports::replace(unit.connection(), programme, earlier.id, id).await? {
            return Err(Fault::state(
                "that report was corrected before; correct the one that stands",
            ));
        }
    }
    if let Some(inspection) = inspection {
        inspections::find(unit.connection(), programme, inspection)
            .await?
            .filter(|found| found.licence_id == licence_id)
            .ok_or_else(|| Fault::field("/inspection_id", "is no inspection of this licence"))?;
    }
    let so_far =
        reports::so_far(unit.connection(), programme, licence_id).await? + i64::from(trees_n);
    let row = ReportRow {
        id,
        licence_id,
        candidate_id: licence.candidate_id,
        licensee_id: licence.licensee_id,
        period_start: Day(start),
        period_end: Day(end),
        trees_n: i64::from(trees_n),
        hectares,
        kilograms,
        corrects_id: corrects,
        corrected_by_id: None,
        note: request.note.trim().to_owned(),
        reported_at: Instant(unit.now()),
        reported_by: unit.caller().name.clone(),
        reported_so_far_n: so_far,
        above_cap: licence.propagate_max_n.is_some_and(|max| so_far > max),
        inspection_id: inspection,
    };
    reports::insert(unit.connection(), programme, &row)
        .await
        .on_constraint(reports::ONCE, || {
            Fault::exists(
                "/period_start",
                "a day in this period was reported before; send a correction of that report (corrects_id)",
            )
        })?;
    unit.touch("propagation_report", id);
    let open = json!({
        "report_id": id.to_string(),
        "licence_id": licence_id.to_string(),
        "period_start": start.to_string(),
        "period_end": end.to_string(),
        "trees_n": row.trees_n,
        "corrects_id": shown::id(corrects),
        "reported_so_far_n": so_far,
        "propagate_max_n": licence.propagate_max_n,
        "above_cap": row.above_cap,
    });
    let of = Announcement::new(Subject::Report, id.uuid(), licence.candidate_id, open)
        .for_staff(json!({ "licensee_name": licence.licensee_name, "note": row.note }));
    announce(unit, Topic::PropagationReported, &of).await?;
    if row.above_cap {
        announce(unit, Topic::AboveCap, &of).await?;
    }
    Ok(told(row, licence.propagate_max_n))
}

/// A report for the contract.
pub(super) fn told(row: ReportRow, max: Option<i64>) -> PropagationReport {
    let warnings = match max {
        Some(max) if row.above_cap => vec![format!(
            "{} trees are reported under this licence, above its cap of {max}; the report is kept and flagged",
            row.reported_so_far_n
        )],
        _ => Vec::new(),
    };
    PropagationReport {
        id: row.id.to_string(),
        licence_id: row.licence_id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        licensee_id: row.licensee_id.to_string(),
        period_start: row.period_start.0.to_string(),
        period_end: row.period_end.0.to_string(),
        trees_n: shown::count(row.trees_n),
        hectares: row.hectares.unwrap_or_default(),
        kilograms: row.kilograms.unwrap_or_default(),
        corrects_id: shown::id(row.corrects_id),
        corrected_by_id: shown::id(row.corrected_by_id),
        note: row.note,
        reported_at: row.reported_at.0.to_string(),
        reported_by: row.reported_by,
        reported_so_far_n: shown::count(row.reported_so_far_n),
        above_cap: row.above_cap,
        propagate_max_n: max.map(shown::count),
        warnings,
        inspection_id: shown::id(row.inspection_id),
    }
}

/// A page of reports under one licence or all that the unit may see.
pub(super) async fn page_of(
    unit: &mut Unit,
    licence: Option<LicenceId>,
    page: &Page,
) -> Result<(Vec<PropagationReport>, Option<String>), Fault> {
    let programme = unit.programme()?;
    let rows = reports::list(unit.connection(), programme, licence, page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let mut licences: Vec<LicenceId> = rows.iter().map(|row| row.licence_id).collect();
    licences.sort_unstable();
    licences.dedup();
    let caps = licences::caps(unit.connection(), programme, &licences).await?;
    let items = rows
        .into_iter()
        .map(|row| {
            let max = caps.get(&row.licence_id).copied().flatten();
            told(row, max)
        })
        .collect();
    Ok((items, next_cursor))
}

/// Lists reports.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListPropagationReportsRequest,
) -> Result<PropagationReportList, Fault> {
    let (page, licence) = asked::page_under(request.limit, &request.cursor, &request.licence_id)?;
    let (items, next_cursor) = page_of(unit, licence, &page).await?;
    Ok(PropagationReportList { items, next_cursor })
}
