//! Threshold models against values computed by independent programs on open data.

use biometry::data::Frame;
use biometry::threshold::{Integration, LiabilityEffect, Link, ThresholdFit, ThresholdModel, fit};
use outside_checks::{checks_dir, read_case_file};
use serde_json::Value;

const FILE: &str = "biometry/threshold.json";

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

fn frame_of(case: &Value) -> Frame {
    let text = case_text(&format!(
        "biometry/data/{}",
        case["data"].as_str().expect("a data file")
    ));
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names: Vec<String> = reader
        .headers()
        .expect("a header")
        .iter()
        .map(str::to_owned)
        .collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("a row")).collect();
    let numeric = [case["response"].as_str(), case["count"].as_str()];
    let mut frame = Frame::new();
    for (k, name) in names.iter().enumerate() {
        let cells = rows
            .iter()
            .map(|r| r.get(k).filter(|c| !c.is_empty() && *c != "NA"));
        let as_number = numeric.contains(&Some(name.as_str()))
            && cells.clone().flatten().all(|c| c.parse::<f64>().is_ok());
        frame = if as_number {
            frame.with_numeric(name, cells.map(|c| c.and_then(|c| c.parse().ok())))
        } else {
            frame.with_factor(name, cells)
        }
        .expect("a column");
    }
    frame
}

fn model_of(case: &Value) -> ThresholdModel {
    let word = |key: &str| {
        case[key]
            .as_str()
            .unwrap_or_else(|| panic!("`{key}` of {}", case["id"]))
    };
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
    let file: Value = serde_json::from_str(&case_text(FILE)).expect("a case file");
    let (mut count, mut compared, mut faults) = (0, 0, Vec::new());
    for case in file["cases"].as_array().expect("cases") {
        let mut check = Check {
            case,
            compared: 0,
            faults: Vec::new(),
        };
        match fit(&frame_of(case), &model_of(case)) {
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
