//! Files of records: from rows of text to rows of a batch.

use std::collections::HashMap;

use contract::common::SkippedRow;
use contract::evaluation::RecordBatchRow;
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use platform::sheet::{Row, Table};
use platform::{Fault, FieldError, ProgrammeId};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

/// Rows of a batch, each with where it stands in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileRecords {
    /// The records.
    pub rows: Vec<RecordBatchRow>,
    /// Row in the file and column of the value, for each.
    pub places: Vec<(u64, String)>,
    /// Rows that make no record, with the reason.
    pub skipped: Vec<SkippedRow>,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Column {
    Id,
    Tree,
    ObservedAt,
    By,
    Corrects,
    Trait,
    Value,
    Unit,
    /// Values of the trait that the column is named after.
    Of,
}

impl Column {
    fn named(name: &str) -> Self {
        match name {
            "id" => Self::Id,
            "tree" | "tree_id" => Self::Tree,
            "observed_at" => Self::ObservedAt,
            "by" => Self::By,
            "corrects" => Self::Corrects,
            "trait" => Self::Trait,
            "value" => Self::Value,
            "unit" => Self::Unit,
            _ => Self::Of,
        }
    }
}

/// Columns with their names as written in the header.
struct Header {
    columns: Vec<(Column, String)>,
}

impl Header {
    /// Reads a header; no cell stands in a column without a name.
    fn read(names: Vec<String>, is_trait: impl Fn(&str) -> bool) -> Result<Self, Fault> {
        let columns: Vec<(Column, String)> = names
            .into_iter()
            .map(|name| (Column::named(&name), name))
            .collect();
        let mut faults = Vec::new();
        let mut fault = |message: String| faults.push(FieldError::new("/content", message));
        let has = |wanted: Column| columns.iter().any(|(column, _)| *column == wanted);
        let one_by_one = has(Column::Trait) || has(Column::Value);
        for (wanted, name) in [(Column::Tree, "tree"), (Column::ObservedAt, "observed_at")] {
            if !has(wanted) {
                fault(format!("has no column {name}; add it"));
            }
        }
        if one_by_one {
            for (wanted, name) in [(Column::Trait, "trait"), (Column::Value, "value")] {
                if !has(wanted) {
                    fault(format!(
                        "has no column {name}; add it, or name a column after each trait"
                    ));
                }
            }
        }
        for (place, (column, name)) in columns.iter().enumerate() {
            let twice = columns[..place]
                .iter()
                .any(|(c, n)| !name.is_empty() && (n == name || (c == column && *c != Column::Of)));
            if twice {
                fault(format!("has column {name} twice; keep one"));
            } else if *column == Column::Of && !name.is_empty() {
                if one_by_one {
                    fault(format!(
                        "has a column {name}, which goes with none of tree, trait, value, unit, observed_at, by, id and corrects; leave it out"
                    ));
                } else if !is_trait(name) {
                    fault(format!(
                        "has a column {name}, which is no trait's code; see GET /traits, or leave it out"
                    ));
                }
            } else if !one_by_one && matches!(column, Column::Id | Column::Corrects | Column::Unit)
            {
                fault(format!(
                    "has a column {name}, which goes with the columns trait and value only"
                ));
            }
        }
        let of_traits = columns
            .iter()
            .any(|(c, n)| *c == Column::Of && !n.is_empty());
        if !one_by_one && !of_traits {
            fault(
                "has no value; add the columns trait and value, or a column named after each trait"
                    .to_owned(),
            );
        }
        if faults.is_empty() {
            Ok(Self { columns })
        } else {
            Err(Fault::invalid(faults))
        }
    }

    fn cell<'a>(&self, cells: &'a [String], wanted: Column) -> &'a str {
        self.columns
            .iter()
            .position(|(column, _)| *column == wanted)
            .and_then(|place| cells.get(place))
            .map_or("", |cell| cell.trim())
    }
}

/// Reads the rows of a file as records; empty cells of traits say nothing.
///
/// # Errors
/// A header with a column missing, twice or not known.
pub fn read(
    programme: ProgrammeId,
    table: Table,
    is_trait: impl Fn(&str) -> bool,
) -> Result<FileRecords, Fault> {
    let header = Header::read(table.columns, is_trait)?;
    let one_by_one = header.columns.iter().any(|(c, _)| *c == Column::Value);
    let mut read = FileRecords {
        rows: Vec::new(),
        places: Vec::new(),
        skipped: Vec::new(),
    };
    let mut skipped = Vec::new();
    let mut seen: HashMap<[u8; 32], u32> = HashMap::new();
    let mut push = |number: u64, name: &str, mut row: RecordBatchRow| {
        if row.id.is_empty() && row.malformed.is_empty() {
            row.id = own_id(programme, &row, &mut seen).to_string();
        }
        read.rows.push(row);
        read.places.push((number, name.to_owned()));
    };
    for Row {
        number,
        cells,
        faults,
    } in table.rows
    {
        let text = |wanted| header.cell(&cells, wanted).to_owned();
        let row = RecordBatchRow {
            id: text(Column::Id),
            tree_id: text(Column::Tree),
            observed_at: text(Column::ObservedAt),
            by: text(Column::By),
            corrects: text(Column::Corrects),
            r#trait: text(Column::Trait),
            value: text(Column::Value),
            unit: text(Column::Unit),
            malformed: faults.into_iter().map(Into::into).collect(),
        };
        if one_by_one || !row.malformed.is_empty() {
            push(number, "value", row);
            continue;
        }
        let mut says_something = false;
        for (place, (column, name)) in header.columns.iter().enumerate() {
            let value = cells.get(place).map_or("", |cell| cell.trim());
            if *column == Column::Of && !name.is_empty() && !value.is_empty() {
                let of_trait = RecordBatchRow {
                    r#trait: name.clone(),
                    value: value.to_owned(),
                    ..row.clone()
                };
                says_something = true;
                push(number, name, of_trait);
            }
        }
        if !says_something {
            skipped.push(SkippedRow {
                row: number,
                reason: "holds no value, so there is nothing to record".to_owned(),
            });
        }
    }
    Ok(FileRecords { skipped, ..read })
}

/// The id of a record that brings none: it follows from tree, trait, moment, person and how often
/// the file has said these before, and not from the value, so that the same file again is the same
/// records and a changed value does not pass for a further record. It is ordered by the moment, as
/// ids made by clients are by the time of making (RFC 9562, version 7).
fn own_id(programme: ProgrammeId, row: &RecordBatchRow, seen: &mut HashMap<[u8; 32], u32>) -> Uuid {
    let mut digest = Sha256::new();
    digest.update(programme.uuid().as_bytes());
    for part in [
        &row.tree_id.to_ascii_uppercase(),
        &row.r#trait,
        &row.observed_at,
        &row.by,
    ] {
        digest.update((part.len() as u64).to_be_bytes());
        digest.update(part.as_bytes());
    }
    let nth = seen.entry(digest.clone().finalize().into()).or_default();
    *nth += 1;
    digest.update(nth.to_be_bytes());
    let digest: [u8; 32] = digest.finalize().into();
    let mut random = [0; 10];
    random.copy_from_slice(&digest[..10]);
    uuid::Builder::from_unix_timestamp_millis(moment_ms(&row.observed_at), &random).into_uuid()
}

/// Milliseconds since 1970 of what may be an instant or begins with a day; 0 for neither.
fn moment_ms(text: &str) -> u64 {
    let instant = text.parse::<Timestamp>().ok().or_else(|| {
        let day: Date = text.get(..10)?.parse().ok()?;
        TimeZone::UTC
            .to_timestamp(day.to_datetime(Time::midnight()))
            .ok()
    });
    instant.map_or(0, |at| at.as_millisecond().max(0).unsigned_abs())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn rows(text: &str) -> Table {
        platform::sheet::read_csv(text.as_bytes()).unwrap()
    }

    fn taken(text: &str) -> FileRecords {
        let programme = ProgrammeId::from_uuid(Uuid::from_u128(7));
        read(programme, rows(text), |name| {
            ["brix", "firmness_n"].contains(&name)
        })
        .unwrap()
    }

    fn faults(text: &str) -> Vec<String> {
        let programme = ProgrammeId::from_uuid(Uuid::from_u128(7));
        let fault = read(programme, rows(text), |name| name == "brix").unwrap_err();
        fault
            .into_field_errors()
            .into_iter()
            .map(|e| e.message)
            .collect()
    }

    #[test]
    fn a_column_for_every_trait_makes_a_record_of_every_cell() {
        let read = taken(
            "Tree;Observed at;By;brix;firmness_n\nT1;2026-07-01;Wren;14.2;\n\n;;;;\nT2;2026-07-01;;12;61\n",
        );
        let told: Vec<_> = read
            .rows
            .iter()
            .zip(&read.places)
            .map(|(row, (number, column))| {
                (
                    row.tree_id.as_str(),
                    row.r#trait.as_str(),
                    row.value.as_str(),
                    *number,
                    column.as_str(),
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                ("T1", "brix", "14.2", 2, "brix"),
                ("T2", "brix", "12", 5, "brix"),
                ("T2", "firmness_n", "61", 5, "firmness_n"),
            ]
        );
    }

    #[test]
    fn ids_follow_from_what_is_seen_and_not_from_its_value() {
        let line = "T1,brix,14.2,2026-07-01\n";
        let file = |lines: &str| taken(&format!("tree,trait,value,observed_at\n{lines}"));
        let once = file(line);
        assert_eq!(once.rows, file(line).rows);
        let changed = file("t1,brix,14.9,2026-07-01\n");
        assert_eq!(once.rows[0].id, changed.rows[0].id);
        // Two measures of one tree on one day are two records, in the order of the file.
        let twice = file(&format!("{line}{line}"));
        assert_eq!(twice.rows[0].id, once.rows[0].id);
        assert_ne!(twice.rows[1].id, once.rows[0].id);
        let later = file("T1,brix,14.2,2026-07-02\n");
        assert!(
            later.rows[0].id > once.rows[0].id,
            "ids are in order of the day"
        );
    }

    #[test]
    fn headers_are_checked_as_a_whole() {
        let told = faults("tree,brix,sweetness,brix\nT1,1,2,3\n");
        assert_eq!(told.len(), 3, "{told:?}");
        assert!(told[0].contains("observed_at"), "{told:?}");
        assert!(told[1].contains("sweetness"), "{told:?}");
        assert!(told[2].contains("twice"), "{told:?}");
        let told = faults("tree,observed_at,value,brix\nT1,2026-07-01,1,2\n");
        assert!(
            told[0].contains("trait") && told[1].contains("brix"),
            "{told:?}"
        );
        assert!(faults("tree,observed_at\nT1,2026-07-01\n")[0].contains("no value"));
    }

    proptest! {
        /// Every value of a file becomes a record, and every row without any is told.
        #[test]
        fn what_a_file_makes_adds_up_to_what_it_holds(
            sheet in proptest::collection::vec(("[A-C ]{0,2}", "[0-9 ]{0,2}", "[0-9 ]{0,2}", "[x ]{0,1}"), 0..8),
        ) {
            let mut text = "tree,observed_at,brix,firmness_n\n".to_owned();
            let (mut values, mut silent, mut surplus) = (0, 0, 0);
            for (tree, brix, firmness, beyond) in &sheet {
                text += &format!("{tree},2026-07-01,{brix},{firmness},{beyond}\n");
                let here = [brix, firmness].iter().filter(|cell| !cell.trim().is_empty()).count();
                match (beyond.trim(), here) {
                    ("", 0) => silent += 1,
                    ("", here) => values += here,
                    _ => surplus += 1,
                }
            }
            let read = taken(&text);
            prop_assert_eq!(read.rows.len(), values + surplus);
            prop_assert_eq!(read.skipped.len(), silent);
            let malformed = read.rows.iter().filter(|row| !row.malformed.is_empty()).count();
            prop_assert_eq!(malformed, surplus);
            prop_assert_eq!(read.rows.len(), read.places.len());
        }

        #[test]
        fn any_file_is_read_or_refused(text in "[a-c\",;\n =]{0,80}") {
            let programme = ProgrammeId::from_uuid(Uuid::from_u128(7));
            for text in [text.clone(), format!("tree,observed_at,brix\n{text}"), format!("tree,observed_at,trait,value\n{text}")] {
                if let Ok(table) = platform::sheet::read_csv(text.as_bytes()) {
                    let rows_n = table.rows.len();
                    if let Ok(read) = read(programme, table, |name| name == "brix") {
                        prop_assert!(read.rows.len() + read.skipped.len() >= rows_n);
                    }
                }
            }
        }
    }
}
