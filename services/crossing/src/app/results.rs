//! What a day's work brings back: every kind of entry in one call, in any order, twice or late.

use std::ops::ControlFlow;

use contract::crossing::{
    CrossWarning, DayResults, DayResultsReply, DayResultsSection, GatherPollenRequest,
    RecordBloomRequest, RecordMotherEventRequest, RecordPassRequest, RecordPollenEventRequest,
};
use platform::batch::{Report, Verdict};
use platform::fields::Words as _;
use platform::{Fault, FieldError, Fields, Unit};

use super::entries::Entries;
use crate::CrossingApp;
use crate::domain::MotherEventKind;
use crate::domain::ledger::PollenEventKind;

/// Entries in one call at most.
const MOST_ENTRIES: usize = 5000;

/// One entry of a day's work.
enum DayEntry {
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

impl DayEntry {
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

    fn put(self, into: &mut Entries<Place>, row: u64) {
        let place = Place {
            section: self.section(),
            row,
            id: self.id().to_owned(),
        };
        match self {
            Self::Bloom(entry) => into.push(place, entry),
            Self::Lot(entry) => into.push(place, entry),
            Self::PollenEvent(entry) => into.push(place, entry),
            Self::MotherEvent(entry) => into.push(place, entry),
            Self::Pass(entry) => into.push(place, entry),
        }
    }
}

/// Where an entry stands in the request.
struct Place {
    section: usize,
    row: u64,
    id: String,
}

/// Takes what a day's work brings back. Every entry is taken for itself; one that rests on something
/// that is not there yet is told, and is sent again later.
pub async fn take(
    app: &CrossingApp,
    unit: &mut Unit,
    request: DayResults,
) -> Result<DayResultsReply, Fault> {
    fn numbered<R>(
        rows: Vec<R>,
        entry: fn(R) -> DayEntry,
    ) -> impl Iterator<Item = (u64, DayEntry)> {
        (0..).zip(rows.into_iter().map(entry))
    }
    let mut entries: Vec<(u64, DayEntry)> = numbered(request.bloom_records, DayEntry::Bloom)
        .chain(numbered(request.pollen_lots, DayEntry::Lot))
        .chain(numbered(request.pollen_events, DayEntry::PollenEvent))
        .chain(numbered(request.mother_events, DayEntry::MotherEvent))
        .chain(numbered(request.passes, DayEntry::Pass))
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
    let mut in_turn = Entries::new();
    for (row, entry) in entries {
        entry.put(&mut in_turn, row);
    }
    let mut reports: [Report; SECTIONS.len()] = Default::default();
    in_turn
        .write(app, unit, |place, verdict| {
            tell(&mut reports[place.section], place.row, &place.id, verdict);
            ControlFlow::Continue(())
        })
        .await?;
    let sections = SECTIONS.iter().zip(reports).map(|(section, report)| {
        let told = report.into_reply();
        DayResultsSection {
            section: (*section).to_owned(),
            accepted: told.accepted,
            duplicates: told.duplicates,
            rejected: told.rejected,
            doubtful: told.doubtful,
        }
    });
    Ok(DayResultsReply {
        sections: sections.collect(),
    })
}

/// Puts what became of an entry into a report; one that is written with warnings is doubtful.
pub(crate) fn tell(report: &mut Report, row: u64, id: &str, verdict: Verdict<Vec<CrossWarning>>) {
    match verdict {
        Verdict::Duplicate => report.duplicate(1),
        Verdict::Rejected(errors) => report.reject(row, id, errors),
        Verdict::Accepted(warnings) => {
            report.accept(1);
            if !warnings.is_empty() {
                let why = warnings
                    .into_iter()
                    .map(|warning| FieldError::new("", warning.message));
                report.doubt(row, id, why.collect());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_days_work_is_taken_in_the_order_in_which_it_goes() {
        let on = || "2026-02-12".to_owned();
        let mut entries = [
            DayEntry::PollenEvent(RecordPollenEventRequest {
                kind: "discarded".into(),
                on: on(),
                ..Default::default()
            }),
            DayEntry::MotherEvent(RecordMotherEventRequest {
                kind: "stripped".into(),
                on: on(),
                ..Default::default()
            }),
            DayEntry::Pass(RecordPassRequest {
                on: on(),
                ..Default::default()
            }),
            DayEntry::PollenEvent(RecordPollenEventRequest {
                kind: "dried".into(),
                on: on(),
                ..Default::default()
            }),
            DayEntry::Lot(GatherPollenRequest {
                gathered_on: "2026-02-11".into(),
                ..Default::default()
            }),
        ];
        entries.sort_by(|a, b| a.turn().cmp(&b.turn()));
        let order: Vec<usize> = entries.iter().map(DayEntry::section).collect();
        assert_eq!(order, [1, 2, 4, 3, 2]);
    }
}
