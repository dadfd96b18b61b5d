//! Readings from CSV text.

use contract::crossing::WeatherReading;
use platform::FieldError;

use super::weather::ReadingSource;

/// Text with a line of headings and a line for each reading.
pub struct CsvText<'a>(pub &'a str);

impl ReadingSource for CsvText<'_> {
    fn readings(self) -> Result<Vec<(u64, WeatherReading)>, (&'static str, String)> {
        if self.0.trim().is_empty() {
            let problem = "is required: headings and a line for each reading";
            return Err(("/csv", problem.to_owned()));
        }
        readings_from_csv(self.0).map_err(|problem| ("/csv", problem))
    }
}

/// Reads readings from CSV text; rows that cannot be read carry what is wrong with them. A line
/// without any temperature is a missing reading and is passed over.
///
/// # Errors
/// Headings that are not understood.
fn readings_from_csv(text: &str) -> Result<Vec<(u64, WeatherReading)>, String> {
    let text = text.trim_start_matches('\u{feff}');
    let headings = text.lines().next().unwrap_or_default();
    let delimiter = [b',', b';', b'\t']
        .into_iter()
        .max_by_key(|byte| headings.bytes().filter(|b| b == byte).count())
        .unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let headings: Vec<String> = reader
        .headers()
        .map_err(|error| error.to_string())?
        .iter()
        .map(str::to_lowercase)
        .collect();
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
    if let Some(strange) = headings
        .iter()
        .find(|heading| !KNOWN.contains(&heading.as_str()))
    {
        return Err(format!(
            "column {strange:?} is not known; headings are {}",
            KNOWN.join(", ")
        ));
    }
    if !headings
        .iter()
        .any(|heading| heading == "at" || heading == "date")
    {
        return Err("the first line must hold the headings, as at,temperature_c".to_owned());
    }
    let mut rows = Vec::new();
    for (index, record) in reader.records().enumerate() {
        let index = index as u64;
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                rows.push((
                    index,
                    WeatherReading {
                        malformed: vec![FieldError::new("", error.to_string()).into()],
                        ..WeatherReading::default()
                    },
                ));
                continue;
            }
        };
        let mut row = WeatherReading::default();
        let mut any = false;
        for (heading, value) in headings.iter().zip(record.iter()) {
            if value.is_empty() {
                continue;
            }
            let number = || {
                let dotted = if delimiter == b',' {
                    value.to_owned()
                } else {
                    value.replace(',', ".")
                };
                dotted
                    .parse::<f64>()
                    .map_err(|_| format!("{heading}: {value:?} is not a number"))
            };
            let into = match heading.as_str() {
                "id" => {
                    row.id = value.to_owned();
                    continue;
                }
                "at" => {
                    row.at = value.to_owned();
                    continue;
                }
                "date" => {
                    row.date = value.to_owned();
                    continue;
                }
                "correction" => {
                    row.correction = matches!(value, "true" | "1" | "yes");
                    continue;
                }
                "temperature_c" => &mut row.temperature_c,
                "temperature_f" => &mut row.temperature_f,
                "min_c" => &mut row.min_c,
                "max_c" => &mut row.max_c,
                "min_f" => &mut row.min_f,
                _ => &mut row.max_f,
            };
            any = true;
            match number() {
                Ok(value) => *into = Some(value),
                Err(message) => row.malformed.push(FieldError::new("", message).into()),
            }
        }
        if any {
            rows.push((index, row));
        }
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn csv_is_read_with_its_own_marks() {
        let rows = readings_from_csv(
            "at;temperature_c\n2026-01-05T14:00;3,5\n2026-01-05T15:00;\n2026-01-05T16:00;x\n",
        )
        .unwrap();
        assert_eq!(rows.len(), 2);
        assert_eq!(rows[0].1.temperature_c, Some(3.5));
        assert_eq!((rows[1].0, rows[1].1.malformed.is_empty()), (2, false));
        assert!(readings_from_csv("time,temp\n").is_err());
    }
}
