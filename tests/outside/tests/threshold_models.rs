//! Threshold models against values computed by independent programs on open data.

use biometry::threshold::{Integration, LiabilityEffect, Link, ThresholdFit, ThresholdModel, fit};
use serde_json::Value;

use crate::biometry_data::{Family, word};

const FAMILY: Family = Family("biometry/threshold.json");

fn model_of(case: &Value) -> ThresholdModel {
    let word = |key: &str| word(case, key);
    let formula = format!("{} ~ {}", word("response"), word("fixed"));
    let mut model = match word("family") {
        "binary" => ThresholdModel::binary(&formula),
        "ordinal" => ThresholdModel::ordinal(&formula),
        other => panic!("no answer to family `{other}`"),
    }
    .expect("a formula");
    if let Some(categories) = case["categories"].as_array() {
        model = model.categories(categories.iter().map(|c| c.as_str().expect("a category")));
    }
    for term in case["random"].as_array().expect("random terms") {
        model = model
            .random(term.as_str().expect("a term"))
            .expect("a random term");
    }
    if let Some(count) = case["count"].as_str() {
        model = model.counted_by(count);
    }
    let points = case["points"].as_u64().expect("points") as usize;
    model
        .link(match word("link") {
            "probit" => Link::Probit,
            "logit" => Link::Logit,
            other => panic!("no answer to link `{other}`"),
        })
        .integration(if points == 1 {
            Integration::Laplace
        } else {
            Integration::AdaptiveQuadrature { points }
        })
}

struct Check<'a> {
    case: &'a Value,
    compared: usize,
    faults: Vec<String>,
}

impl Check<'_> {
    fn number(&mut self, what: &str, found: Option<f64>, expected: &Value) {
        self.compared += 1;
        let part = |name: &str| self.case["tolerance"][name].as_f64().expect("a tolerance");
        let (Some(found), Some(expected)) = (found, expected.as_f64()) else {
            self.faults.push(format!(
                "{}: {what}: found {found:?}, expected {expected}",
                self.case["id"]
            ));
            return;
        };
        if (found - expected).abs() > part("abs") + part("rel") * expected.abs() {
            self.faults.push(format!(
                "{}: {what}: found {found}, expected {expected}",
                self.case["id"]
            ));
        }
    }

    fn effects(&mut self, found: &[LiabilityEffect], expected: &Value) {
        let expected = expected.as_array().expect("effects");
        if found.len() != expected.len() {
            self.faults.push(format!(
                "{}: {} effects, expected {}",
                self.case["id"],
                found.len(),
                expected.len()
            ));
        }
        for row in expected {
            let name = row["name"].as_str().expect("a name");
            let own = found.iter().find(|e| e.name == name);
            self.number(name, own.map(|e| e.estimate), &row["estimate"]);
            self.number(&format!("se of {name}"), own.map(|e| e.se), &row["se"]);
        }
    }

    fn compare(&mut self, fitted: &ThresholdFit) {
        for (key, value) in self.case["expected"].as_object().expect("expected values") {
            match key.as_str() {
                "fixed" => self.effects(&fitted.fixed, value),
                "cut_points" => self.effects(&fitted.cut_points, value),
                "log_likelihood" | "integrated_log_likelihood" => {
                    self.number(key, Some(fitted.log_likelihood), value);
                }
                "variances" => {
                    for (term, value) in value.as_object().expect("variances") {
                        let own = fitted.random_term(term).ok().map(|t| t.variance);
                        self.number(&format!("variance of {term}"), own, value);
                    }
                }
                "modes" => {
                    for (term, levels) in value.as_object().expect("terms") {
                        for (level, value) in levels.as_object().expect("levels") {
                            let own = fitted.random_term(term).ok().and_then(|t| {
                                t.levels
                                    .iter()
                                    .find(|l| &l.level == level)
                                    .map(|l| l.effect)
                            });
                            self.number(&format!("{term} {level}"), own, value);
                        }
                    }
                }
                other => self
                    .faults
                    .push(format!("{}: no answer to `{other}`", self.case["id"])),
            }
        }
    }
}

#[test]
fn outside_threshold_models() {
    let (mut count, mut compared, mut faults) = (0, 0, Vec::new());
    for case in &FAMILY.cases() {
        let mut check = Check {
            case,
            compared: 0,
            faults: Vec::new(),
        };
        match fit(&FAMILY.frame(case, &["response", "count"]), &model_of(case)) {
            Ok(fitted) => check.compare(&fitted),
            Err(error) => check.faults.push(format!("{}: {error}", case["id"])),
        }
        count += 1;
        compared += check.compared;
        faults.append(&mut check.faults);
    }
    println!("outside_threshold_models: {count} cases, {compared} numbers compared");
    assert!(count > 0, "the case file has no case");
    assert!(
        faults.is_empty(),
        "{} numbers differ:\n{}",
        faults.len(),
        faults.join("\n")
    );
}
