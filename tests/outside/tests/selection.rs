//! Selection intensities, response and indices against independently computed values.

use crate::designs::cases::{self, Case, Json};
use biometry::selection::index::{Objective, TraitCovariances};
use biometry::selection::intensity;

fn check_selection(case: &mut Case) {
    let expected = case.expected();
    for (key, value) in expected.pairs() {
        match key.as_str() {
            "by_p" => {
                for (p, row) in value.pairs() {
                    match p.parse().map(intensity::truncation) {
                        Ok(Ok(found)) => {
                            let point = row.need("truncation_point").number();
                            case.number(format!("truncation point at {p}"), found.point, point);
                            let i = row.need("i").number();
                            case.number(format!("intensity at {p}"), found.intensity, i);
                        }
                        _ => case.fault(format!("no truncation at {p}")),
                    }
                }
            }
            "rows" => value.list().iter().for_each(|row| check_row(case, row)),
            _ => case.unknown(key),
        }
    }
}

/// A row tells by its columns what it asks.
fn check_row(case: &mut Case, row: &Json) {
    let given = |key: &str| row.get(key).map(Json::number);
    let found = |key: &str| -> Option<f64> {
        if let (Some(all), Some(kept)) = (given("N"), given("n")) {
            let (kept, all) = (kept as usize, all as usize);
            return match key {
                "exact" => intensity::finite_intensity(kept, all).ok(),
                "burrows" => intensity::burrows_intensity(kept, all).ok(),
                "infinite" => intensity::truncation(kept as f64 / all as f64)
                    .ok()
                    .map(|t| t.intensity),
                _ => None,
            };
        }
        if let (Some(p), Some(h2), Some(sd), Some(years)) = (
            given("p"),
            given("h2"),
            given("sigma_p"),
            given("cycle_years"),
        ) {
            let r = intensity::response(p, h2, sd, years).ok()?;
            return match key {
                "i" => Some(r.intensity),
                "S" => Some(r.differential),
                "R" => Some(r.per_cycle),
                "R_one_parent_only" => Some(r.one_parent_only),
                "R_per_year" => Some(r.per_year),
                "accuracy_phenotype" => Some(r.accuracy),
                _ => None,
            };
        }
        let (n, h2, r) = (given("n")?, given("h2")?, given("repeatability")?);
        let accuracy = intensity::accuracy_of_repeated_records(n as usize, h2, r).ok();
        accuracy.filter(|_| key == "accuracy")
    };
    const GIVEN: [&str; 7] = [
        "N",
        "n",
        "p",
        "h2",
        "sigma_p",
        "cycle_years",
        "repeatability",
    ];
    for (key, value) in row.pairs() {
        if !GIVEN.contains(&key.as_str()) {
            case.value(format!("{key} of {row:?}"), found(key), value);
        }
    }
}

fn check_index(case: &mut Case) {
    let rows = |case: &Case, key: &str| -> Vec<Vec<f64>> {
        case.json
            .need(key)
            .list()
            .iter()
            .map(Json::numbers)
            .collect()
    };
    let covariances = match TraitCovariances::new(&rows(case, "P"), &rows(case, "G")) {
        Ok(covariances) => covariances,
        Err(error) => return case.fault(error),
    };
    let vector = |key: &str| case.json.get(key).map(Json::numbers).unwrap_or_default();
    let (weights, desired) = (vector("economic_weights"), vector("desired"));
    let proportion = case.json.need("proportion").number();
    let expected = case.expected();
    for (key, value) in expected.pairs() {
        let held = key
            .strip_prefix("restricted_trait")
            .and_then(|rest| rest.strip_suffix("_zero"))
            .and_then(|number| number.parse::<usize>().ok());
        let objective = match (key.as_str(), held) {
            ("intensity", _) => {
                match intensity::truncation(proportion) {
                    Ok(t) => case.number(key, t.intensity, value.number()),
                    Err(error) => case.fault(error),
                }
                continue;
            }
            ("smith_hazel", _) => Objective::Weights {
                weights: weights.clone(),
            },
            ("desired_gains", _) => Objective::DesiredGains {
                desired_gains: desired.clone(),
            },
            (_, Some(trait_number)) => Objective::Restricted {
                weights: weights.clone(),
                held: vec![trait_number - 1],
            },
            _ => {
                case.unknown(key);
                continue;
            }
        };
        let index = match covariances.index(&objective) {
            Ok(index) => index,
            Err(error) => {
                case.fault(error);
                continue;
            }
        };
        let response = index.response(proportion).unwrap_or_default();
        let merit = index.merit_response(proportion).ok().flatten();
        for (part, value) in value.pairs() {
            let what = format!("{key} {part}");
            match part.as_str() {
                "b" => case.numbers(&what, &index.coefficients, value),
                "sigma_index" => case.number(&what, index.sd, value.number()),
                "accuracy" => case.value(&what, index.accuracy, value),
                "aggregate_gain" | "response_index_units" => case.value(&what, merit, value),
                "aggregate_genetic_sd" => case.value(&what, index.merit_sd, value),
                "response_per_trait" => case.numbers(&what, &response, value),
                "ratio_response_to_desired" => {
                    let ratio: Vec<f64> =
                        response.iter().zip(&desired).map(|(r, d)| r / d).collect();
                    case.numbers(&what, &ratio, value);
                }
                "intensity_needed_for_full_gain" => {
                    case.value(&what, index.intensity_for_desired, value);
                }
                _ => case.unknown(&what),
            }
        }
    }
}

#[test]
fn outside_selection() {
    cases::run(
        "outside_selection",
        &["selection", "selection_index"],
        |case| match case.json.need("topic").text() {
            "selection" => check_selection(case),
            _ => check_index(case),
        },
    );
}
