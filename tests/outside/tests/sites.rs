//! Covariance of entries between sites against values computed by independent programs.

use biometry::data::Frame;
use biometry::mixed::Model;
use biometry::sites::{BetweenSites, fit_exactly};
use outside_checks::{checks_dir, read_case_file};
use serde_json::Value;

const FILE: &str = "biometry/sites.json";

/// The case file of the chosen folder, or our own where that folder has none of this family.
fn case_text(relative: &str) -> String {
    if checks_dir().join(FILE).exists() {
        return read_case_file(relative);
    }
    let own = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../checks")
        .join(relative);
    std::fs::read_to_string(&own)
        .unwrap_or_else(|e| panic!("{} cannot be read: {e}", own.display()))
}

fn word<'a>(case: &'a Value, key: &str) -> &'a str {
    case[key]
        .as_str()
        .unwrap_or_else(|| panic!("`{key}` of {}", case["id"]))
}

fn frame_of(case: &Value) -> Frame {
    let text = case_text(&format!("biometry/data/{}", word(case, "data")));
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().expect("a header").clone();
    let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("a row")).collect();
    let mut frame = Frame::new();
    for (k, name) in names.iter().enumerate() {
        let cells = rows
            .iter()
            .map(|r| r.get(k).filter(|c| !c.is_empty() && *c != "NA"));
        frame = if name == word(case, "response") {
            frame.with_numeric(name, cells.map(|c| c.and_then(|c| c.parse().ok())))
        } else {
            frame.with_factor(name, cells)
        }
        .expect("a column");
    }
    frame
}

/// What differs, and how many numbers were compared.
fn check(case: &Value) -> (usize, Vec<String>) {
    let id = &case["id"];
    let mut model = Model::new(&format!(
        "{} ~ {}",
        word(case, "response"),
        word(case, "fixed")
    ))
    .expect("a formula");
    for term in case["random"].as_array().expect("random terms") {
        model = model
            .random(term.as_str().expect("a term"))
            .expect("a random term");
    }
    let structure = match word(case, "structure") {
        "compound_symmetry" => BetweenSites::CompoundSymmetry,
        "unstructured" => BetweenSites::Unstructured,
        "factor_analytic" => BetweenSites::FactorAnalytic {
            order: case["order"].as_u64().expect("an order") as usize,
        },
        other => panic!("no answer to structure `{other}`"),
    };
    let fitted = match fit_exactly(
        &frame_of(case),
        &model,
        word(case, "entry"),
        word(case, "site"),
        structure,
    ) {
        Ok(fitted) => fitted,
        Err(error) => return (0, vec![format!("{id}: {error}")]),
    };
    let (mut compared, mut faults) = (0, Vec::new());
    let mut number = |what: String, found: f64, expected: &Value, abs: f64, rel: f64| {
        compared += 1;
        let expected = expected.as_f64().expect("a number");
        if (found - expected).abs() > abs + rel * expected.abs() {
            faults.push(format!("{id}: {what}: found {found}, expected {expected}"));
        }
    };
    for (key, value) in case["expected"].as_object().expect("expected values") {
        match key.as_str() {
            "log_likelihood" => {
                let abs = case["log_likelihood_tolerance"]
                    .as_f64()
                    .expect("a tolerance");
                number(key.clone(), fitted.fit.log_likelihood(), value, abs, 0.0);
            }
            "covariance" => {
                let part = |name: &str| case["tolerance"][name].as_f64().expect("a tolerance");
                for (i, row) in value.as_array().expect("rows").iter().enumerate() {
                    for (j, value) in row.as_array().expect("a row").iter().enumerate() {
                        let what =
                            format!("covariance of {} and {}", fitted.sites[i], fitted.sites[j]);
                        number(
                            what,
                            fitted.covariance[i][j],
                            value,
                            part("abs"),
                            part("rel"),
                        );
                    }
                }
            }
            other => panic!("{id}: no answer to `{other}`"),
        }
    }
    (compared, faults)
}

#[test]
fn outside_sites() {
    let file: Value = serde_json::from_str(&case_text(FILE)).expect("a case file");
    let (mut count, mut compared, mut faults) = (0, 0, Vec::new());
    for case in file["cases"].as_array().expect("cases") {
        let (numbers, mut wrong) = check(case);
        count += 1;
        compared += numbers;
        faults.append(&mut wrong);
    }
    println!("outside_sites: {count} cases, {compared} numbers compared");
    assert!(count > 0, "the case file has no case");
    assert!(
        faults.is_empty(),
        "{} numbers differ:\n{}",
        faults.len(),
        faults.join("\n")
    );
}
