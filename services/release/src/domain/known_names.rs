//! Lists of known denominations as CSV.

use contract::shape::Text;
use platform::sheet::{self, Row};
use platform::{FieldError, Fields, text};
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

/// The columns of a list.
const COLUMNS: [&str; 4] = ["name", "class", "jurisdiction", "kind"];

/// Reads a list. One bad line does not spoil the others.
///
/// # Errors
/// What is wrong with the list as a whole, with the remedy.
pub fn read(csv: &str) -> Result<(Vec<ListedName>, Vec<BadLine>), String> {
    let table = sheet::read_csv(csv.as_bytes()).map_err(|error| match error.row {
        0 => error.message,
        row => format!("row {row} {}", error.message),
    })?;
    for (place, column) in table.columns.iter().enumerate() {
        if !column.is_empty() && !COLUMNS.contains(&column.as_str()) {
            return Err(format!(
                "has a column {column:?}, which is none of {}; leave it out",
                COLUMNS.join(", ")
            ));
        }
        if !column.is_empty() && table.columns[..place].contains(column) {
            return Err(format!("has the column {column:?} twice; keep one"));
        }
    }
    for needed in ["name", "class"] {
        if !table.columns.iter().any(|column| column == needed) {
            return Err(format!(
                "the first line names no column {needed}; it names columns, as name,class,jurisdiction,kind"
            ));
        }
    }
    if table.rows.len() > NAMES_MAX {
        return Err(format!(
            "holds more than {NAMES_MAX} names; send it in parts"
        ));
    }
    let (mut names, mut bad) = (Vec::new(), Vec::new());
    for row in table.rows {
        match listed(&table.columns, &row) {
            Ok(name) => names.push(name),
            Err((name, errors)) => bad.push(BadLine {
                line: row.number,
                name,
                errors,
            }),
        }
    }
    Ok((names, bad))
}

/// The name of a row, or what it calls itself and what is wrong with it.
fn listed(columns: &[String], row: &Row) -> Result<ListedName, (String, Vec<FieldError>)> {
    let mut fields = Fields::new();
    fields.absorb(row.faults.iter().cloned());
    let mut cell = |name: &str| {
        let place = columns.iter().position(|column| column == name);
        let mut text = place.map(|n| row.cells[n].clone()).unwrap_or_default();
        if let Err(message) = text::settle(Text::Name, &mut text) {
            fields.fault(name, message);
        }
        text
    };
    let [name, class, jurisdiction, kind] = COLUMNS.map(&mut cell);
    let name = fields.text("name", &name, 200).to_owned();
    fields.require(
        name.is_empty() || !fold(&name).is_empty(),
        "name",
        "holds no letter or figure",
    );
    let class = fields.text("class", &class, 200).to_owned();
    fields.require(
        !kind.eq_ignore_ascii_case(TRADE_DESIGNATION),
        "kind",
        "is a trade designation, which is never a denomination; leave it out of this list",
    );
    if fields.any() {
        return Err((name, fields.into_errors()));
    }
    Ok(ListedName {
        name,
        class,
        jurisdiction: jurisdiction.to_uppercase(),
    })
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
