//! Workbooks (ISO/IEC 29500), read cell by cell.

use std::io::{Cursor, Read};

use calamine::{Data, Reader as _, Xlsx, XlsxError};

use super::{
    CELLS_MAX, COLUMNS_MAX, Cell, Found, SheetError, TEXT_BYTES, Table, WORKBOOK_BYTES, arrange,
    letters,
};

/// Most files within a workbook.
const PARTS_MAX: usize = 2_000;
/// Largest a workbook may be once unpacked.
const UNPACKED_BYTES: u64 = 160 * 1024 * 1024;
/// Largest that anything but a sheet may be in it.
const PART_BYTES: u64 = 32 * 1024 * 1024;
/// Longest text of a cell, as spreadsheets have it.
const CELL_CHARS: usize = 32_767;
/// Fewest bytes that a shared text takes in its part.
const SHARED_TEXT_BYTES: usize = 5;

type Book<'a> = Xlsx<Cursor<&'a [u8]>>;

/// Reads the sheet of a workbook.
///
/// # Errors
/// A file that is none, that is larger than [`WORKBOOK_BYTES`] or grows beyond what is foreseen,
/// and one with content on more than its first sheet.
pub fn read_xlsx(bytes: &[u8]) -> Result<Table, SheetError> {
    if bytes.len() > WORKBOOK_BYTES {
        let message = format!("is larger than {WORKBOOK_BYTES} bytes; save it as CSV");
        return Err(SheetError::new(0, message));
    }
    weigh(bytes)?;
    let mut book: Book<'_> = Xlsx::new(Cursor::new(bytes)).map_err(|error| unreadable(&error))?;
    let sheets = book.sheet_names();
    let Some((first, others)) = sheets.split_first() else {
        return Err(SheetError::new(0, "has no sheet; put the table on one"));
    };
    for other in others {
        if has_content(&mut book, other)? {
            let message = format!(
                "has content on the sheet {other:?} beside {first:?}; only one sheet is read: take the other out, or send it as a file of its own"
            );
            return Err(SheetError::new(0, message));
        }
    }
    arrange(rows(&mut book, first)?.into_iter())
}

fn unreadable(error: &dyn std::fmt::Display) -> SheetError {
    let message = format!("cannot be read as a workbook: {error}; save it as XLSX or CSV");
    SheetError::new(0, message)
}

/// Unpacks a workbook into nothing, to see that it stays within bounds. What it says of its own
/// size is not believed.
fn weigh(bytes: &[u8]) -> Result<(), SheetError> {
    let too_large = || SheetError::new(0, "is too large once unpacked; save it as CSV");
    let mut archive =
        zip::ZipArchive::new(Cursor::new(bytes)).map_err(|error| unreadable(&error))?;
    if archive.len() > PARTS_MAX {
        return Err(too_large());
    }
    let mut unpacked = 0;
    for n in 0..archive.len() {
        let mut part = archive.by_index(n).map_err(|error| unreadable(&error))?;
        let name = part
            .name()
            .map_err(|error| unreadable(&error))?
            .to_lowercase();
        let most = if name.contains("worksheets/") {
            UNPACKED_BYTES - unpacked
        } else {
            PART_BYTES.min(UNPACKED_BYTES - unpacked)
        };
        let mut limited = (&mut part).take(most + 1);
        let size = if name.contains("sharedstrings") {
            let mut content = Vec::new();
            limited
                .read_to_end(&mut content)
                .map_err(|error| unreadable(&error))?;
            if content.len() as u64 <= most {
                shared_texts(&content)?;
            }
            content.len() as u64
        } else {
            std::io::copy(&mut limited, &mut std::io::sink()).map_err(|error| unreadable(&error))?
        };
        if size > most {
            return Err(too_large());
        }
        unpacked += size;
    }
    Ok(())
}

/// Room is made for as many shared texts as their part says it has, so it must not say more than
/// it can hold.
fn shared_texts(part: &[u8]) -> Result<(), SheetError> {
    const NAME: &[u8] = b"uniqueCount";
    let most = part.len() / SHARED_TEXT_BYTES;
    if part.contains(&0) {
        return Err(unreadable(&"its texts are not in UTF-8"));
    }
    for place in memchr::memmem::find_iter(part, NAME) {
        let digits: String = part[place + NAME.len()..]
            .iter()
            .map(|byte| char::from(*byte))
            .skip_while(|char| char.is_whitespace() || "='\"+".contains(*char))
            .take_while(char::is_ascii_digit)
            .collect();
        let told: usize = if digits.is_empty() {
            0
        } else {
            digits.parse().unwrap_or(usize::MAX)
        };
        if told > most {
            let message = format!(
                "says that it holds {digits} texts, which it cannot; save it anew, as XLSX or CSV"
            );
            return Err(SheetError::new(0, message));
        }
    }
    Ok(())
}

fn has_content(book: &mut Book<'_>, sheet: &str) -> Result<bool, SheetError> {
    let mut cells = match book.worksheet_cells_reader(sheet) {
        Ok(cells) => cells,
        // A sheet that is a picture of figures holds none.
        Err(XlsxError::NotAWorksheet(_)) => return Ok(false),
        Err(error) => return Err(unreadable(&error)),
    };
    while let Some(cell) = cells
        .next_cell_with_formula_metadata()
        .map_err(|error| unreadable(&error))?
    {
        let value = Data::from(cell.value);
        if cell.formula.is_some() || !value.to_string().trim().is_empty() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The rows of a sheet. Only cells that are there take room, however far apart they stand.
fn rows(book: &mut Book<'_>, sheet: &str) -> Result<Vec<Found>, SheetError> {
    let mut reader = book
        .worksheet_cells_reader(sheet)
        .map_err(|error| unreadable(&error))?;
    let mut rows: Vec<Found> = Vec::new();
    let (mut count, mut text_bytes) = (0, 0);
    while let Some(record) = reader
        .next_cell_with_formula_metadata()
        .map_err(|error| unreadable(&error))?
    {
        let (row, column) = record.pos;
        let number = u64::from(row) + 1;
        let cell = cell(
            column as usize,
            &Data::from(record.value),
            record.formula.is_some(),
        );
        if cell.text.is_empty() && cell.fault.is_none() {
            continue;
        }
        count += 1;
        text_bytes += cell.text.len();
        if count > CELLS_MAX || text_bytes > TEXT_BYTES {
            return Err(SheetError::too_large());
        }
        match rows.last_mut() {
            Some(last) if last.number == number => last.cells.push(cell),
            _ => rows.push(Found {
                number,
                cells: vec![cell],
                fault: None,
            }),
        }
    }
    in_order(rows)
}

/// Rows and cells in the order of the sheet, in which they nearly always stand.
fn in_order(mut rows: Vec<Found>) -> Result<Vec<Found>, SheetError> {
    if !rows.is_sorted_by(|a, b| a.number < b.number) {
        rows.sort_by_key(|row| row.number);
        rows.dedup_by(|later, earlier| {
            let same = later.number == earlier.number;
            if same {
                earlier.cells.append(&mut later.cells);
            }
            same
        });
    }
    for row in &mut rows {
        row.cells.sort_by_key(|cell| cell.column);
        let twice = row
            .cells
            .windows(2)
            .find(|two| two[0].column == two[1].column);
        if let Some([cell, _]) = twice {
            let message = format!("has the cell {} twice", letters(cell.column));
            return Err(SheetError::new(row.number, message));
        }
    }
    Ok(rows)
}

/// A cell as it would be typed into CSV.
fn cell(column: usize, value: &Data, is_formula: bool) -> Cell {
    let mut fault = None;
    let text = match value {
        Data::Empty if is_formula => {
            fault = Some(
                "holds a formula without a value; open the workbook in a spreadsheet, save it and send it again, or put the value in"
                    .to_owned(),
            );
            String::new()
        }
        Data::Empty => String::new(),
        Data::Error(error) => {
            fault = Some(format!(
                "holds the error {error}; put a value in, or take it out"
            ));
            String::new()
        }
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
    };
    if column >= COLUMNS_MAX && !text.is_empty() {
        fault = Some(format!(
            "stands beyond the {COLUMNS_MAX} columns that are read; take it out"
        ));
    }
    if text.chars().count() > CELL_CHARS {
        fault = Some(format!(
            "is longer than {CELL_CHARS} characters; shorten it"
        ));
    }
    let text = if fault.is_some() { String::new() } else { text };
    Cell {
        column,
        text,
        fault,
    }
}
