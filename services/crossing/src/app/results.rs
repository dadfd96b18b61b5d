//! What a day's work brings back: every kind of entry in one call, in any order, twice or late.

use contract::common::{FieldError, RejectedRow};
use contract::crossing::{
    CrossWarning, DayResults, DayResultsReply, DayResultsSection, GatherPollenRequest,
    RecordBloomRequest, RecordMotherEventRequest, RecordPassRequest, RecordPollenEventRequest,
};
use platform::fault::FaultKind;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};

use super::import::row_once;
use crate::CrossingApp;
use crate::domain::MotherEventKind;
use crate::domain::ledger::PollenEventKind;

/// Entries in one call at most.
const MOST_ENTRIES: usize = 5000;

/// One entry of a day's work.
enum Entry {
    Bloom(RecordBloomRequest),
    Lot(GatherPollenRequest),
    PollenEvent(RecordPollenEventRequest),
    MotherEvent(RecordMotherEventRequest),
    Pass(RecordPassRequest),
}

/// The sections of the request, in its order.
const SECTIONS: [&str; 5] = [
    "bloom_records",
    "pollen_lots",
    "pollen_events",
    "mother_events",
    "passes",
];

impl Entry {
    fn section(&self) -> usize {
        match self {
            Self::Bloom(_) => 0,
            Self::Lot(_) => 1,
            Self::PollenEvent(_) => 2,
            Self::MotherEvent(_) => 3,
            Self::Pass(_) => 4,
        }
    }

    fn id(&self) -> &str {
        match self {
            Self::Bloom(row) => &row.id,
            Self::Lot(row) => &row.id,
            Self::PollenEvent(row) => &row.id,
            Self::MotherEvent(row) => &row.id,
            Self::Pass(row) => &row.id,
        }
    }

    /// Its day, and its place in the order in which a day's work goes: pollen is gathered, dried and
    /// brought before it is used, mothers are covered before a pass and stripped after it.
    fn turn(&self) -> (&str, u8) {
        match self {
            Self::Bloom(row) => (&row.on, 0),
            Self::Lot(row) => (&row.gathered_on, 1),
            Self::PollenEvent(row) => match PollenEventKind::from_word(&row.kind) {
                Some(PollenEventKind::Used) => (&row.on, 6),
                Some(PollenEventKind::Discarded) => (&row.on, 7),
                _ => (&row.on, 2),
            },
            Self::MotherEvent(row) => match MotherEventKind::from_word(&row.kind) {
                Some(MotherEventKind::Stripped | MotherEventKind::Uncovered) => (&row.on, 5),
                Some(MotherEventKind::Died) => (&row.on, 7),
                _ => (&row.on, 3),
            },
            Self::Pass(row) => (&row.on, 4),
        }
    }

    async fn write(
        self,
        app: &CrossingApp,
        unit: &mut Unit,
    ) -> Result<Option<Vec<CrossWarning>>, Fault> {
        match self {
            Self::Bloom(row) => row_once(app, unit, row).await,
            Self::Lot(row) => row_once(app, unit, row).await,
            Self::PollenEvent(row) => row_once(app, unit, row).await,
            Self::MotherEvent(row) => row_once(app, unit, row).await,
            Self::Pass(row) => row_once(app, unit, row).await,
        }
    }
}

/// Takes what a day's work brings back. Every entry is taken for itself; one that rests on something
/// that is not there yet is told, and is sent again later.
pub async fn take(
    app: &CrossingApp,
    unit: &mut Unit,
    request: DayResults,
) -> Result<DayResultsReply, Fault> {
    fn numbered<R>(rows: Vec<R>, entry: fn(R) -> Entry) -> impl Iterator<Item = (u64, Entry)> {
        (0..).zip(rows.into_iter().map(entry))
    }
    let mut entries: Vec<(u64, Entry)> = numbered(request.bloom_records, Entry::Bloom)
        .chain(numbered(request.pollen_lots, Entry::Lot))
        .chain(numbered(request.pollen_events, Entry::PollenEvent))
        .chain(numbered(request.mother_events, Entry::MotherEvent))
        .chain(numbered(request.passes, Entry::Pass))
        .collect();
    let mut fields = Fields::new();
    fields.require(
        entries.len() <= MOST_ENTRIES,
        "",
        format!(
            "{} entries are too many at once; send {MOST_ENTRIES} at most",
            entries.len()
        ),
    );
    fields.finish()?;
    entries.sort_by(|(_, a), (_, b)| a.turn().cmp(&b.turn()));
    let mut sections: Vec<DayResultsSection> = SECTIONS
        .iter()
        .map(|section| DayResultsSection {
            section: (*section).to_owned(),
            ..DayResultsSection::default()
        })
        .collect();
    for (row, entry) in entries {
        let (section, id) = (entry.section(), entry.id().to_owned());
        let told = &mut sections[section];
        let about = |errors: Vec<FieldError>| RejectedRow {
            row,
            id: id.clone(),
            errors,
        };
        match entry.write(app, unit).await {
            Ok(None) => told.duplicates += 1,
            Ok(Some(warnings)) => {
                told.accepted += 1;
                if !warnings.is_empty() {
                    let warned = warnings.into_iter().map(|warning| FieldError {
                        pointer: String::new(),
                        row: Some(row),
                        message: warning.message,
                    });
                    told.doubtful.push(about(warned.collect()));
                }
            }
            Err(fault) if matches!(fault.kind(), FaultKind::Internal | FaultKind::Unavailable) => {
                return Err(fault);
            }
            Err(fault) => {
                let errors = fault.into_field_errors().into_iter();
                let errors = errors.map(|error| FieldError {
                    row: Some(row),
                    ..error.into()
                });
                told.rejected.push(about(errors.collect()));
            }
        }
    }
    for told in &mut sections {
        told.rejected.sort_by_key(|rejected| rejected.row);
        told.doubtful.sort_by_key(|doubtful| doubtful.row);
    }
    Ok(DayResultsReply { sections })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_days_work_is_taken_in_the_order_in_which_it_goes() {
        let on = || "2026-02-12".to_owned();
        let mut entries = [
            Entry::PollenEvent(RecordPollenEventRequest {
                kind: "discarded".into(),
                on: on(),
                ..Default::default()
            }),
            Entry::MotherEvent(RecordMotherEventRequest {
                kind: "stripped".into(),
                on: on(),
                ..Default::default()
            }),
            Entry::Pass(RecordPassRequest {
                on: on(),
                ..Default::default()
            }),
            Entry::PollenEvent(RecordPollenEventRequest {
                kind: "dried".into(),
                on: on(),
                ..Default::default()
            }),
            Entry::Lot(GatherPollenRequest {
                gathered_on: "2026-02-11".into(),
                ..Default::default()
            }),
        ];
        entries.sort_by(|a, b| a.turn().cmp(&b.turn()));
        let order: Vec<usize> = entries.iter().map(Entry::section).collect();
        assert_eq!(order, [1, 2, 4, 3, 2]);
    }
}
