//! Tables as they stand in files: CSV, or XLSX workbooks of one sheet.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use contract::shape::Text;
use platform::sheet::{self, Row, SheetError};
use platform::{FieldError, text};

use super::faults::Faults;
use super::form::{FILES, FileForm, file};

/// A file's rows as text.
#[derive(Debug)]
pub struct Table {
    /// What the file holds.
    pub form: &'static FileForm,
    /// Name of the file.
    pub file: String,
    /// Where each column of the form stands in the file.
    places: Vec<Option<usize>>,
    rows: Vec<Row>,
}

impl Table {
    /// Rows that are not empty, with their numbers as seen in the file.
    pub fn rows(&self) -> impl Iterator<Item = TableRow<'_>> {
        self.rows.iter().map(|row| TableRow {
            table: self,
            number: row.number,
            cells: &row.cells,
            is_faulty: !row.faults.is_empty(),
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
    /// True when a cell of it could not be read, which is noted.
    pub is_faulty: bool,
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

/// What lies in the folder of a season.
#[derive(Debug, Default)]
pub struct Folder {
    /// The files that could be read, by name.
    pub tables: BTreeMap<&'static str, Table>,
    /// Names of the files that are there and could not be read.
    pub unread: BTreeSet<&'static str>,
    /// What was passed over, with the reason.
    pub skipped: Vec<Skipped>,
}

/// Something in a folder that is no file of a season.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// Its name.
    pub name: String,
    /// Why it was passed over.
    pub reason: &'static str,
}

/// Endings of files that hold tables and are not read.
const OTHER_TABLES: [&str; 8] = [
    "xls", "xlsm", "xlsb", "ods", "tsv", "tab", "numbers", "fods",
];

/// Reads every file of a folder, tells why it is passed over, or notes what is wrong with it.
///
/// # Errors
/// When the folder cannot be read.
pub fn read_folder(path: &Path, faults: &mut Faults) -> std::io::Result<Folder> {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(path)? {
        let entry = entry?;
        names.push((
            entry.file_name().to_string_lossy().into_owned(),
            entry.path(),
        ));
    }
    names.sort();
    let mut folder = Folder::default();
    let mut found: BTreeMap<&'static str, Vec<(String, PathBuf)>> = BTreeMap::new();
    for (name, path) in names {
        let lower = name.to_lowercase();
        let (stem, ending) = lower.rsplit_once('.').unwrap_or((&lower, ""));
        let form = FILES.iter().find(|form| form.name == stem.trim());
        let is_table = ["csv", "xlsx"].contains(&ending);
        let skipped = if path.is_dir() {
            "is a folder; only the files beside it are read"
        } else if name.starts_with('.') || name.starts_with('~') {
            "is a hidden file, or one of a program at work"
        } else if let (Some(form), true) = (form, is_table) {
            found.entry(form.name).or_default().push((name, path));
            continue;
        } else if let Some(form) = form {
            let message = "is not read; save it as .csv (UTF-8) or .xlsx";
            faults.note(&name, 0, "", message);
            folder.unread.insert(form.name);
            continue;
        } else if is_table || OTHER_TABLES.contains(&ending) {
            faults.note(&name, 0, "", no_file_of_a_season(stem));
            continue;
        } else {
            "is none of the files of a season"
        };
        folder.skipped.push(Skipped {
            name,
            reason: skipped,
        });
    }
    for (form_name, files) in found {
        let table = match files.as_slice() {
            [(name, path)] => read(file(form_name), name, path, faults),
            [(first, _), (second, _), ..] => {
                let message = format!("{first} and {second} are both there; take one away");
                faults.note(first, 0, "", message);
                None
            }
            [] => None,
        };
        match table {
            Some(table) => drop(folder.tables.insert(form_name, table)),
            None => drop(folder.unread.insert(form_name)),
        }
    }
    Ok(folder)
}

fn no_file_of_a_season(stem: &str) -> String {
    let names: Vec<&str> = FILES.iter().map(|form| form.name).collect();
    let fault = platform::reading::unknown(stem, String::new(), &names);
    format!("{}; rename it, or take it away", fault.message)
}

/// Reads the file of a form; none when it cannot be read, which is noted.
fn read(form: &'static FileForm, name: &str, path: &Path, faults: &mut Faults) -> Option<Table> {
    let bytes = std::fs::read(path).map_err(|error| SheetError {
        row: 0,
        message: format!("cannot be read: {error}"),
    });
    let is_workbook = name.to_lowercase().ends_with(".xlsx");
    let read = bytes.and_then(|bytes| {
        if is_workbook {
            sheet::read_xlsx(&bytes)
        } else {
            sheet::read_csv(&bytes)
        }
    });
    match read {
        Ok(table) => arrange(form, name.to_owned(), table, faults),
        Err(SheetError { row, message }) => {
            faults.note(name, row, "", message);
            None
        }
    }
}

/// Finds the form's columns in the header.
fn arrange(
    form: &'static FileForm,
    file: String,
    table: sheet::Table,
    faults: &mut Faults,
) -> Option<Table> {
    let header = table.columns;
    for (place, name) in header.iter().enumerate() {
        if name.is_empty() {
            continue;
        }
        if !form.columns.iter().any(|column| column.name == name) {
            let known: Vec<&str> = form.columns.iter().map(|column| column.name).collect();
            faults.note(
                &file,
                table.header_row,
                name,
                format!(
                    "is not a column of {}; leave it out, or take one of {}",
                    form.name,
                    known.join(", ")
                ),
            );
        } else if header[..place].contains(name) {
            faults.note(&file, table.header_row, name, "is there twice; keep one");
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
            let row = table.header_row;
            faults.note(&file, row, column.name, "is missing; add the column");
        }
    }
    if !complete {
        return None;
    }
    let mut rows = table.rows;
    for row in &mut rows {
        for (column, place) in form.columns.iter().zip(&places) {
            let Some(text) = place.and_then(|place| row.cells.get_mut(place)) else {
                continue;
            };
            if let Err(message) = text::settle(kind_of_text(column.name), text) {
                row.faults.push(FieldError::new(column.name, message));
            }
        }
        for fault in &row.faults {
            let column = fault.pointer.trim_start_matches('/');
            faults.note(&file, row.number, column, fault.message.clone());
        }
    }
    Some(Table {
        form,
        file,
        places,
        rows,
    })
}

fn kind_of_text(column: &str) -> Text {
    if ["note", "notes", "reason", "objective", "soil"].contains(&column) {
        Text::Prose
    } else {
        Text::Name
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str) -> (Option<Table>, Vec<String>) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("fruit.csv"), text).unwrap();
        let mut faults = Faults::default();
        let table = read_folder(folder.path(), &mut faults)
            .unwrap()
            .tables
            .remove("fruit");
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
        let read = read_folder(folder.path(), &mut faults).unwrap();
        assert!(read.unread.contains("fruit"));
        assert!(
            faults.sorted()[0]
                .to_string()
                .starts_with("fruit.csv row 2: is not in UTF-8")
        );
    }

    #[test]
    fn every_file_of_a_folder_is_read_skipped_or_refused() {
        let folder = tempfile::tempdir().unwrap();
        let fruit = "cross,on\nA1,2026-05-01\n";
        for (name, content) in [
            ("fruit.csv", fruit),
            ("Passes.CSV", "cross,pass,on\nA1,1,2026-05-01\n"),
            ("crosses.xls", ""),
            ("seed.ods", ""),
            ("fruits.csv", fruit),
            ("mothers.csv", fruit),
            ("README.md", ""),
            (".hidden.csv", ""),
            ("~$fruit.xlsx", ""),
        ] {
            std::fs::write(folder.path().join(name), content).unwrap();
        }
        std::fs::create_dir(folder.path().join("old")).unwrap();
        let mut faults = Faults::default();
        let read = read_folder(folder.path(), &mut faults).unwrap();
        let tables: Vec<&str> = read.tables.keys().copied().collect();
        assert_eq!(tables, ["fruit", "passes"]);
        let skipped: Vec<&str> = read.skipped.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(skipped, [".hidden.csv", "README.md", "old", "~$fruit.xlsx"]);
        assert_eq!(
            read.unread.iter().copied().collect::<Vec<_>>(),
            ["crosses", "mothers", "seed"]
        );
        let faults = faults.sorted();
        let of = |file: &str| faults.iter().find(|fault| fault.file == file).unwrap();
        assert!(of("crosses.xls").message.contains(".xlsx"));
        assert!(of("fruits.csv").message.contains("\"fruit\""));
        assert!(of("seed.ods").message.contains(".csv"));
    }

    #[test]
    fn what_cannot_be_read_of_a_row_is_told_with_its_column() {
        let (table, faults) =
            table("cross,on,note\nA1,2026-05-01,a,b\nA\u{202e}2,2026-05-01,\"x\ny\"\n");
        let rows: Vec<bool> = table.unwrap().rows().map(|row| row.is_faulty).collect();
        assert_eq!(rows, [true, true]);
        assert!(
            faults[0].starts_with("fruit.csv row 2, column D: stands in"),
            "{faults:?}"
        );
        assert!(
            faults[1].starts_with("fruit.csv row 3, column cross: holds U+202E"),
            "{faults:?}"
        );
        let (_, faults) = self::table("cross,on\nA1,\"2026-05-01\nA2,2026-05-02\n");
        assert!(
            faults[0].starts_with("fruit.csv row 2: opens a quote"),
            "{faults:?}"
        );
    }
}
