//! Lists of known denominations as CSV.

use std::collections::BTreeMap;

use platform::{FieldError, Fields};
use rights::denomination::fold;

/// Most names in one list.
pub const NAMES_MAX: usize = 50_000;
/// Word by which a list tells a trade designation from a denomination.
const TRADE_DESIGNATION: &str = "trade_designation";

/// A name as a list tells it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedName {
    /// The denomination.
    pub name: String,
    /// Latin name of the genus or species.
    pub class: String,
    /// Where it is registered; empty when not told.
    pub jurisdiction: String,
}

/// A line that is no name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLine {
    /// Its number, the column names being line 1.
    pub line: u64,
    /// What it calls itself.
    pub name: String,
    /// What is wrong.
    pub errors: Vec<FieldError>,
}

/// Reads a list. One bad line does not spoil the others.
///
/// # Errors
/// What is wrong with the list as a whole, with the remedy.
pub fn read(csv: &str) -> Result<(Vec<ListedName>, Vec<BadLine>), String> {
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        // A byte order mark is no part of the first column's name.
        .from_reader(csv.trim_start_matches('\u{feff}').as_bytes());
    let columns: BTreeMap<String, usize> = reader
        .headers()
        .map_err(|error| format!("the first line cannot be read: {error}"))?
        .iter()
        .enumerate()
        .map(|(i, name)| (name.to_lowercase(), i))
        .collect();
    for needed in ["name", "class"] {
        if !columns.contains_key(needed) {
            return Err(format!(
                "the first line names no column {needed}; it names columns, as name,class,jurisdiction,kind"
            ));
        }
    }
    let (mut names, mut bad) = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(|error| format!("cannot be read: {error}"))?;
        if names.len() + bad.len() == NAMES_MAX {
            return Err(format!(
                "holds more than {NAMES_MAX} names; send it in parts"
            ));
        }
        let cell = |name: &str| {
            columns
                .get(name)
                .and_then(|i| record.get(*i))
                .unwrap_or_default()
        };
        let mut fields = Fields::new();
        let name = fields.text("name", cell("name"), 200).to_owned();
        fields.require(
            name.is_empty() || !fold(&name).is_empty(),
            "name",
            "holds no letter or figure",
        );
        let class = fields.text("class", cell("class"), 200).to_owned();
        fields.require(
            !cell("kind").eq_ignore_ascii_case(TRADE_DESIGNATION),
            "kind",
            "is a trade designation, which is never a denomination; leave it out of this list",
        );
        if fields.any() {
            bad.push(BadLine {
                line: record.position().map_or(0, csv::Position::line),
                name,
                errors: fields.into_errors(),
            });
        } else {
            names.push(ListedName {
                name,
                class,
                jurisdiction: cell("jurisdiction").to_uppercase(),
            });
        }
    }
    Ok((names, bad))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn columns_come_in_any_order_and_bad_lines_stand_alone() {
        let list = "\u{feff}Class, Name ,kind,jurisdiction\n\
                    Prunus persica,Velenta,denomination,us\n\
                    Prunus,\"Vela, red\",,\n\
                    Prunus,SunnyDay,trade_designation,\n\
                    ,Nobody\n\
                    Prunus,\"--\",,\n";
        let (names, bad) = read(list).unwrap();
        assert_eq!(names.len(), 2);
        assert_eq!(names[0].jurisdiction, "US");
        assert_eq!(names[1].name, "Vela, red");
        let told: Vec<_> = bad
            .iter()
            .map(|line| (line.line, line.errors[0].pointer.as_str()))
            .collect();
        assert_eq!(told, [(4, "/kind"), (5, "/class"), (6, "/name")]);
    }

    #[test]
    fn a_list_without_its_columns_is_refused() {
        assert!(
            read("name,species\nVelenta,Prunus\n")
                .unwrap_err()
                .contains("class")
        );
        assert!(read("").is_err());
    }

    proptest! {
        #[test]
        fn any_text_is_read_without_panic(text in "\\PC{0,200}") {
            let _ = read(&text);
            let _ = read(&format!("name,class\n{text}"));
        }
    }
}
