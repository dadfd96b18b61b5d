//! Files that are meant to do harm: each is read in a process of its own that may not take more than
//! a bounded amount of memory, and whatever is made of them is read or refused.
//!
//! `DRUPELINE_FUZZ_CASES` sets how many mutations of the kept files are read.

use std::io::{Cursor, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;

use platform::sheet::{Table, read_csv, read_xlsx};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

/// Most address space that reading one file may take, KiB: below 1 GiB.
const MEMORY_KIB: u64 = 1_000_000;
/// Names the file that a child reads.
const FILE: &str = "DRUPELINE_READ_FILE";
/// Largest file that is mutated.
const MUTATED_BYTES: u64 = 4096;

fn corpus() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/faults/corpora/tables");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    assert!(files.len() > 15, "the corpus is gone");
    files
}

fn read(bytes: &[u8], is_workbook: bool) -> Result<Table, String> {
    let read = if is_workbook { read_xlsx } else { read_csv };
    read(bytes).map_err(|error| error.to_string())
}

fn is_workbook(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending == "xlsx")
}

/// Reads the file named by [`FILE`]; run by the test below in a process of its own.
#[test]
fn one_file() {
    let Some(path) = std::env::var_os(FILE).map(PathBuf::from) else {
        return;
    };
    let bytes = std::fs::read(&path).unwrap();
    match read(&bytes, is_workbook(&path)) {
        Ok(table) => println!("read {} rows", table.rows.len()),
        Err(message) => println!("refused {message}"),
    }
}

fn read_apart(path: &Path) -> String {
    let output = Command::new("sh")
        .arg("-c")
        .arg(format!("ulimit -v {MEMORY_KIB}; exec \"$0\" \"$@\""))
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "one_file", "--nocapture", "--test-threads=1"])
        .env(FILE, path)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success(),
        "{}: {said}{}",
        path.display(),
        String::from_utf8_lossy(&output.stderr)
    );
    said
}

#[test]
fn no_file_takes_more_than_its_share_of_memory() {
    for path in corpus() {
        let said = read_apart(&path);
        let name = path.file_stem().unwrap().to_string_lossy();
        let expected = match &*name {
            "nested_without_end"
            | "very_long_text"
            | "sound"
            | "sound_semicolons"
            | "false_dimension"
            | "far_corners"
            | "false_shared_index"
            | "formula_without_value"
            | "surplus_cells"
            | "two_open_quotes" => "read ",
            // Read as what it says, or refused: its texts stay what they are either way.
            "entities" => "re",
            _ => "refused ",
        };
        assert!(said.contains(expected), "{name}: {said}");
    }
}

/// One change of a file.
#[derive(Debug, Clone)]
enum Change {
    Byte(prop::sample::Index, u8),
    Cut(prop::sample::Index, prop::sample::Index),
    Again(prop::sample::Index, prop::sample::Index),
    Put(prop::sample::Index, &'static [u8]),
}

static PIECES: [&[u8]; 12] = [
    b"\"",
    b"\n",
    b"\r",
    b",",
    b";",
    b"\0",
    b"\xff",
    b"=1+1",
    b"<c r=\"XFD1\">",
    b"</row>",
    b"4294967295",
    b"uniqueCount=\"9\"",
];

fn change() -> impl Strategy<Value = Change> {
    use prop::sample::Index;
    prop_oneof![
        (any::<Index>(), any::<u8>()).prop_map(|(at, byte)| Change::Byte(at, byte)),
        (any::<Index>(), any::<Index>()).prop_map(|(from, to)| Change::Cut(from, to)),
        (any::<Index>(), any::<Index>()).prop_map(|(from, to)| Change::Again(from, to)),
        (any::<Index>(), prop::sample::select(&PIECES[..]))
            .prop_map(|(at, piece)| Change::Put(at, piece)),
    ]
}

fn changed(mut bytes: Vec<u8>, changes: &[Change]) -> Vec<u8> {
    for change in changes {
        if bytes.is_empty() {
            break;
        }
        let n = bytes.len();
        let span = |a: &prop::sample::Index, b: &prop::sample::Index| {
            let (a, b) = (a.index(n), b.index(n));
            a.min(b)..a.max(b)
        };
        match change {
            Change::Byte(at, byte) => bytes[at.index(n)] = *byte,
            Change::Cut(from, to) => drop(bytes.drain(span(from, to))),
            Change::Again(from, to) => {
                let piece = bytes[span(from, to)].to_vec();
                bytes.extend(piece);
            }
            Change::Put(at, piece) => {
                drop(bytes.splice(at.index(n)..at.index(n), piece.iter().copied()))
            }
        }
    }
    bytes
}

/// A workbook of which one part is changed.
fn changed_within(book: &[u8], changes: &[Change]) -> Vec<u8> {
    let mut parts = zip::ZipArchive::new(Cursor::new(book)).unwrap();
    let mut written = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let chosen = book.len() * changes.len() % parts.len();
    for n in 0..parts.len() {
        let mut part = parts.by_index(n).unwrap();
        let mut content = Vec::new();
        part.read_to_end(&mut content).unwrap();
        if n == chosen || part.name().unwrap().contains("sheet1") {
            content = changed(content, changes);
        }
        let options = zip::write::SimpleFileOptions::default();
        written.start_file(part.name().unwrap(), options).unwrap();
        written.write_all(&content).unwrap();
    }
    written.finish().unwrap().into_inner()
}

#[test]
fn mutated_files_are_read_or_refused() {
    let cases = std::env::var("DRUPELINE_FUZZ_CASES")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(400);
    let seeds: Vec<(bool, Vec<u8>)> = corpus()
        .iter()
        .filter(|path| path.metadata().unwrap().len() < MUTATED_BYTES)
        .map(|path| (is_workbook(path), std::fs::read(path).unwrap()))
        .collect();
    let config = Config {
        failure_persistence: None,
        ..Config::with_cases(cases)
    };
    let strategy = (prop::sample::select(seeds), vec(change(), 1..6));
    TestRunner::new(config)
        .run(&strategy, |((is_workbook, seed), changes)| {
            // What is in a workbook is packed and summed, so its parts are changed on their own.
            let bytes = if is_workbook {
                changed_within(&seed, &changes)
            } else {
                changed(seed, &changes)
            };
            if let Ok(table) = read(&bytes, is_workbook) {
                for row in &table.rows {
                    prop_assert_eq!(row.cells.len(), table.columns.len());
                }
            }
            let _ = read(&bytes, !is_workbook);
            let _ = read(&changed(bytes, &changes), is_workbook);
            Ok(())
        })
        .unwrap();
}
