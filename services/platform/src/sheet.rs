//! Tables as people send them: CSV, or a workbook with one sheet (XLSX), read as rows of text.
//!
//! Nothing is passed over: what stands in a file is read, or told with its row. What a file may
//! grow to is bounded before anything is built of it, because a workbook of a kilobyte can speak
//! of cells by the billion.

mod csv_text;
mod workbook;

use contract::shape::Text;

pub use csv_text::{CsvTable, delimiter, read_csv};
pub use workbook::read_xlsx;

use crate::fault::{Fault, FieldError};
use crate::reading::{CSV, FILE_TYPES, XLSX};
use crate::text;

/// Largest workbook, which is far larger once unpacked.
pub const WORKBOOK_BYTES: usize = 32 * 1024 * 1024;
/// Most columns of a table.
pub const COLUMNS_MAX: usize = 1_000;
/// Most cells of a table, the empty ones between others counted.
pub const CELLS_MAX: usize = 2_500_000;
/// Most characters of all cells together, in bytes.
const TEXT_BYTES: usize = 128 * 1024 * 1024;
/// Most faults that are told of one row.
const ROW_FAULTS: usize = 10;

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

    fn too_large() -> Self {
        let message =
            format!("holds more than {CELLS_MAX} cells in {COLUMNS_MAX} columns; send it in parts");
        Self::new(0, message)
    }
}

impl From<SheetError> for Fault {
    fn from(error: SheetError) -> Self {
        match error.row {
            0 => Self::field("/content", error.message),
            row => Self::field("/content", format!("row {row} {}", error.message)),
        }
    }
}

/// A table: column names, and the rows that are not blank.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// Number of the row of column names, as seen in the file.
    pub header_row: u64,
    /// The column names as [`column_name`] writes them; empty for a column without one.
    pub columns: Vec<String>,
    /// The rows below.
    pub rows: Vec<Row>,
}

/// A row of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Its number as seen in the file, the first being 1.
    pub number: u64,
    /// Its cells, trimmed: one for each column.
    pub cells: Vec<String>,
    /// What cannot be read as it stands. The pointer names the column, or its letters when it has
    /// no name.
    pub faults: Vec<FieldError>,
}

/// A cell as it was found in a file.
struct Cell {
    column: usize,
    text: String,
    /// What is wrong with it.
    fault: Option<String>,
}

/// A row as it was found in a file, without blank cells at its end.
struct Found {
    number: u64,
    cells: Vec<Cell>,
    /// What is wrong with the row as a whole.
    fault: Option<String>,
}

/// Puts rows under the names of the first.
fn arrange(found: impl Iterator<Item = Found>) -> Result<Table, SheetError> {
    let mut found = found.filter(|row| {
        let blank = |cell: &Cell| cell.fault.is_none() && cell.text.trim().is_empty();
        row.fault.is_some() || !row.cells.iter().all(blank)
    });
    let Some(header) = found.next() else {
        return Err(SheetError::new(
            0,
            "is empty; begin with a row of column names",
        ));
    };
    if let Some(fault) = header.fault {
        return Err(SheetError::new(header.number, fault));
    }
    let mut columns: Vec<String> = Vec::new();
    for mut cell in header.cells {
        if cell.column >= COLUMNS_MAX {
            return Err(SheetError::too_large());
        }
        let settled = text::settle(Text::Name, &mut cell.text);
        if let Some(fault) = cell.fault.or(settled.err()) {
            let place = letters(cell.column);
            return Err(SheetError::new(
                header.number,
                format!("column {place} {fault}"),
            ));
        }
        columns.resize(columns.len().max(cell.column + 1), String::new());
        columns[cell.column] = column_name(&cell.text);
    }
    while columns.last().is_some_and(String::is_empty) {
        columns.pop();
    }
    let mut rows = Vec::new();
    for row in found {
        if rows.len() * columns.len() > CELLS_MAX {
            return Err(SheetError::too_large());
        }
        rows.push(under(&columns, row));
    }
    Ok(Table {
        header_row: header.number,
        columns,
        rows,
    })
}

fn under(columns: &[String], found: Found) -> Row {
    let mut row = Row {
        number: found.number,
        cells: vec![String::new(); columns.len()],
        faults: Vec::new(),
    };
    let mut fault = |pointer: String, message: String| {
        if row.faults.len() == ROW_FAULTS {
            return;
        }
        row.faults.push(FieldError {
            row: Some(found.number),
            ..FieldError::new(pointer, message)
        });
    };
    if let Some(message) = found.fault {
        fault(String::new(), message);
    }
    for mut cell in found.cells {
        let named = columns.get(cell.column).filter(|name| !name.is_empty());
        let place = named.cloned().unwrap_or_else(|| letters(cell.column));
        // Whether a line break may stand there is for those to say who know the column.
        let settled = text::settle(Text::Prose, &mut cell.text);
        if let Some(message) = cell.fault.or(settled.err()) {
            fault(format!("/{place}"), message);
        }
        let text = cell.text.trim();
        match row.cells.get_mut(cell.column) {
            Some(here) if named.is_some() => text.clone_into(here),
            _ if text.is_empty() => {}
            _ => fault(
                format!("/{place}"),
                "stands in a column without a name; name the column, or take the cell out".into(),
            ),
        }
    }
    row
}

/// Reads a file of one of [`FILE_TYPES`]. That may take seconds, so a request does it in the room
/// for arithmetic (`platform::compute`).
///
/// # Errors
/// A type that is none of these, and a file that cannot be read as a table.
pub fn read(content_type: &str, content: &[u8]) -> Result<Table, Fault> {
    let read = match content_type.split(';').next().unwrap_or_default().trim() {
        CSV => read_csv,
        XLSX => read_xlsx,
        other => {
            return Err(Fault::field(
                "/content_type",
                format!("{other:?} is not taken; send {}", FILE_TYPES.join(" or ")),
            ));
        }
    };
    Ok(read(content)?)
}

/// A column name as it may be written, in small letters with underscores.
pub fn column_name(text: &str) -> String {
    text.trim().to_lowercase().replace([' ', '-'], "_")
}

/// The letters by which a spreadsheet names a column, counted from 0: A, B, … Z, AA.
fn letters(column: usize) -> String {
    let mut name = Vec::new();
    let mut rest = column + 1;
    while rest > 0 {
        name.push(b'A' + ((rest - 1) % 26) as u8);
        rest = (rest - 1) / 26;
    }
    name.iter()
        .rev()
        .map(|letter| char::from(*letter))
        .collect()
}

#[cfg(test)]
mod tests;
