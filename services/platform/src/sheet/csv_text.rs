//! CSV (RFC 4180), read and written.

use std::borrow::Cow;

use super::{CELLS_MAX, COLUMNS_MAX, Cell, Found, SheetError, Table, arrange};
use crate::fault::Fault;

/// Reads CSV in UTF-8, with a byte order mark or without, apart by commas, semicolons or tabs.
///
/// # Errors
/// Another encoding, quotes that do not close, and a table that is too large.
pub fn read_csv(bytes: &[u8]) -> Result<Table, SheetError> {
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(SheetError::new(
            0,
            "is a workbook and not CSV; send it as XLSX, or save it as CSV UTF-8",
        ));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let before = &bytes[..error.valid_up_to()];
        let line = before.iter().filter(|byte| **byte == b'\n').count();
        SheetError::new(line as u64 + 1, "is not in UTF-8; save it as CSV UTF-8")
    })?;
    // Spreadsheets put a mark before UTF-8 text, and semicolons where the comma is decimal.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let delimiter = delimiter(text);
    check(text, delimiter)?;
    arrange(records(text, delimiter)?.into_iter())
}

/// The mark between the cells, told from the column names.
pub fn delimiter(text: &str) -> u8 {
    let header = text.lines().find(|line| !line.trim().is_empty());
    let count = |mark: u8| {
        let header = header.unwrap_or_default();
        header.bytes().filter(|byte| *byte == mark).count()
    };
    [b';', b'\t']
        .into_iter()
        .find(|mark| count(*mark) > count(b','))
        .unwrap_or(b',')
}

/// Where a check of the quotes stands.
enum At {
    CellStart,
    Bare,
    Quoted,
    /// Behind a quote that closes, or that is the first half of two.
    Closed,
}

/// Holds the quotes and the size of the text against what can be read without guessing: a quote
/// left open would take the rest of the file for one cell.
fn check(text: &str, delimiter: u8) -> Result<(), SheetError> {
    let (mut at, mut line, mut opened) = (At::CellStart, 1, 1);
    let (mut columns, mut cells) = (1, 0);
    for byte in text.bytes() {
        let newline = byte == b'\n';
        at = match at {
            At::Quoted if byte == b'"' => At::Closed,
            At::Quoted => At::Quoted,
            At::Closed if byte == b'"' => At::Quoted,
            At::Closed | At::CellStart | At::Bare if byte == delimiter => {
                columns += 1;
                cells += 1;
                if columns > COLUMNS_MAX || cells > CELLS_MAX {
                    return Err(SheetError::too_large());
                }
                At::CellStart
            }
            At::Closed | At::CellStart | At::Bare if newline || byte == b'\r' => {
                columns = 1;
                cells += 1;
                At::CellStart
            }
            At::CellStart if byte == b'"' => {
                opened = line;
                At::Quoted
            }
            At::Closed if byte == b' ' => At::Closed,
            At::Closed => {
                return Err(SheetError::new(
                    opened,
                    format!(
                        "opens a quote behind which row {line} goes on; close the quote, or write a quote within a text twice"
                    ),
                ));
            }
            At::CellStart | At::Bare => At::Bare,
        };
        line += u64::from(newline);
    }
    if cells > CELLS_MAX {
        return Err(SheetError::too_large());
    }
    match at {
        At::Quoted => Err(SheetError::new(
            opened,
            "opens a quote that is never closed; close it, or write a quote within a text twice",
        )),
        _ => Ok(()),
    }
}

/// The records of a text, each with the number of the row where it begins.
fn records(text: &str, delimiter: u8) -> Result<Vec<Found>, SheetError> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(text.as_bytes());
    let mut rows: Vec<Found> = Vec::new();
    let (mut counted, mut number) = (0, 1);
    let mut width = 0;
    for record in reader.records() {
        let record = record.map_err(|error| {
            let row = error.position().map_or(0, csv::Position::line);
            SheetError::new(row, format!("cannot be read as CSV: {error}"))
        })?;
        // The reader gives the end of the record before; empty lines between count as rows too.
        let end = record
            .position()
            .map_or(0, |position| position.byte() as usize);
        let begins = text.len() - text[end..].trim_start_matches(['\r', '\n']).len();
        number += text[counted..begins]
            .bytes()
            .filter(|byte| *byte == b'\n')
            .count() as u64;
        counted = begins;
        if rows.is_empty() {
            width = record.len();
        }
        let fault = record
            .iter()
            .any(|cell| swallows(cell, delimiter, width, record.len()))
            .then(|| {
                "holds a cell over several lines that looks like rows; close the quote before it"
                    .to_owned()
            });
        let cells = record
            .iter()
            .enumerate()
            .filter(|(_, text)| !text.is_empty())
            .map(|(column, text)| Cell {
                column,
                text: text.to_owned(),
                fault: None,
            });
        rows.push(Found {
            number,
            cells: cells.collect(),
            fault,
        });
    }
    Ok(rows)
}

/// Whether a cell over several lines seems to hold rows, because two quotes that were left open
/// close one another.
fn swallows(cell: &str, delimiter: u8, width: usize, here: usize) -> bool {
    if !cell.trim().contains('\n') || width < 2 {
        return false;
    }
    let marks = |line: &str| line.bytes().filter(|byte| *byte == delimiter).count();
    here < width
        || cell
            .lines()
            .skip(1)
            .any(|line| width > 2 && marks(line) + 1 >= width)
}

/// A table written as CSV.
pub struct CsvTable(csv::Writer<Vec<u8>>);

impl CsvTable {
    /// Begins with the column names.
    ///
    /// # Errors
    /// When there is no memory for it.
    pub fn new(columns: &[&str]) -> Result<Self, Fault> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(columns).map_err(Fault::internal)?;
        Ok(Self(writer))
    }

    /// Adds a row. A text that a spreadsheet would take for a formula is marked as a text.
    ///
    /// # Errors
    /// When there are not as many cells as columns.
    pub fn row<S: AsRef<str>>(&mut self, cells: &[S]) -> Result<(), Fault> {
        let cells = cells.iter().map(|cell| as_text(cell.as_ref()).into_owned());
        self.0.write_record(cells).map_err(Fault::internal)
    }

    /// The file.
    ///
    /// # Errors
    /// When there is no memory for it.
    pub fn finish(self) -> Result<Vec<u8>, Fault> {
        self.0
            .into_inner()
            .map_err(|error| Fault::internal(error.into_error()))
    }
}

/// A cell that no spreadsheet takes for a formula: what begins like one gets an apostrophe before
/// it, by which spreadsheets know a text. A number is none, whatever its sign.
pub(super) fn as_text(cell: &str) -> Cow<'_, str> {
    const BEGINNINGS: [char; 10] = [
        '=', '+', '-', '@', '\t', '\r', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}',
    ];
    let number = || cell.parse::<f64>().is_ok_and(f64::is_finite);
    if cell.trim_start_matches(' ').starts_with(BEGINNINGS) && !number() {
        Cow::Owned(format!("'{cell}"))
    } else {
        Cow::Borrowed(cell)
    }
}
