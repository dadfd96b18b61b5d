//! Readings from CSV text.

use contract::common::SkippedRow;
use contract::crossing::WeatherReading;
use platform::FieldError;
use platform::sheet::{self, Row, Table};

use super::weather::{ReadingSource, Readings};

/// Text with a line of headings and a line for each reading.
pub struct CsvText<'a>(pub &'a str);

impl ReadingSource for CsvText<'_> {
    fn readings(self) -> Result<Readings, (&'static str, String)> {
        if self.0.trim().is_empty() {
            let problem = "is required: headings and a line for each reading";
            return Err(("/csv", problem.to_owned()));
        }
        readings_from_csv(self.0).map_err(|problem| ("/csv", problem))
    }
}

/// The headings that are known.
const KNOWN: [&str; 10] = [
    "id",
    "at",
    "temperature_c",
    "temperature_f",
    "date",
    "min_c",
    "max_c",
    "min_f",
    "max_f",
    "correction",
];

/// Reads readings from CSV text; rows that cannot be read carry what is wrong with them. A line
/// without any temperature is a missing reading and is skipped.
///
/// # Errors
/// Text that cannot be read as CSV, and headings that are not understood.
fn readings_from_csv(text: &str) -> Result<Readings, String> {
    let Table { columns, rows, .. } =
        sheet::read_csv(text.as_bytes()).map_err(|error| match error.row {
            0 => error.message,
            row => format!("row {row} {}", error.message),
        })?;
    for (place, heading) in columns.iter().enumerate() {
        if !heading.is_empty() && !KNOWN.contains(&heading.as_str()) {
            return Err(format!(
                "column {heading:?} is not known; headings are {}",
                KNOWN.join(", ")
            ));
        }
        if !heading.is_empty() && columns[..place].contains(heading) {
            return Err(format!("column {heading:?} is there twice; keep one"));
        }
    }
    if !columns
        .iter()
        .any(|heading| heading == "at" || heading == "date")
    {
        return Err("the first line must hold the headings, as at,temperature_c".to_owned());
    }
    let decimal_comma = sheet::delimiter(text) != b',';
    let mut readings = Readings::default();
    for (index, row) in (0..).zip(rows) {
        let number = row.number;
        match reading(&columns, row, decimal_comma) {
            Some(reading) => readings.rows.push((index, reading)),
            None => readings.skipped.push(SkippedRow {
                row: number,
                reason: "holds no temperature".to_owned(),
            }),
        }
    }
    Ok(readings)
}

/// The reading of a row; none when it holds no temperature.
fn reading(columns: &[String], row: Row, decimal_comma: bool) -> Option<WeatherReading> {
    let mut any = !row.faults.is_empty();
    let mut reading = WeatherReading {
        malformed: row.faults.into_iter().map(Into::into).collect(),
        ..WeatherReading::default()
    };
    for (heading, value) in columns.iter().zip(row.cells) {
        if value.is_empty() {
            continue;
        }
        let into = match heading.as_str() {
            "id" => {
                reading.id = value;
                continue;
            }
            "at" => {
                reading.at = value;
                continue;
            }
            "date" => {
                reading.date = value;
                continue;
            }
            "correction" => {
                reading.correction = matches!(value.as_str(), "true" | "1" | "yes");
                continue;
            }
            "temperature_c" => &mut reading.temperature_c,
            "temperature_f" => &mut reading.temperature_f,
            "min_c" => &mut reading.min_c,
            "max_c" => &mut reading.max_c,
            "min_f" => &mut reading.min_f,
            _ => &mut reading.max_f,
        };
        any = true;
        let dotted = if decimal_comma {
            value.replace(',', ".")
        } else {
            value.clone()
        };
        match dotted.parse::<f64>() {
            Ok(number) => *into = Some(number),
            Err(_) => {
                let message = format!("{value:?} is not a number");
                let fault = FieldError::new(format!("/{heading}"), message);
                reading.malformed.push(fault.into());
            }
        }
    }
    any.then_some(reading)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn csv_is_read_with_its_own_marks() {
        let Readings { rows, skipped } = readings_from_csv(
            "at;temperature_c\n2026-01-05T14:00;3,5\n2026-01-05T15:00;\n2026-01-05T16:00;x\n",
        )
        .unwrap();
        assert_eq!((skipped.len(), skipped[0].row), (1, 3));
        assert_eq!(rows.len(), 2);
        assert_eq!(rows[0].1.temperature_c, Some(3.5));
        assert_eq!((rows[1].0, rows[1].1.malformed.is_empty()), (2, false));
        assert!(readings_from_csv("time,temp\n").is_err());
        assert!(readings_from_csv("at,min_c,min_c\n1,2,3\n").is_err());
        assert!(readings_from_csv("at,min_c\n\"1,2\n3,4\n").is_err());
        let surplus = readings_from_csv("at,min_c\n1,2,3\n").unwrap().rows;
        assert_eq!(surplus[0].1.malformed[0].pointer, "/C");
    }
}
