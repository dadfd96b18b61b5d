//! The table of security requirements names tests that there are.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

const TABLE: &str = include_str!("../../../ops/asvs.md");

fn gather(folder: &Path, functions: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            gather(&path, functions);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let source = fs::read_to_string(&path).unwrap();
            functions.extend(source.lines().filter_map(|line| {
                let line = line.trim_start();
                let named = line.strip_prefix("async ").unwrap_or(line);
                let (name, _) = named.strip_prefix("fn ")?.split_once("()")?;
                Some(name.to_owned())
            }));
        }
    }
}

#[test]
fn every_requirement_has_a_state_and_its_tests_are_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let mut functions = BTreeSet::new();
    gather(&root.join("services"), &mut functions);
    gather(&root.join("tests"), &mut functions);
    let mut requirements = BTreeSet::new();
    for line in TABLE.lines().filter(|line| line.starts_with("| ")) {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let [_, id, _, state, done, tests, _] = cells[..] else {
            panic!("{line}");
        };
        if !id.starts_with(|c: char| c.is_ascii_digit()) {
            continue;
        }
        assert!(requirements.insert(id), "{id} stands twice");
        assert!(
            ["met", "in part", "not met", "not applicable"].contains(&state) && !done.is_empty(),
            "{line}"
        );
        for test in tests.split("<br>").map(|test| test.trim_matches('`')) {
            assert!(
                test.is_empty() || functions.contains(test),
                "{id}: there is no test {test}"
            );
        }
    }
    // Levels 1 and 2 of version 5.0.0.
    assert_eq!(requirements.len(), 253);
}
