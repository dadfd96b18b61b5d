//! Covariance of entries between sites against values computed by independent programs.

use biometry::mixed::Model;
use biometry::sites::{BetweenSites, fit_exactly};
use serde_json::Value;

use crate::biometry_data::{Family, word};

const FAMILY: Family = Family("biometry/sites.json");

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
        &FAMILY.frame(case, &["response"]),
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
    let (mut count, mut compared, mut faults) = (0, 0, Vec::new());
    for case in FAMILY.cases() {
        let (numbers, mut wrong) = check(&case);
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
