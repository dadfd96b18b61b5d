//! Tables as they stand in files: CSV, or the first sheet of an XLSX workbook.

use std::path::{Path, PathBuf};

use platform::sheet::{Rows, SheetError, column_name, read_csv, read_xlsx};

use super::faults::Faults;
use super::form::FileForm;

/// A file's rows as text.
#[derive(Debug)]
pub struct Table {
    /// What the file holds.
    pub form: &'static FileForm,
    /// Name of the file.
    pub file: String,
    /// Where each column of the form stands in the file.
    places: Vec<Option<usize>>,
    rows: Vec<(u64, Vec<String>)>,
}

impl Table {
    /// Rows that are not empty, with their numbers as seen in the file.
    pub fn rows(&self) -> impl Iterator<Item = TableRow<'_>> {
        self.rows.iter().map(|(number, cells)| TableRow {
            table: self,
            number: *number,
            cells,
        })
    }

    /// How many rows are not empty.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True when every row is empty.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

/// One row of a table.
#[derive(Debug, Clone, Copy)]
pub struct TableRow<'a> {
    /// Its table.
    pub table: &'a Table,
    /// Its number as seen in the file.
    pub number: u64,
    cells: &'a [String],
}

impl<'a> TableRow<'a> {
    /// The trimmed text of a column; empty when the file has no such column.
    pub fn cell(&self, column: &str) -> &'a str {
        let place = self
            .table
            .form
            .columns
            .iter()
            .position(|known| known.name == column);
        place
            .and_then(|place| self.table.places[place])
            .and_then(|place| self.cells.get(place))
            .map_or("", |text| text.trim())
    }
}

/// Reads the file of a form in a folder; none when there is no such file or it cannot be read,
/// which is noted.
pub fn read(folder: &Path, form: &'static FileForm, faults: &mut Faults) -> Option<Table> {
    let named = |ending: &str| folder.join(format!("{}.{ending}", form.name));
    let (csv, xlsx) = (named("csv"), named("xlsx"));
    let path: PathBuf = match (csv.is_file(), xlsx.is_file()) {
        (true, true) => {
            faults.note(
                &format!("{}.csv", form.name),
                0,
                "",
                format!(
                    "{0}.csv and {0}.xlsx are both there; take one away",
                    form.name
                ),
            );
            return None;
        }
        (true, false) => csv,
        (false, true) => xlsx,
        (false, false) => return None,
    };
    let file = path.file_name()?.to_string_lossy().into_owned();
    let bytes = std::fs::read(&path).map_err(|error| SheetError {
        row: 0,
        message: format!("cannot be read: {error}"),
    });
    let rows = bytes.and_then(|bytes| {
        if path.extension().is_some_and(|ending| ending == "xlsx") {
            read_xlsx(&bytes)
        } else {
            read_csv(&bytes)
        }
    });
    match rows {
        Ok(rows) => arrange(form, file, rows, faults),
        Err(SheetError { row, message }) => {
            faults.note(&file, row, "", message);
            None
        }
    }
}

/// Finds the form's columns in the header and drops empty rows.
fn arrange(
    form: &'static FileForm,
    file: String,
    rows: Rows,
    faults: &mut Faults,
) -> Option<Table> {
    let mut rows = rows
        .into_iter()
        .filter(|(_, cells)| cells.iter().any(|cell| !cell.trim().is_empty()));
    let Some((header_row, header)) = rows.next() else {
        faults.note(&file, 1, "", "is empty; begin with a row of column names");
        return None;
    };
    let header: Vec<String> = header.iter().map(|name| column_name(name)).collect();
    let known = || {
        form.columns
            .iter()
            .map(|column| column.name)
            .collect::<Vec<_>>()
            .join(", ")
    };
    for (place, name) in header.iter().enumerate() {
        if name.is_empty() {
            continue;
        }
        if !form.columns.iter().any(|column| column.name == name) {
            faults.note(
                &file,
                header_row,
                name,
                format!(
                    "is not a column of {}; leave it out, or take one of {}",
                    form.name,
                    known()
                ),
            );
        } else if header[..place].contains(name) {
            faults.note(&file, header_row, name, "is there twice; keep one");
        }
    }
    let places: Vec<Option<usize>> = form
        .columns
        .iter()
        .map(|column| header.iter().position(|name| name == column.name))
        .collect();
    let mut complete = true;
    for (column, place) in form.columns.iter().zip(&places) {
        if column.required && place.is_none() {
            complete = false;
            faults.note(&file, header_row, column.name, "is missing; add the column");
        }
    }
    complete.then(|| Table {
        form,
        file,
        places,
        rows: rows.collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::import::form;

    fn table(text: &str) -> (Option<Table>, Vec<String>) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("fruit.csv"), text).unwrap();
        let mut faults = Faults::default();
        let table = read(folder.path(), form::file("fruit"), &mut faults);
        (
            table,
            faults.sorted().iter().map(ToString::to_string).collect(),
        )
    }

    #[test]
    fn rows_keep_their_numbers_as_seen_in_the_file() {
        let (table, faults) =
            table("\u{feff}cross,on,note\nA1,2026-05-01,\"two\nlines\"\n\nA2,2026-05-02,\n");
        assert!(faults.is_empty(), "{faults:?}");
        let table = table.unwrap();
        let rows: Vec<_> = table
            .rows()
            .map(|row| (row.number, row.cell("cross")))
            .collect();
        assert_eq!(rows, [(2, "A1"), (5, "A2")]);
    }

    #[test]
    fn headers_may_be_written_freely_and_semicolons_separate() {
        let (table, faults) = table("Cross;On;Set n\nA1;2026-05-01;12\n");
        assert!(faults.is_empty(), "{faults:?}");
        assert_eq!(table.unwrap().rows().next().unwrap().cell("set_n"), "12");
    }

    #[test]
    fn unknown_and_missing_columns_are_told() {
        let (table, faults) = table("cross,colour\nA1,red\n");
        assert!(table.is_none());
        assert!(faults[0].starts_with("fruit.csv row 1, column colour: is not a column of fruit"));
        assert!(faults[1].starts_with("fruit.csv row 1, column on: is missing"));
    }

    #[test]
    fn other_encodings_are_told_with_their_row() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(
            folder.path().join("fruit.csv"),
            b"cross,on\nA\xe9,2026-05-01\n",
        )
        .unwrap();
        let mut faults = Faults::default();
        assert!(read(folder.path(), form::file("fruit"), &mut faults).is_none());
        assert!(
            faults.sorted()[0]
                .to_string()
                .starts_with("fruit.csv row 2: is not in UTF-8")
        );
    }
}
