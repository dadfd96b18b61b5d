//! The animal model against itself: direct and iterative solutions, repeated records, and
//! variances found again in simulated families.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

use super::gradients::{Effort, GradientError, LargeAnimalModel};
use super::*;

/// A pedigree by rows: parents come before their seedlings.
struct Family {
    parents: Vec<Option<(usize, usize)>>,
}

impl Family {
    /// `founders` founders, then `crosses` pairs of founders with `sibs` seedlings each.
    fn full_sibs(founders: usize, crosses: usize, sibs: usize) -> Self {
        let mut parents = vec![None; founders];
        for c in 0..crosses {
            let pair = (c % founders, (c * 3 + 1 + c / founders) % founders);
            let pair = if pair.0 == pair.1 {
                (pair.0, (pair.1 + 1) % founders)
            } else {
                pair
            };
            parents.extend((0..sibs).map(|_| Some(pair)));
        }
        Self { parents }
    }

    fn name(plant: usize) -> String {
        format!("P{plant:04}")
    }

    /// Henderson's rule for parents that are not inbred.
    fn relationship(&self) -> Relationship {
        let (mut entries, mut log_determinant) = (Vec::new(), 0.0);
        for (k, parents) in self.parents.iter().enumerate() {
            let d = if parents.is_some() { 0.5_f64 } else { 1.0 };
            log_determinant += d.ln();
            let mut v = vec![(k, 1.0)];
            v.extend(parents.iter().flat_map(|&(a, b)| [(a, -0.5), (b, -0.5)]));
            for &(i, x) in &v {
                entries.extend(
                    v.iter()
                        .filter(|e| e.0 <= i)
                        .map(|&(j, z)| (i, j, x * z / d)),
                );
            }
        }
        let levels = (0..self.parents.len()).map(Self::name).collect();
        Relationship::new(levels, entries, log_determinant).unwrap()
    }

    fn breeding_values(&self, variance: f64, draw: &mut impl FnMut() -> f64) -> Vec<f64> {
        let mut values: Vec<f64> = Vec::with_capacity(self.parents.len());
        for parents in &self.parents {
            let value = match parents {
                None => variance.sqrt() * draw(),
                Some((a, b)) => 0.5 * (values[*a] + values[*b]) + (0.5 * variance).sqrt() * draw(),
            };
            values.push(value);
        }
        values
    }
}

fn normal(seed: u64) -> impl FnMut() -> f64 {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::standard();
    move || normal.inverse_cdf(random.random_range(1e-15..1.0))
}

/// Records of the seedlings (founders unmeasured), `times` each, in two seasons.
fn records(family: &Family, truth: AnimalVariances, times: usize, seed: u64) -> (Frame, Vec<f64>) {
    let mut draw = normal(seed);
    let values = family.breeding_values(truth.additive, &mut draw);
    let (mut plant, mut season, mut y) = (vec![], vec![], vec![]);
    for (k, parents) in family.parents.iter().enumerate() {
        if parents.is_some() {
            let lasting = truth.permanent.unwrap_or(0.0).sqrt() * draw();
            for t in 0..times {
                let which = (k + t) % 2;
                plant.push(Some(Family::name(k)));
                season.push(Some(["dry", "wet"][which]));
                y.push(Some(
                    10.0 + which as f64 + values[k] + lasting + truth.residual.sqrt() * draw(),
                ));
            }
        }
    }
    let frame = Frame::new()
        .with_factor("plant", plant)
        .and_then(|f| f.with_factor("season", season))
        .and_then(|f| f.with_numeric("brix", y))
        .unwrap();
    (frame, values)
}

#[test]
fn iterative_and_direct_solutions_agree() {
    let family = Family::full_sibs(8, 12, 10);
    let truth = AnimalVariances {
        additive: 2.0,
        permanent: Some(0.7),
        residual: 1.5,
    };
    let (frame, _) = records(&family, truth, 3, 1);
    let relationship = Arc::new(family.relationship());
    let model = AnimalModel::new("brix ~ season", "plant", relationship.clone())
        .unwrap()
        .repeated("plant")
        .unwrap();
    let direct = solve(&frame, &model, truth).unwrap();

    let plants = frame.factor("plant").unwrap();
    let names: Vec<&str> = plants
        .codes()
        .iter()
        .map(|c| plants.levels()[c.unwrap() as usize].as_str())
        .collect();
    let plant_of = positions_of(&relationship, &names)
        .unwrap()
        .into_iter()
        .map(|p| p as u32)
        .collect();
    let season = frame
        .factor("season")
        .unwrap()
        .codes()
        .iter()
        .map(|c| c.unwrap())
        .collect();
    let large = LargeAnimalModel::new(
        family.parents.len(),
        relationship.lower(),
        frame
            .numeric("brix")
            .unwrap()
            .iter()
            .map(|y| y.unwrap())
            .collect(),
        plant_of,
        vec![season],
        vec![],
        truth,
    )
    .unwrap();
    let effort = Effort {
        tolerance: 1e-13,
        iterations: 2000,
    };
    let iterated = large.solve(effort).unwrap();
    for (a, b) in direct.breeding_values.iter().zip(&iterated.breeding_values) {
        assert!((a.value - b).abs() < 1e-8, "{a:?} {b}");
    }
    let slope = iterated.class_effects[0][1] - iterated.class_effects[0][0];
    assert!((direct.fit.fixed()[1].estimate - slope).abs() < 1e-8);
    for plant in [0, 50] {
        let pev = large.prediction_error_variance(plant, effort).unwrap();
        assert!((pev - direct.breeding_values[plant].prediction_error_variance).abs() < 1e-8);
    }
    let hasty = large
        .solve(Effort {
            tolerance: 1e-13,
            iterations: 2,
        })
        .unwrap_err();
    assert!(matches!(
        hasty,
        GradientError::NotConverged { iterations: 2, .. }
    ));
}

#[test]
fn variances_are_found_again_in_families() {
    let family = Family::full_sibs(20, 40, 6);
    let truth = AnimalVariances {
        additive: 2.0,
        permanent: Some(1.0),
        residual: 1.0,
    };
    let relationship = Arc::new(family.relationship());
    let model = AnimalModel::new("brix ~ season", "plant", relationship)
        .unwrap()
        .repeated("plant")
        .unwrap();
    let runs = 60;
    let (mut sums, mut squares) = ([0.0; 3], [0.0; 3]);
    for seed in 0..runs {
        let (frame, values) = records(&family, truth, 2, 100 + seed);
        let found = fit(&frame, &model).unwrap();
        let v = found.variances;
        for (k, x) in [v.additive, v.permanent.unwrap(), v.residual]
            .into_iter()
            .enumerate()
        {
            sums[k] += x;
            squares[k] += x * x;
        }
        if seed == 0 {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let with: f64 = found
                .breeding_values
                .iter()
                .zip(&values)
                .map(|(b, v)| b.value * (v - mean))
                .sum();
            assert!(with > 0.0);
            assert!(
                found.breeding_values[..20]
                    .iter()
                    .all(|b| b.reliability.unwrap() > 0.1)
            );
        }
    }
    for (k, truth) in [2.0, 1.0, 1.0].into_iter().enumerate() {
        let mean = sums[k] / runs as f64;
        let error = ((squares[k] / runs as f64 - mean * mean) / runs as f64).sqrt();
        assert!((mean - truth).abs() < 3.5 * error, "{k}: {mean} +- {error}");
    }
}

#[test]
fn inbreeding_comes_from_the_relationship_matrix() {
    // A plant and its selfed offspring: A = [[1, 1], [1, 1.5]].
    let levels = vec!["parent".to_owned(), "selfed".to_owned()];
    let inverse = [(0, 0, 3.0), (1, 0, -2.0), (1, 1, 2.0)];
    let relationship = Arc::new(Relationship::new(levels, inverse, 0.5_f64.ln()).unwrap());
    let frame = Frame::new()
        .with_factor("plant", ["parent", "selfed", "selfed"].map(Some))
        .and_then(|f| f.with_numeric("y", [1.0, 2.0, 4.0].map(Some)))
        .unwrap();
    let model = AnimalModel::new("y ~ 1", "plant", relationship).unwrap();
    let given = AnimalVariances {
        additive: 1.0,
        permanent: None,
        residual: 1.0,
    };
    let solved = solve(&frame, &model, given).unwrap();
    assert!((solved.breeding_values[0].inbreeding).abs() < 1e-12);
    assert!((solved.breeding_values[1].inbreeding - 0.5).abs() < 1e-12);
    let b = &solved.breeding_values[1];
    let ratio = (1.0 - b.reliability.unwrap()) / (1.0 - b.reliability_ignoring_inbreeding.unwrap());
    assert!((ratio - 1.0 / 1.5).abs() < 1e-12);
    let absent = Frame::new()
        .with_factor("plant", ["parent", "stranger"].map(Some))
        .and_then(|f| f.with_numeric("y", [1.0, 2.0].map(Some)))
        .unwrap();
    let error = solve(&absent, &model, given).unwrap_err().to_string();
    assert!(
        error.contains("`stranger` of `plant` is not in its relationship matrix"),
        "{error}"
    );
}
