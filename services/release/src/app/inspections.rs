//! Inspections: trees counted on the ground, held against trees reported.
//!
//! What an inspection finds is put right by a correction of the report, which names the
//! inspection, and by a new royalty statement; nothing that was reported or stated is overwritten.

use contract::release::{
    Inspection, InspectionList, ListInspectionsRequest, RecordInspectionRequest,
};
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rust_decimal::Decimal;
use serde_json::json;

use super::asked::{self, checked};
use super::events::{Announcement, announce};
use super::shown;
use crate::ReleaseApp;
use crate::domain::audit::{Finding, compare};
use crate::domain::money::read_decimal;
use crate::domain::webhook::Topic;
use crate::domain::{InspectionId, LicenceId};
use crate::store::inspections::{self, InspectionRow};
use crate::store::webhooks::Subject;
use crate::store::{licences, reports};

/// Most trees counted at one place; more is taken for a slip.
const TREES_MAX: u32 = 100_000_000;
/// Percent by which a count may differ when nothing else is said.
const TOLERANCE_PERCENT: Decimal = Decimal::TWO;

/// Records an inspection.
pub async fn record(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RecordInspectionRequest,
) -> Result<Inspection, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: InspectionId = fields.client_id(&request.id);
    let licence: Option<LicenceId> = fields.id("licence_id", &request.licence_id);
    let place = fields.text("place", &request.place, 300).to_owned();
    let on = fields.date("on", &request.on);
    if let Some(on) = on {
        fields.require(
            on <= today,
            "on",
            format!("{on} lies ahead; record what was counted"),
        );
    }
    let counted_n = i64::from(fields.count("counted_n", request.counted_n, 0, TREES_MAX));
    let counted_by = fields
        .text("counted_by", &request.counted_by, 200)
        .to_owned();
    let evidence = fields.text("evidence", &request.evidence, 1000).to_owned();
    let tolerance = match request.tolerance_percent.as_str() {
        "" => TOLERANCE_PERCENT,
        text => match read_decimal(text) {
            Ok(percent) => {
                fields.require(
                    percent <= Decimal::ONE_HUNDRED,
                    "tolerance_percent",
                    format!("{percent} is more than 100"),
                );
                percent
            }
            Err(fault) => {
                fields.fault("tolerance_percent", fault);
                TOLERANCE_PERCENT
            }
        },
    };
    fields.finish()?;
    let (licence_id, on) = (checked(licence, "licence_id")?, checked(on, "on")?);
    let programme = unit.programme()?;
    let licence = licences::find(unit.connection(), programme, licence_id)
        .await?
        .ok_or_else(|| {
            Fault::field(
                "/licence_id",
                format!("no licence {licence_id} is known here"),
            )
        })?;
    if on < licence.starts_on.0 {
        return Err(Fault::field(
            "/on",
            format!(
                "{on} comes before the licence's start, {}",
                licence.starts_on.0
            ),
        ));
    }
    // Reports and counts of one licence take turns, so that the two sums belong together.
    reports::take_turn(unit.connection(), licence_id).await?;
    let (places_n, elsewhere_n) =
        inspections::elsewhere(unit.connection(), programme, licence_id, &place, Day(on)).await?;
    let reported_n = reports::begun_by(unit.connection(), programme, licence_id, on).await?;
    let row = InspectionRow {
        id,
        licence_id,
        candidate_id: licence.candidate_id,
        licensee_id: licence.licensee_id,
        place,
        on_day: Day(on),
        counted_n,
        counted_by,
        evidence,
        tolerance_percent: tolerance.normalize().to_string(),
        note: request.note.trim().to_owned(),
        counted_everywhere_n: elsewhere_n + counted_n,
        places_n: i32::try_from(places_n + 1).unwrap_or(i32::MAX),
        reported_n,
        recorded_by: unit.caller().name.clone(),
        recorded_at: Instant(unit.now()),
        corrected_by_report_id: None,
    };
    inspections::insert(unit.connection(), programme, &row).await?;
    unit.touch("inspection", id);
    let made = told(row)?;
    let open = json!({
        "inspection_id": made.id,
        "licence_id": made.licence_id,
        "place": made.place,
        "on": made.on,
        "counted_n": made.counted_n,
        "counted_everywhere_n": made.counted_everywhere_n,
        "reported_n": made.reported_n,
        "difference_n": made.difference_n,
        "finding": made.finding,
    });
    let of = Announcement::new(Subject::Inspection, id.uuid(), licence.candidate_id, open)
        .for_staff(json!({ "licensee_name": licence.licensee_name, "evidence": made.evidence }));
    announce(unit, Topic::InspectionRecorded, &of).await?;
    Ok(made)
}

fn told(row: InspectionRow) -> Result<Inspection, Fault> {
    let tolerance: Decimal = row.tolerance_percent.parse().map_err(Fault::internal)?;
    let found = compare(row.counted_everywhere_n, row.reported_n, tolerance);
    let flagged = found.finding != Finding::WithinTolerance;
    let mut notes = Vec::new();
    match (found.finding, row.corrected_by_report_id) {
        (Finding::WithinTolerance, _) => {}
        (_, Some(_)) => notes.push(
            "a report was corrected after this count; state the royalty of its period anew where one was stated"
                .to_owned(),
        ),
        (Finding::More, None) => notes.push(format!(
            "{} trees more than reported: have the report corrected (corrects_id and this inspection_id), then correct the royalty statement of its period",
            found.difference_n
        )),
        (Finding::Fewer, None) => notes.push(
            "fewer trees than reported: trees may have been sold, lost or not be counted yet; count every place before anything is corrected"
                .to_owned(),
        ),
    }
    Ok(Inspection {
        id: row.id.to_string(),
        licence_id: row.licence_id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        licensee_id: row.licensee_id.to_string(),
        place: row.place,
        on: row.on_day.0.to_string(),
        counted_n: shown::count(row.counted_n),
        counted_by: row.counted_by,
        evidence: row.evidence,
        tolerance_percent: row.tolerance_percent,
        note: row.note,
        counted_everywhere_n: shown::count(row.counted_everywhere_n),
        places_n: shown::count(i64::from(row.places_n)),
        reported_n: shown::count(row.reported_n),
        difference_n: found.difference_n,
        difference_percent: found.difference_percent,
        finding: found.finding.word().to_owned(),
        flagged,
        corrected_by_report_id: shown::id(row.corrected_by_report_id),
        recorded_by: row.recorded_by,
        recorded_at: row.recorded_at.0.to_string(),
        notes,
    })
}

/// Lists inspections.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListInspectionsRequest,
) -> Result<InspectionList, Fault> {
    let (page, licence) = asked::page_under(request.limit, &request.cursor, &request.licence_id)?;
    let programme = unit.programme()?;
    let rows = inspections::list(
        unit.connection(),
        programme,
        licence,
        request.open_only,
        &page,
    )
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(InspectionList {
        items: rows.into_iter().map(told).collect::<Result<_, _>>()?,
        next_cursor,
    })
}
