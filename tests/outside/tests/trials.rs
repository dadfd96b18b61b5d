//! Figures of trials against dense algebra: repeated measures of trees, sites with errors of their
//! own.

use biometry::trial::{Past, Tree, Trial, Value, figures};
use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Debug, Deserialize)]
struct File {
    cases: Vec<Case>,
}

#[derive(Debug, Deserialize)]
struct Case {
    id: String,
    records: Vec<Record>,
    expected: Expected,
}

#[derive(Debug, Deserialize)]
struct Record {
    tree: usize,
    entry: usize,
    site: usize,
    replicate: i32,
    year: i16,
    value: f64,
}

#[derive(Debug, Deserialize)]
struct Expected {
    components: BTreeMap<String, f64>,
    means: Vec<f64>,
    se: Vec<f64>,
    mean_sed: f64,
    heritability: f64,
}

/// What differs, and how many numbers were compared.
fn check(case: &Case) -> (usize, Vec<String>) {
    let trees_n = case.records.iter().map(|r| r.tree + 1).max().unwrap_or(0);
    let mut trees = vec![
        Tree {
            entry: 0,
            site: 0,
            replicate: 1,
            block: 1,
            rootstock: 0,
            row: 1,
            column: 1,
        };
        trees_n
    ];
    for r in &case.records {
        trees[r.tree].entry = r.entry;
        trees[r.tree].site = r.site;
        trees[r.tree].replicate = r.replicate;
        trees[r.tree].block = r.replicate;
    }
    let values: Vec<Value> = case
        .records
        .iter()
        .map(|r| Value {
            tree: r.tree,
            year: r.year,
            value: r.value,
        })
        .collect();
    let entries_n = case.expected.means.len();
    let told = figures(
        &Trial {
            trees: &trees,
            values: &values,
            is_check: &vec![false; entries_n],
            relatives: None,
            past: &Past::default(),
        },
        1,
    )
    .expect("figures");
    let (mut compared, mut faults) = (0, Vec::new());
    let mut number = |what: String, found: f64, expected: f64, tolerance: f64| {
        compared += 1;
        if (found - expected).abs() > tolerance * (1.0 + expected.abs()) {
            faults.push(format!(
                "{}: {what}: found {found}, expected {expected}",
                case.id
            ));
        }
    };
    let found: BTreeMap<&str, f64> = told
        .components
        .iter()
        .map(|c| {
            let name = c.name.split(',').next().unwrap_or(&c.name);
            (name, c.variance)
        })
        .collect();
    number(
        format!("terms of {}", told.words),
        found.len() as f64,
        case.expected.components.len() as f64,
        0.0,
    );
    // Variances are where two searches stop; means rest on them less.
    for (name, expected) in &case.expected.components {
        let of = found.get(name.as_str()).copied().unwrap_or(f64::NAN);
        number(format!("variance of {name}"), of, *expected, 1e-4);
    }
    for (mean, (expected, se)) in told
        .means
        .iter()
        .zip(case.expected.means.iter().zip(&case.expected.se))
    {
        number(
            format!("mean of {}", mean.entry),
            mean.mean,
            *expected,
            1e-4,
        );
        let of = mean.se.unwrap_or(f64::NAN);
        number(format!("standard error of {}", mean.entry), of, *se, 1e-4);
    }
    let sed = told.mean_sed.unwrap_or(f64::NAN);
    number(
        "mean standard error of a difference".into(),
        sed,
        case.expected.mean_sed,
        1e-4,
    );
    let share = told.heritability.unwrap_or(f64::NAN);
    number(
        "heritability".into(),
        share,
        case.expected.heritability,
        1e-4,
    );
    (compared, faults)
}

#[test]
fn outside_trial_figures() {
    let Some(text) = outside_checks::read_further_case_file("biometry/trials.json") else {
        println!("trial_figures: this folder holds no such cases");
        return;
    };
    let file: File = serde_json::from_str(&text).expect("the case file");
    let mut compared = 0;
    let mut faults = Vec::new();
    for case in &file.cases {
        let (numbers, found) = check(case);
        compared += numbers;
        faults.extend(found);
    }
    println!(
        "trial_figures: {} cases, {compared} numbers compared",
        file.cases.len()
    );
    assert!(faults.is_empty(), "{faults:#?}");
}
