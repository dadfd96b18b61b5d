//! Kinship and inbreeding against published and independently computed matrices.

use std::collections::BTreeMap;

use outside_checks::read_case_file;
use pedigree::{ParentInbreeding, Pedigree, PlantRecord};
use serde::Deserialize;
use serde_json::{Map, Value};

#[derive(Deserialize)]
struct CaseFile {
    cases: Vec<Value>,
}

#[derive(Deserialize)]
struct Case {
    id: String,
    #[serde(default)]
    pedigree: Vec<Plant>,
    expected: Map<String, Value>,
    tolerance: Tolerance,
}

#[derive(Deserialize)]
struct Plant {
    id: String,
    parent1: Option<String>,
    parent2: Option<String>,
}

#[derive(Deserialize, Clone, Copy)]
struct Tolerance {
    abs: f64,
    rel: f64,
}

/// What one case was asked and where it was wrong.
struct Comparison {
    case: String,
    tolerance: Tolerance,
    compared: usize,
    failures: Vec<String>,
}

impl Comparison {
    fn number(&mut self, what: &str, actual: f64, expected: f64) {
        self.compared += 1;
        let allowed = self.tolerance.abs + self.tolerance.rel * expected.abs();
        let near = (actual - expected).abs() <= allowed;
        if !near {
            self.fail(&format!("{what}: {actual}, expected {expected}"));
        }
    }

    fn fail(&mut self, message: &str) {
        self.failures.push(format!("{}: {message}", self.case));
    }

    fn matrix(&mut self, what: &str, expected: &Value, actual: impl Fn(usize, usize) -> f64) {
        let Ok(rows) = serde_json::from_value::<Vec<Vec<f64>>>(expected.clone()) else {
            return self.fail(&format!("{what} is not a matrix"));
        };
        for (i, row) in rows.iter().enumerate() {
            for (j, &value) in row.iter().enumerate() {
                self.number(&format!("{what}[{i}][{j}]"), actual(i, j), value);
            }
        }
    }

    fn by_plant(&mut self, what: &str, expected: &Value, actual: impl Fn(&String) -> f64) {
        let Ok(values) = serde_json::from_value::<BTreeMap<String, f64>>(expected.clone()) else {
            return self.fail(&format!("{what} is not a value for each plant"));
        };
        for (plant, value) in values {
            self.number(&format!("{what} of {plant}"), actual(&plant), value);
        }
    }
}

fn records(plants: Vec<Plant>) -> impl Iterator<Item = PlantRecord<String>> {
    plants
        .into_iter()
        .map(|plant| PlantRecord::of_parents(plant.id, plant.parent1, plant.parent2))
}

/// The relation a name speaks of, as coancestry of two plants or inbreeding of their offspring.
fn relation(name: &str) -> Option<f64> {
    let known = |id: &str, seed: &str, pollen: &str| {
        PlantRecord::cross(id.to_owned(), seed.to_owned(), pollen.to_owned())
    };
    let founders = ["a", "b", "c", "d", "e", "g"].map(|id| PlantRecord::founder(id.to_owned()));
    let kin = [
        known("full 1", "a", "b"),
        known("full 2", "a", "b"),
        known("half", "a", "c"),
        known("full 3", "c", "d"),
        known("full 4", "c", "d"),
        known("cousin 1", "full 1", "e"),
        known("cousin 2", "full 2", "g"),
        known("double 1", "full 1", "full 3"),
        known("double 2", "full 2", "full 4"),
    ];
    let pedigree = Pedigree::from_records(founders.into_iter().chain(kin)).ok()?;
    let (x, y) = match name
        .trim_start_matches("coancestry_")
        .trim_start_matches("F_")
    {
        "full_sibs" | "full_sib_mating" => ("full 1", "full 2"),
        "half_sibs" | "half_sib_mating" => ("full 1", "half"),
        "parent_offspring" | "backcross_to_parent" | "parent_offspring_mating" => ("a", "full 1"),
        "double_first_cousins" | "double_first_cousin_mating" => ("double 1", "double 2"),
        "first_cousins" | "first_cousin_mating" => ("cousin 1", "cousin 2"),
        "self" | "selfing" => ("a", "a"),
        _ => return None,
    };
    let (x, y) = (x.to_owned(), y.to_owned());
    if name.starts_with("F_") {
        Some(pedigree.expect_cross(&x, &y).ok()?.progeny_inbreeding)
    } else {
        pedigree.coancestry(&x, &y).ok()
    }
}

/// Inbreeding after the given number of generations of selfing.
fn selfed(generations: usize) -> f64 {
    let selfed = (1..=generations).map(|n| PlantRecord::selfed(n, n - 1));
    let line = Pedigree::from_records(selfed.chain([PlantRecord::founder(0)]));
    line.and_then(|line| line.inbreeding(&generations))
        .unwrap_or(f64::NAN)
}

fn compare(case: Case) -> Comparison {
    let mut check = Comparison {
        case: case.id,
        tolerance: case.tolerance,
        compared: 0,
        failures: Vec::new(),
    };
    // The recurrent parent of a backcross family is the founder crossed to the most plants.
    let recurrent = case
        .pedigree
        .iter()
        .filter(|plant| plant.parent1.is_none() && plant.parent2.is_none())
        .max_by_key(|founder| {
            let named = |plant: &&Plant| {
                [&plant.parent1, &plant.parent2].contains(&&Some(founder.id.clone()))
            };
            case.pedigree.iter().filter(named).count()
        })
        .map(|plant| plant.id.clone());
    let pedigree = match Pedigree::from_records(records(case.pedigree)) {
        Ok(pedigree) => pedigree,
        Err(error) => {
            check.fail(&error.to_string());
            return check;
        }
    };
    let ids: Vec<String> = match case.expected.get("ids") {
        Some(ids) => serde_json::from_value(ids.clone()).unwrap_or_default(),
        None => pedigree.ids().to_vec(),
    };
    let (Ok(kinship), Ok(table)) = (pedigree.kinship(&ids), pedigree.kinship_table()) else {
        check.fail("a plant asked for is not in the pedigree");
        return check;
    };
    let place = |id: &String| pedigree.ids().iter().position(|known| known == id);
    let in_table: Vec<usize> = ids.iter().filter_map(place).collect();
    let sampling = pedigree.mendelian_variance_of_all();
    let inbreeding = |id: &String| pedigree.inbreeding(id).unwrap_or(f64::NAN);
    let inverse = |rule: ParentInbreeding| {
        let inverse = pedigree
            .relationship_inverse(rule)
            .expect("no plant is wholly inbred");
        let dense = inverse.to_dense();
        let n = inverse.ids().len();
        let rows: Vec<usize> = ids
            .iter()
            .filter_map(|id| inverse.ids().iter().position(|known| known == id))
            .collect();
        move |i: usize, j: usize| dense[rows[i] * n + rows[j]]
    };
    for (what, expected) in &case.expected {
        match what.as_str() {
            "ids" => {}
            "A" => {
                check.matrix(what, expected, |i, j| kinship.relationship(i, j));
                check.matrix("tabular A", expected, |i, j| {
                    table.relationship(in_table[i], in_table[j])
                });
            }
            "coancestry" => check.matrix(what, expected, |i, j| kinship.coancestry(i, j)),
            "wright_relationship" => check.matrix(what, expected, |i, j| kinship.wright(i, j)),
            "A_inverse" => {
                check.matrix(what, expected, inverse(ParentInbreeding::Counted));
            }
            "A_inverse_ignoring_inbreeding" => {
                check.matrix(what, expected, inverse(ParentInbreeding::Ignored));
            }
            "mendelian_variance_D" => match serde_json::from_value::<Vec<f64>>(expected.clone()) {
                Ok(values) => {
                    for (&place, value) in in_table.iter().zip(values) {
                        check.number(what, sampling[place], value);
                    }
                }
                Err(_) => check.fail("mendelian_variance_D is not a list"),
            },
            "log_determinant_A" | "log_det_A" => {
                let rule = ParentInbreeding::Counted;
                let inverse = pedigree
                    .relationship_inverse(rule)
                    .expect("not wholly inbred");
                check.number(
                    what,
                    inverse.log_determinant(),
                    expected.as_f64().unwrap_or(f64::NAN),
                );
            }
            "inbreeding" => {
                check.by_plant(what, expected, inbreeding);
                let all = pedigree.inbreeding_of_all();
                check.by_plant("inbreeding of all", expected, |id| {
                    place(id).map_or(f64::NAN, |place| all[place])
                });
            }
            "closed_form_F_noninbred_recurrent" => check.by_plant(what, expected, inbreeding),
            "expected_recurrent_parent_genome" => check.by_plant(what, expected, |id| {
                let recurrent = recurrent.as_ref().expect("there is a founder");
                pedigree
                    .founder_shares(id)
                    .map_or(f64::NAN, |shares| shares.share_of(recurrent))
            }),
            "named" => check.by_plant(what, expected, |name| relation(name).unwrap_or(f64::NAN)),
            "F_after_selfing" => check.by_plant(what, expected, |generations| {
                generations.parse().map_or(f64::NAN, selfed)
            }),
            other => check.fail(&format!("nothing answers `{other}`")),
        }
    }
    check
}

#[test]
fn outside_pedigree() {
    let file: CaseFile = serde_json::from_str(&read_case_file("biometry/expected.json"))
        .expect("the case file is JSON with a list of cases");
    let of_this_family = |case: &Value| case["topic"] == "pedigree";
    let checks: Vec<Comparison> = file
        .cases
        .into_iter()
        .filter(of_this_family)
        .map(|case| compare(serde_json::from_value(case).expect("a pedigree case has this form")))
        .collect();
    let numbers: usize = checks.iter().map(|check| check.compared).sum();
    println!(
        "outside_pedigree: {} cases, {numbers} numbers compared",
        checks.len()
    );
    let failures: Vec<String> = checks
        .into_iter()
        .flat_map(|check| check.failures)
        .collect();
    assert!(numbers > 0, "no pedigree case was found");
    assert!(
        failures.is_empty(),
        "{} failures:\n{}",
        failures.len(),
        failures.join("\n")
    );
}
