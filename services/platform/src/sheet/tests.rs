use std::collections::BTreeSet;
use std::io::Write as _;

use proptest::prelude::*;

use super::csv_text::as_text;
use super::*;

fn table(text: &str) -> Table {
    read_csv(text.as_bytes()).unwrap()
}

fn refused(text: &str) -> String {
    let error = read_csv(text.as_bytes()).unwrap_err();
    format!("{} {}", error.row, error.message)
}

#[test]
fn rows_keep_their_numbers_and_lines_within_cells() {
    let read = table("\u{feff}Tree;Observed at\r\nT1;\"two\nlines\"\n\n;\nT2; x \n");
    assert_eq!(read.columns, ["tree", "observed_at"]);
    assert_eq!(read.header_row, 1);
    let told: Vec<_> = read
        .rows
        .iter()
        .map(|row| (row.number, row.cells[0].as_str(), row.cells[1].as_str()))
        .collect();
    assert_eq!(told, [(2, "T1", "two\nlines"), (6, "T2", "x")]);
    assert!(read.rows.iter().all(|row| row.faults.is_empty()));
}

#[test]
fn a_quote_left_open_takes_no_row_with_it() {
    assert!(
        refused("a,b\n1,2\n3,\"4\n5,6\n7,8\n").starts_with("3 opens a quote that is never closed")
    );
    assert!(
        refused("a,b\n1,\"2\n3,4\n5,\"6\"\n").starts_with("2 opens a quote behind which row 4")
    );
    assert!(refused("a,b\n\"x\"y,2\n").starts_with("2 opens a quote"));
    // Two that were left open close one another.
    let read = table("a,b,c\n1,2,\"3\n4,5,6\n7,8,9\"\n");
    assert_eq!(read.rows.len(), 1);
    assert!(read.rows[0].faults[0].message.contains("looks like rows"));
    let read = table("a,b,c\n1,\"2\n4,5\n6\"\n");
    assert_eq!(read.rows[0].faults.len(), 1);
    // Quotes as they should be.
    let read = table("a,b\n\"say \"\"so\"\"\",\"x\" \n3\" pipe,\"\"\n");
    assert_eq!(read.rows[0].cells, ["say \"so\"", "x"]);
    assert_eq!(read.rows[1].cells, ["3\" pipe", ""]);
}

#[test]
fn cells_without_a_column_are_told_and_not_dropped() {
    let read = table("a,,b\n1,2,3,4\n1,,3,\n1\n");
    let pointers: Vec<&str> = read.rows[0]
        .faults
        .iter()
        .map(|f| f.pointer.as_str())
        .collect();
    assert_eq!(pointers, ["/B", "/D"]);
    assert_eq!(read.rows[0].faults[0].row, Some(2));
    assert!(read.rows[1].faults.is_empty() && read.rows[2].faults.is_empty());
    assert_eq!(read.rows[2].cells, ["1", "", ""]);
}

#[test]
fn texts_of_cells_are_held_to_the_rules_of_texts() {
    let read = table("na\u{308}me\nAme\u{301}lie\na\0b\n");
    assert_eq!(read.columns, ["n\u{e4}me"]);
    assert_eq!(read.rows[0].cells, ["Am\u{e9}lie"]);
    assert!(read.rows[1].faults[0].message.contains("U+0000"));
    assert!(refused("a\0,b\n1,2\n").contains("U+0000"));
    assert!(refused("").contains("is empty"));
    assert!(
        read_csv(b"a,b\n\xe9,1\n")
            .unwrap_err()
            .message
            .contains("UTF-8")
    );
    assert!(
        read_csv(b"PK\x03\x04")
            .unwrap_err()
            .message
            .contains("XLSX")
    );
}

#[test]
fn tables_beyond_what_is_foreseen_are_refused() {
    let wide = ",".repeat(120_000);
    assert!(refused(&wide).contains("in parts"));
    let long = format!("a\n{}", ",\n".repeat(CELLS_MAX / 2 + 1));
    assert!(refused(&long).contains("in parts"));
}

/// A workbook with these sheets and, when given, these shared texts.
fn workbook(sheets: &[&str], shared: Option<&str>) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = zip::write::SimpleFileOptions::default();
    let mut part = |name: &str, content: &str| {
        zip.start_file(name, options).unwrap();
        zip.write_all(content.as_bytes()).unwrap();
    };
    const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    const RELATIONS: &str = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let (mut named, mut related) = (String::new(), String::new());
    for n in 1..=sheets.len() {
        named += &format!("<sheet name=\"S{n}\" sheetId=\"{n}\" r:id=\"r{n}\"/>");
        related += &format!(
            "<Relationship Id=\"r{n}\" Type=\"{RELATIONS}/worksheet\" Target=\"worksheets/sheet{n}.xml\"/>"
        );
    }
    const PACKAGE: &str = "http://schemas.openxmlformats.org/package/2006/relationships";
    part(
        "_rels/.rels",
        &format!(
            "<Relationships xmlns=\"{PACKAGE}\"><Relationship Id=\"b\" Type=\"{RELATIONS}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
        ),
    );
    part(
        "xl/workbook.xml",
        &format!(
            "<workbook xmlns=\"{MAIN}\" xmlns:r=\"{RELATIONS}\"><sheets>{named}</sheets></workbook>"
        ),
    );
    part(
        "xl/_rels/workbook.xml.rels",
        &format!(
            "<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\">{related}</Relationships>"
        ),
    );
    for (n, cells) in sheets.iter().enumerate() {
        part(
            &format!("xl/worksheets/sheet{}.xml", n + 1),
            &format!("<worksheet xmlns=\"{MAIN}\"><sheetData>{cells}</sheetData></worksheet>"),
        );
    }
    if let Some(shared) = shared {
        part("xl/sharedStrings.xml", shared);
    }
    zip.finish().unwrap().into_inner()
}

const TWO_ROWS: &str = "<row r=\"1\"><c r=\"A1\" t=\"inlineStr\"><is><t>Tree</t></is></c>\
     <c r=\"B1\" t=\"inlineStr\"><is><t>Brix</t></is></c></row>\
     <row r=\"3\"><c r=\"A3\" t=\"str\"><v>T1</v></c><c r=\"B3\"><v>14.5</v></c></row>";

#[test]
fn a_workbook_is_read_like_the_same_table_in_csv() {
    let read = read_xlsx(&workbook(&[TWO_ROWS, ""], None)).unwrap();
    assert_eq!(read, table("Tree,Brix\n\nT1,14.5\n"));
}

#[test]
fn a_second_sheet_with_content_is_refused() {
    let error = read_xlsx(&workbook(&[TWO_ROWS, TWO_ROWS], None)).unwrap_err();
    assert!(error.message.contains("\"S2\""), "{error}");
}

#[test]
fn formulas_without_a_value_and_errors_are_told() {
    let rows = format!(
        "{TWO_ROWS}<row r=\"4\"><c r=\"A4\"><f>B3+1</f></c><c r=\"B4\" t=\"e\"><v>#N/A</v></c></row>\
         <row r=\"5\"><c r=\"A5\"><f t=\"shared\" ref=\"A5:A6\" si=\"4000000000\">1+1</f><v>2</v></c>\
         <c r=\"ZZ5\"><v>7</v></c></row>"
    );
    let read = read_xlsx(&workbook(&[&rows], None)).unwrap();
    let faults = |n: usize| -> Vec<&str> {
        read.rows[n]
            .faults
            .iter()
            .map(|f| f.pointer.as_str())
            .collect()
    };
    assert_eq!(faults(1), ["/tree", "/brix"]);
    assert!(read.rows[1].faults[0].message.contains("formula"));
    assert_eq!(
        (faults(2), read.rows[2].cells[0].as_str()),
        (vec!["/ZZ"], "2")
    );
}

#[test]
fn workbooks_that_would_grow_beyond_bounds_are_refused() {
    let corners = "<row r=\"1\"><c r=\"A1\"><v>1</v></c></row>\
                   <row r=\"1048576\"><c r=\"XFD1048576\"><v>1</v></c></row>";
    let read = read_xlsx(&workbook(&[corners], None)).unwrap();
    assert_eq!(read.rows[0].faults[0].pointer, "/XFD");
    let shared = "<sst uniqueCount = \"4000000000000\"><si><t>a</t></si></sst>";
    let error = read_xlsx(&workbook(&[TWO_ROWS], Some(shared))).unwrap_err();
    assert!(error.message.contains("which it cannot"), "{error}");
    let sound = "<sst uniqueCount=\"1\"><si><t>a</t></si></sst>";
    assert!(read_xlsx(&workbook(&[TWO_ROWS], Some(sound))).is_ok());
    let twice = format!("{TWO_ROWS}<row r=\"3\"><c r=\"A3\"><v>1</v></c></row>");
    assert!(
        read_xlsx(&workbook(&[&twice], None))
            .unwrap_err()
            .message
            .contains("twice")
    );
    assert!(read_xlsx(b"PK\x03\x04").is_err());
    assert!(read_xlsx(b"").is_err());
}

#[test]
fn cells_that_would_be_formulas_are_marked_and_numbers_are_not() {
    for cell in [
        "=1+1",
        "+49 30",
        "-",
        "@a",
        "\tx",
        "\rx",
        " =1",
        "\u{ff1d}1",
        "-inf",
    ] {
        assert_eq!(as_text(cell), format!("'{cell}"));
    }
    for cell in ["-12.5", "+3", "-1e-7", "14", "T-1", "", "a=b", "2026-02-14"] {
        assert_eq!(as_text(cell), cell);
    }
    let mut written = CsvTable::new(&["a", "b"]).unwrap();
    written.row(&["=cmd", "-3"]).unwrap();
    assert_eq!(written.finish().unwrap(), b"a,b\n'=cmd,-3\n");
}

fn cells() -> impl Strategy<Value = Vec<Vec<String>>> {
    let cell = prop_oneof![
        Just(String::new()),
        "[a-z\",;\n -]{0,6}",
        "-?[0-9]{1,4}(\\.[0-9])?"
    ];
    proptest::collection::vec(proptest::collection::vec(cell, 1..5), 1..8)
}

proptest! {
    /// What was written is read, cell by cell, and what stands outside is told.
    #[test]
    fn every_cell_written_is_read_or_told(rows in cells()) {
        let mut writer = csv::WriterBuilder::new().flexible(true).from_writer(Vec::new());
        writer.write_record(["one", "two", "three"]).unwrap();
        for row in &rows {
            writer.write_record(row).unwrap();
        }
        let read = read_csv(&writer.into_inner().unwrap()).unwrap();
        let sent = rows.iter().filter(|row| row.iter().any(|cell| !cell.trim().is_empty()));
        let sent: Vec<_> = sent.collect();
        prop_assert_eq!(read.rows.len(), sent.len());
        for (read, sent) in read.rows.iter().zip(sent) {
            for (column, cell) in sent.iter().enumerate() {
                match read.cells.get(column) {
                    Some(here) => prop_assert_eq!(here, cell.trim()),
                    None => prop_assert!(cell.trim().is_empty() || !read.faults.is_empty()),
                }
            }
        }
    }

    /// Whatever is sent, every line that is not blank is a row, part of one, or the reason to refuse.
    #[test]
    fn no_line_is_lost(text in "[a-c\",;\\n\\r \t]{0,80}") {
        if let Ok(read) = read_csv(text.as_bytes()) {
            let held: BTreeSet<char> = read
                .rows
                .iter()
                .flat_map(|row| row.cells.iter())
                .chain(&read.columns)
                .flat_map(|cell| cell.chars())
                .filter(char::is_ascii_lowercase)
                .collect();
            let sent: BTreeSet<char> = text.chars().filter(char::is_ascii_lowercase).collect();
            let told = read.rows.iter().any(|row| !row.faults.is_empty());
            prop_assert!(held == sent || told, "{:?}", read);
        }
    }

    #[test]
    fn numbers_go_through_csv_unchanged(number in any::<f64>().prop_filter("finite", |n| n.is_finite())) {
        let text = number.to_string();
        prop_assert_eq!(as_text(&text), text.as_str());
    }
}
