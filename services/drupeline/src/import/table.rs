//! Tables as they stand in files: CSV, or the first sheet of an XLSX workbook.

use std::path::{Path, PathBuf};

use calamine::{Data, Reader as _, open_workbook_auto};

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
        self.rows.iter().map(|(number, cells)| TableRow { table: self, number: *number, cells })
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
        let place = self.table.form.columns.iter().position(|known| known.name == column);
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
                format!("{0}.csv and {0}.xlsx are both there; take one away", form.name),
            );
            return None;
        }
        (true, false) => csv,
        (false, true) => xlsx,
        (false, false) => return None,
    };
    let file = path.file_name()?.to_string_lossy().into_owned();
    let rows = if path.extension().is_some_and(|ending| ending == "xlsx") {
        read_xlsx(&path)
    } else {
        read_csv(&path)
    };
    match rows {
        Ok(rows) => arrange(form, file, rows, faults),
        Err((row, message)) => {
            faults.note(&file, row, "", message);
            None
        }
    }
}

type Rows = Vec<(u64, Vec<String>)>;

fn read_csv(path: &Path) -> Result<Rows, (u64, String)> {
    let bytes = std::fs::read(path).map_err(|error| (0, format!("cannot be read: {error}")))?;
    let text = std::str::from_utf8(&bytes).map_err(|error| {
        let line = bytes[..error.valid_up_to()].iter().filter(|byte| **byte == b'\n').count();
        (line as u64 + 1, "is not in UTF-8; save it as CSV UTF-8".to_owned())
    })?;
    // Spreadsheets put a mark before UTF-8 text, and semicolons where the comma is decimal.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let header = text.lines().next().unwrap_or_default();
    let delimiter = [b';', b'\t']
        .into_iter()
        .find(|mark| {
            let count = |mark: u8| header.bytes().filter(|byte| *byte == mark).count();
            count(*mark) > count(b',')
        })
        .unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(text.as_bytes());
    let mut rows = Vec::new();
    let (mut counted, mut number) = (0, 1);
    for record in reader.records() {
        let record = record.map_err(|error| {
            let row = error.position().map_or(0, csv::Position::line);
            (row, format!("cannot be read as CSV: {error}"))
        })?;
        // The reader gives the end of the record before; empty lines between count as rows too.
        let end = record.position().map_or(0, |position| position.byte() as usize);
        let begins = text.len() - text[end..].trim_start_matches(['\r', '\n']).len();
        number += text[counted..begins].bytes().filter(|byte| *byte == b'\n').count() as u64;
        counted = begins;
        rows.push((number, record.iter().map(str::to_owned).collect()));
    }
    Ok(rows)
}

fn read_xlsx(path: &Path) -> Result<Rows, (u64, String)> {
    let unreadable = |error: &dyn std::fmt::Display| {
        (0, format!("cannot be read as a workbook: {error}; save it as XLSX or CSV"))
    };
    let mut book = open_workbook_auto(path).map_err(|error| unreadable(&error))?;
    let Some(sheet) = book.worksheet_range_at(0) else {
        return Err((0, "has no sheet; put the table on the first one".to_owned()));
    };
    let range = sheet.map_err(|error| unreadable(&error))?;
    let (first_row, first_column) = range.start().unwrap_or((0, 0));
    Ok((u64::from(first_row) + 1..)
        .zip(range.rows())
        .map(|(number, cells)| {
            let before = std::iter::repeat_n(String::new(), first_column as usize);
            (number, before.chain(cells.iter().map(cell_text)).collect())
        })
        .collect())
}

/// A cell as it would be typed into CSV.
fn cell_text(cell: &Data) -> String {
    match cell {
        Data::Empty => String::new(),
        Data::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Data::DateTime(at) if at.is_datetime() => {
            let (year, month, day, hour, minute, second, _) = at.to_ymd_hms_milli();
            if (hour, minute, second) == (0, 0, 0) {
                format!("{year:04}-{month:02}-{day:02}")
            } else {
                format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}")
            }
        }
        // 12.0 reads 12 as it is shown.
        Data::Float(number) => number.to_string(),
        other => other.to_string(),
    }
}

/// Finds the form's columns in the header and drops empty rows.
fn arrange(
    form: &'static FileForm,
    file: String,
    rows: Rows,
    faults: &mut Faults,
) -> Option<Table> {
    let mut rows = rows.into_iter().filter(|(_, cells)| cells.iter().any(|cell| !cell.trim().is_empty()));
    let Some((header_row, header)) = rows.next() else {
        faults.note(&file, 1, "", "is empty; begin with a row of column names");
        return None;
    };
    let header: Vec<String> =
        header.iter().map(|name| name.trim().to_lowercase().replace([' ', '-'], "_")).collect();
    let known = || form.columns.iter().map(|column| column.name).collect::<Vec<_>>().join(", ");
    for (place, name) in header.iter().enumerate() {
        if name.is_empty() {
            continue;
        }
        if !form.columns.iter().any(|column| column.name == name) {
            faults.note(
                &file,
                header_row,
                name,
                format!("is not a column of {}; leave it out, or take one of {}", form.name, known()),
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
    complete.then(|| Table { form, file, places, rows: rows.collect() })
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
        (table, faults.sorted().iter().map(ToString::to_string).collect())
    }

    #[test]
    fn rows_keep_their_numbers_as_seen_in_the_file() {
        let (table, faults) = table("\u{feff}cross,on,note\nA1,2026-05-01,\"two\nlines\"\n\nA2,2026-05-02,\n");
        assert!(faults.is_empty(), "{faults:?}");
        let table = table.unwrap();
        let rows: Vec<_> = table.rows().map(|row| (row.number, row.cell("cross"))).collect();
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
        std::fs::write(folder.path().join("fruit.csv"), b"cross,on\nA\xe9,2026-05-01\n").unwrap();
        let mut faults = Faults::default();
        assert!(read(folder.path(), form::file("fruit"), &mut faults).is_none());
        assert!(faults.sorted()[0].to_string().starts_with("fruit.csv row 2: is not in UTF-8"));
    }
}
