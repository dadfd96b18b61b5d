//! Families of cases over open data that a further folder of cases need not have.

use std::path::Path;

use biometry::data::Frame;
use outside_checks::{checks_dir, read_case_file};
use serde_json::Value;

/// A family of cases in one file, whose data lie beside it.
pub struct Family(pub &'static str);

impl Family {
    /// A text of the chosen folder, or of our own where that folder has none of this family.
    fn text(&self, relative: &str) -> String {
        if checks_dir().join(self.0).exists() {
            return read_case_file(relative);
        }
        let own = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../checks")
            .join(relative);
        std::fs::read_to_string(&own)
            .unwrap_or_else(|e| panic!("{} cannot be read: {e}", own.display()))
    }

    /// Every case of the family.
    pub fn cases(&self) -> Vec<Value> {
        let mut file: Value = serde_json::from_str(&self.text(self.0)).expect("a case file");
        match file["cases"].take() {
            Value::Array(cases) => cases,
            other => panic!("`cases` of {} is {other}, not a list", self.0),
        }
    }

    /// The data of a case: factors, and the columns it names by `numeric` where they hold numbers.
    pub fn frame(&self, case: &Value, numeric: &[&str]) -> Frame {
        let text = self.text(&format!("biometry/data/{}", word(case, "data")));
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let names = reader.headers().expect("a header").clone();
        let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("a row")).collect();
        let numeric: Vec<&str> = numeric
            .iter()
            .filter_map(|key| case[key].as_str())
            .collect();
        let mut frame = Frame::new();
        for (k, name) in names.iter().enumerate() {
            let cells = rows
                .iter()
                .map(|r| r.get(k).filter(|c| !c.is_empty() && *c != "NA"));
            let is_number = numeric.contains(&name)
                && cells.clone().flatten().all(|c| c.parse::<f64>().is_ok());
            frame = if is_number {
                frame.with_numeric(name, cells.map(|c| c.and_then(|c| c.parse().ok())))
            } else {
                frame.with_factor(name, cells)
            }
            .expect("a column");
        }
        frame
    }
}

/// A text of a case.
pub fn word<'a>(case: &'a Value, key: &str) -> &'a str {
    case[key]
        .as_str()
        .unwrap_or_else(|| panic!("`{key}` of {}", case["id"]))
}
