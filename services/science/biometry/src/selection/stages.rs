//! Selection in several stages under places and money, by simulation.

use super::{SelectionError, in_range};
use crate::selection::index::Spread;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};

/// One stage of testing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Name, for example `own_root`.
    pub name: String,
    /// Error standard deviation of a candidate's mean in this stage (all plots and sites of the
    /// stage taken together), in units of the trait or index.
    pub error_sd: f64,
    /// Cost of one candidate in this stage.
    pub cost_per_candidate: f64,
    /// Candidates that find room; none means no limit.
    #[serde(default)]
    pub places: Option<usize>,
}

/// A course of selection to be planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// Candidates that enter the first stage.
    pub candidates_n: usize,
    /// Genetic standard deviation among them, fitted from trials.
    pub genetic_sd: f64,
    /// Stages in order.
    pub stages: Vec<Stage>,
    /// Candidates released in the end.
    pub released_n: usize,
    /// Money for all stages; none means no limit.
    #[serde(default)]
    pub budget: Option<f64>,
}

/// What a choice of numbers brings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// Candidates in each stage.
    pub kept_n: Vec<usize>,
    /// Money spent.
    pub cost: f64,
    /// Mean true value of those released, as a deviation from all candidates.
    pub gain: Spread,
    /// Probability that the truly best candidate is among those released.
    pub best_is_released: f64,
}

/// Largest number of allocations compared in one plan.
const ALLOCATIONS: usize = 400;

impl Course {
    fn check(&self) -> Result<(), SelectionError> {
        let positive = |field: &str, n: usize| in_range(field, n as f64, n > 0, "at least 1");
        positive("candidates_n", self.candidates_n)?;
        positive("released_n", self.released_n)?;
        positive("stages", self.stages.len())?;
        in_range(
            "genetic_sd",
            self.genetic_sd,
            self.genetic_sd > 0.0,
            "over 0",
        )?;
        if let Some(budget) = self.budget {
            in_range("budget", budget, budget >= 0.0, "0 or more")?;
        }
        for stage in &self.stages {
            let field = |what: &str| format!("{what} of stage {}", stage.name);
            in_range(
                &field("error_sd"),
                stage.error_sd,
                stage.error_sd >= 0.0,
                "0 or more",
            )?;
            let cost = stage.cost_per_candidate;
            in_range(&field("cost_per_candidate"), cost, cost >= 0.0, "0 or more")?;
        }
        let first_places = self.stages[0].places.unwrap_or(usize::MAX);
        if self.candidates_n > first_places {
            return Err(SelectionError::TooMany {
                field: "candidates_n",
                wanted: self.candidates_n,
                available: first_places,
            });
        }
        let room = self
            .stages
            .iter()
            .filter_map(|s| s.places)
            .min()
            .unwrap_or(usize::MAX);
        let available = room.min(self.candidates_n);
        if self.released_n > available {
            return Err(SelectionError::TooMany {
                field: "released_n",
                wanted: self.released_n,
                available,
            });
        }
        Ok(())
    }

    /// Cost of an allocation.
    #[must_use]
    pub fn cost(&self, kept_n: &[usize]) -> f64 {
        self.stages
            .iter()
            .zip(kept_n)
            .map(|(s, &n)| s.cost_per_candidate * n as f64)
            .sum()
    }

    /// Simulates one allocation: `kept_n` candidates stand in each stage (the first is all of
    /// them), each stage passes on the best by all records so far, weighted by their precision.
    ///
    /// # Errors
    /// When a number is out of range or the numbers rise from stage to stage.
    pub fn simulate(
        &self,
        kept_n: &[usize],
        draws_n: usize,
        seed: u64,
    ) -> Result<Outcome, SelectionError> {
        self.check()?;
        if kept_n.len() != self.stages.len() {
            return Err(SelectionError::WrongSize {
                field: "kept_n".to_owned(),
                found: kept_n.len(),
                expected: self.stages.len(),
                each: "stage",
            });
        }
        if kept_n[0] != self.candidates_n {
            return Err(SelectionError::WrongSize {
                field: "kept_n of the first stage".to_owned(),
                found: kept_n[0],
                expected: self.candidates_n,
                each: "candidate",
            });
        }
        let last = [self.released_n];
        for pair in kept_n.iter().chain(&last).collect::<Vec<_>>().windows(2) {
            if pair[1] > pair[0] {
                return Err(SelectionError::TooMany {
                    field: "kept_n",
                    wanted: *pair[1],
                    available: *pair[0],
                });
            }
        }
        in_range("draws_n", draws_n as f64, draws_n > 0, "at least 1")?;
        let populations = self.populations(kept_n.get(1).copied(), draws_n, seed);
        Ok(self.outcome(kept_n, &populations))
    }

    /// The allocations that bring most under places and money, best first, at most `shown_n`.
    ///
    /// Allocations on a logarithmic grid are compared on the same simulated candidates, so that
    /// differences between them are not those of luck.
    ///
    /// # Errors
    /// When a number is out of range or no allocation fits the budget.
    pub fn plan(
        &self,
        draws_n: usize,
        shown_n: usize,
        seed: u64,
    ) -> Result<Vec<Outcome>, SelectionError> {
        self.check()?;
        in_range("draws_n", draws_n as f64, draws_n > 0, "at least 1")?;
        let allocations = self.allocations();
        if allocations.is_empty() {
            let least: Vec<usize> = std::iter::once(self.candidates_n)
                .chain(std::iter::repeat_n(self.released_n, self.stages.len() - 1))
                .collect();
            let must_be = "enough for all candidates in the first stage and those released in all";
            let shortfall = self.budget.unwrap_or(0.0) - self.cost(&least);
            return Err(SelectionError::OutOfRange {
                field: "budget less the least cost".to_owned(),
                value: shortfall,
                must_be,
            });
        }
        let widest = allocations.iter().filter_map(|a| a.get(1).copied()).max();
        let populations = self.populations(widest, draws_n, seed);
        let mut outcomes: Vec<Outcome> = allocations
            .iter()
            .map(|kept_n| self.outcome(kept_n, &populations))
            .collect();
        outcomes.sort_by(|a, b| {
            b.gain
                .mean
                .total_cmp(&a.gain.mean)
                .then(a.cost.total_cmp(&b.cost))
        });
        outcomes.truncate(shown_n);
        Ok(outcomes)
    }

    fn allocations(&self) -> Vec<Vec<usize>> {
        let later_n = self.stages.len() - 1;
        let mut per_stage = 12;
        while per_stage > 3 && per_stage_count(per_stage, later_n) > ALLOCATIONS {
            per_stage -= 1;
        }
        let (low, high) = (self.released_n as f64, self.candidates_n as f64);
        let mut found = vec![vec![self.candidates_n]];
        for stage in &self.stages[1..] {
            let top = high.min(stage.places.map_or(high, |p| p as f64));
            let mut sizes: Vec<usize> = (0..per_stage)
                .map(|i| {
                    (low * (top / low).powf(i as f64 / (per_stage - 1) as f64)).round() as usize
                })
                .collect();
            sizes.dedup();
            found = found
                .iter()
                .flat_map(|kept| {
                    let before = kept[kept.len() - 1];
                    sizes
                        .iter()
                        .filter(move |&&n| n <= before)
                        .map(|&n| [kept.as_slice(), &[n]].concat())
                })
                .collect();
        }
        found.retain(|kept| self.budget.is_none_or(|budget| self.cost(kept) <= budget));
        found
    }

    /// For each draw, the candidates that any allocation could pass on from the first stage, best
    /// first, and whether the truly best is the first of its kind among them.
    fn populations(&self, second_n: Option<usize>, draws_n: usize, seed: u64) -> Vec<Population> {
        let mut rng = Gaussian {
            rng: ChaCha12Rng::seed_from_u64(seed),
            spare: None,
        };
        let kept_n = second_n.unwrap_or(self.released_n);
        (0..draws_n)
            .map(|_| {
                let mut all: Vec<(f64, f64)> = (0..self.candidates_n)
                    .map(|_| {
                        let truth = self.genetic_sd * rng.next();
                        (truth, truth + self.stages[0].error_sd * rng.next())
                    })
                    .collect();
                let best = all.iter().map(|c| c.0).fold(f64::NEG_INFINITY, f64::max);
                let by_record = |a: &(f64, f64), b: &(f64, f64)| b.1.total_cmp(&a.1);
                if kept_n < all.len() {
                    all.select_nth_unstable_by(kept_n, by_record);
                    all.truncate(kept_n);
                }
                all.sort_by(by_record);
                let candidates = all
                    .into_iter()
                    .map(|(truth, first_record)| Tested {
                        truth,
                        first_record,
                        later_errors: self.stages[1..]
                            .iter()
                            .map(|s| s.error_sd * rng.next())
                            .collect(),
                    })
                    .collect();
                Population { candidates, best }
            })
            .collect()
    }

    fn outcome(&self, kept_n: &[usize], populations: &[Population]) -> Outcome {
        // A stage without error tells all: its weight stands for infinity.
        let weight = |s: &Stage| s.error_sd.powi(-2).min(1e12 / self.genetic_sd.powi(2));
        let weights: Vec<f64> = self.stages.iter().map(weight).collect();
        let mut gains = Vec::with_capacity(populations.len());
        let mut best_n = 0usize;
        for population in populations {
            let entering = kept_n.get(1).copied().unwrap_or(self.released_n);
            let mut kept: Vec<(f64, &Tested)> = population.candidates[..entering]
                .iter()
                .map(|c| (weights[0] * c.first_record, c))
                .collect();
            for (stage, weight) in weights.iter().enumerate().skip(1) {
                for (total, c) in &mut kept {
                    *total += weight * (c.truth + c.later_errors[stage - 1]);
                }
                // All have the same stages behind them: the weighted total ranks as the BLUP does.
                let next = kept_n.get(stage + 1).copied().unwrap_or(self.released_n);
                if next < kept.len() {
                    kept.select_nth_unstable_by(next, |a, b| b.0.total_cmp(&a.0));
                    kept.truncate(next);
                }
            }
            best_n += usize::from(kept.iter().any(|(_, c)| c.truth == population.best));
            gains.push(kept.iter().map(|(_, c)| c.truth).sum::<f64>() / kept.len() as f64);
        }
        Outcome {
            kept_n: kept_n.to_vec(),
            cost: self.cost(kept_n),
            best_is_released: best_n as f64 / populations.len() as f64,
            gain: Spread::of(gains).expect("at least one draw"),
        }
    }
}

/// Non-increasing sequences of `length` sizes out of `sizes_n`.
fn per_stage_count(sizes_n: usize, length: usize) -> usize {
    (0..length).fold(1, |product, i| product * (sizes_n + i) / (i + 1))
}

struct Population {
    candidates: Vec<Tested>,
    best: f64,
}

struct Tested {
    truth: f64,
    first_record: f64,
    later_errors: Vec<f64>,
}

/// Standard normal draws by Marsaglia's polar method.
struct Gaussian {
    rng: ChaCha12Rng,
    spare: Option<f64>,
}

impl Gaussian {
    fn next(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (u, v) = (
                self.rng.random_range(-1.0f64..1.0),
                self.rng.random_range(-1.0f64..1.0),
            );
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let factor = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(v * factor);
                return u * factor;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::selection::intensity::finite_intensity;

    fn stage(name: &str, error_sd: f64, cost: f64, places: Option<usize>) -> Stage {
        Stage {
            name: name.into(),
            error_sd,
            cost_per_candidate: cost,
            places,
        }
    }

    #[test]
    fn one_stage_follows_the_breeders_equation() {
        let course = Course {
            candidates_n: 100,
            genetic_sd: 2.0,
            stages: vec![stage("own_root", 2.0, 1.0, None)],
            released_n: 10,
            budget: None,
        };
        let found = course.simulate(&[100], 4000, 3).unwrap();
        // R = i h sigma_g with h = sqrt(0.5).
        let expected = finite_intensity(10, 100).unwrap() * 0.5f64.sqrt() * 2.0;
        assert!(
            (found.gain.mean - expected).abs() < 0.03,
            "{} {expected}",
            found.gain.mean
        );
    }

    #[test]
    fn plan_keeps_places_and_money_and_beats_careless_numbers() {
        let course = Course {
            candidates_n: 500,
            genetic_sd: 1.0,
            stages: vec![
                stage("own_root", 2.0, 1.0, None),
                stage("budded", 1.0, 10.0, Some(80)),
                stage("multi_site", 0.4, 60.0, Some(30)),
            ],
            released_n: 2,
            budget: Some(2200.0),
        };
        let plan = course.plan(150, 500, 11).unwrap();
        for outcome in &plan {
            assert!(outcome.cost <= 2200.0 && outcome.kept_n[1] <= 80 && outcome.kept_n[2] <= 30);
            assert!(outcome.kept_n.windows(2).all(|w| w[0] >= w[1]));
        }
        assert!(plan[0].gain.mean > plan[plan.len() - 1].gain.mean + 0.2);
        assert_eq!(plan, course.plan(150, 500, 11).unwrap());
        let poor = Course {
            budget: Some(10.0),
            ..course
        };
        assert!(
            poor.plan(10, 1, 1)
                .unwrap_err()
                .to_string()
                .contains("budget")
        );
    }

    #[test]
    fn without_error_the_best_is_always_found() {
        let course = Course {
            candidates_n: 60,
            genetic_sd: 1.0,
            stages: vec![stage("a", 0.0, 0.0, None), stage("b", 0.0, 0.0, None)],
            released_n: 1,
            budget: None,
        };
        assert_eq!(
            course.simulate(&[60, 5], 50, 1).unwrap().best_is_released,
            1.0
        );
    }
}
