//! Tables as people send them: CSV, or the first sheet of an XLSX workbook, read as rows of text.

use std::io::Cursor;

use calamine::{Data, Reader as _, Xlsx};

/// Why a file cannot be read as a table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct SheetError {
    /// The row where reading stopped, as seen in the file; 0 when it is the file as a whole.
    pub row: u64,
    /// What is wrong and what would mend it.
    pub message: String,
}

impl SheetError {
    fn new(row: u64, message: impl Into<String>) -> Self {
        Self {
            row,
            message: message.into(),
        }
    }
}

/// Rows with their numbers as seen in the file, the first being 1.
pub type Rows = Vec<(u64, Vec<String>)>;

/// Largest workbook, which is far larger once unpacked.
pub const WORKBOOK_BYTES: usize = 32 * 1024 * 1024;

/// Reads CSV in UTF-8, with a byte order mark or without, apart by commas, semicolons or tabs.
///
/// # Errors
/// Another encoding, or quotes that do not close.
pub fn read_csv(bytes: &[u8]) -> Result<Rows, SheetError> {
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let before = &bytes[..error.valid_up_to()];
        let line = before.iter().filter(|byte| **byte == b'\n').count();
        SheetError::new(line as u64 + 1, "is not in UTF-8; save it as CSV UTF-8")
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
        rows.push((number, record.iter().map(str::to_owned).collect()));
    }
    Ok(rows)
}

/// Reads the first sheet of a workbook.
///
/// # Errors
/// A file that is none, or that is larger than [`WORKBOOK_BYTES`].
pub fn read_xlsx(bytes: &[u8]) -> Result<Rows, SheetError> {
    if bytes.len() > WORKBOOK_BYTES {
        let message = format!("is larger than {WORKBOOK_BYTES} bytes; save it as CSV");
        return Err(SheetError::new(0, message));
    }
    let unreadable = |error: &dyn std::fmt::Display| {
        let message = format!("cannot be read as a workbook: {error}; save it as XLSX or CSV");
        SheetError::new(0, message)
    };
    let mut book = Xlsx::new(Cursor::new(bytes)).map_err(|error| unreadable(&error))?;
    let Some(sheet) = book.worksheet_range_at(0) else {
        return Err(SheetError::new(
            0,
            "has no sheet; put the table on the first one",
        ));
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

/// A column name as it may be written, in small letters with underscores.
pub fn column_name(text: &str) -> String {
    text.trim().to_lowercase().replace([' ', '-'], "_")
}
