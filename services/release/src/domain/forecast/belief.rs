//! What is believed of chances and waiting times: beta-binomial, partially pooled over the kinds of
//! cross.
//!
//! For a proportion (a chance of going on, or of leaving within half a year) kind k has its own
//! value, drawn from Beta(κm, κ(1−m)); the mean m over kinds has a Beta prior and the likeness κ of
//! the kinds a level prior over [`LIKENESS`]. Both are integrated over a grid (the beta-binomial
//! likelihood is exact), so that a kind with little history leans on the others and one with much
//! stands by itself. Formulas from memory; see Gelman et al., Bayesian Data Analysis, chapter 5.

use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Distribution as _};
use statrs::distribution::{ContinuousCDF as _, Gamma as GammaLaw};
use statrs::function::beta::ln_beta;

use super::history::{History, Left};
use super::{STEPS_N, TICKS_A_YEAR};
use crate::domain::words::KindOfCross;

/// Kinds of cross.
pub(super) const KINDS_N: usize = <KindOfCross as platform::fields::Words>::ALL.len();
/// Years at one stage that have a hazard of their own; later years share the last.
pub(super) const YEARS_OF_HAZARD: usize = 12;
/// Half-years that the prior hazard of one year counts for.
const HAZARD_WEIGHT: f64 = 6.0;
/// Shape of the prior waiting time.
const WAIT_SHAPE: f64 = 4.0;
/// How many candidates' worth the other kinds of cross tell of one.
const LIKENESS: [f64; 4] = [3.0, 10.0, 30.0, 100.0];
/// Points of the grid over the mean.
const MEANS_N: usize = 64;

/// Prior chance of going on, as a beta law's two counts, and mean years of waiting at each step.
pub(super) const PRIORS: [(f64, f64, f64); STEPS_N] = [
    // own-root to budded
    (1.0, 4.0, 4.0),
    // budded to multi-site
    (1.0, 9.0, 4.0),
    // multi-site to pre-release
    (1.0, 4.0, 4.0),
    // pre-release to released
    (3.0, 2.0, 2.0),
];

/// How often something came and did not.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Tally {
    pub came: f64,
    pub did_not: f64,
}

/// A proportion of each kind of cross, pooled in part.
#[derive(Debug, Clone)]
pub(super) struct Pooled {
    tallies: [Tally; KINDS_N],
    /// Mean over kinds, likeness of the kinds, and the share of belief up to this point.
    grid: Vec<(f64, f64, f64)>,
}

impl Pooled {
    pub fn of((alpha, beta): (f64, f64), tallies: [Tally; KINDS_N]) -> Self {
        let told: Vec<Tally> = tallies
            .into_iter()
            .filter(|t| t.came + t.did_not > 0.0)
            .collect();
        let mut points = Vec::with_capacity(MEANS_N * LIKENESS.len());
        for likeness in LIKENESS {
            for i in 0..MEANS_N {
                // Even steps of the angle lie close where a proportion is near 0 or 1.
                let angle = std::f64::consts::FRAC_PI_2 * (i as f64 + 0.5) / MEANS_N as f64;
                let mean = angle.sin().powi(2);
                let (for_, against) = (likeness * mean, likeness * (1.0 - mean));
                let prior = (alpha - 0.5) * mean.ln() + (beta - 0.5) * (1.0 - mean).ln();
                let likelihood: f64 = told
                    .iter()
                    .map(|t| ln_beta(for_ + t.came, against + t.did_not) - ln_beta(for_, against))
                    .sum();
                points.push((mean, likeness, prior + likelihood));
            }
        }
        let largest = points
            .iter()
            .map(|(.., log)| *log)
            .fold(f64::NEG_INFINITY, f64::max);
        let mut so_far = 0.0;
        for (.., belief) in &mut points {
            so_far += (*belief - largest).exp();
            *belief = so_far;
        }
        for (.., belief) in &mut points {
            *belief /= so_far;
        }
        Self {
            tallies,
            grid: points,
        }
    }

    /// One draw of every kind's proportion.
    pub fn draw(&self, rng: &mut ChaCha8Rng) -> [f64; KINDS_N] {
        let u: f64 = rng.random();
        let at = self.grid.partition_point(|(.., belief)| *belief < u);
        let (mean, likeness, _) = self.grid[at.min(self.grid.len() - 1)];
        self.tallies.map(|tally| {
            let (a, b) = (
                likeness * mean + tally.came,
                likeness * (1.0 - mean) + tally.did_not,
            );
            let drawn = Beta::new(a, b).map_or(mean, |law| law.sample(rng));
            if drawn.is_finite() { drawn } else { mean }
        })
    }
}

/// What is believed of one step.
#[derive(Debug, Clone)]
pub(super) struct StepBelief {
    pub chance: Pooled,
    /// Chance of leaving within half a year, by year at the stage.
    hazards: Vec<Pooled>,
}

impl StepBelief {
    pub fn of(history: &History, step: usize) -> Self {
        let (alpha, beta, mean_years) = PRIORS[step];
        let chance = std::array::from_fn(|kind| {
            let n =
                |left| f64::from(history.counted(step, Some(KindOfCross::of_index(kind)), left));
            Tally {
                came: n(Left::Advanced),
                did_not: n(Left::Withdrawn),
            }
        });
        let mut exposed = vec![[Tally::default(); KINDS_N]; YEARS_OF_HAZARD];
        for stay in history.stays.iter().filter(|s| s.step == step) {
            let kind = stay.cross.index();
            let ticks = stay.ticks() as usize;
            for tick in 0..ticks {
                exposed[year_of_tick(tick)][kind].did_not += 1.0;
            }
            if stay.left != Left::Waiting {
                exposed[year_of_tick(ticks)][kind].came += 1.0;
            }
        }
        let hazards = exposed
            .into_iter()
            .enumerate()
            .map(|(year, tallies)| {
                let h = prior_hazard(mean_years, year);
                Pooled::of((HAZARD_WEIGHT * h, HAZARD_WEIGHT * (1.0 - h)), tallies)
            })
            .collect();
        Self {
            chance: Pooled::of((alpha, beta), chance),
            hazards,
        }
    }

    pub fn draw(&self, rng: &mut ChaCha8Rng) -> [StepDraw; KINDS_N] {
        let chance = self.chance.draw(rng);
        let hazards: Vec<[f64; KINDS_N]> = self.hazards.iter().map(|h| h.draw(rng)).collect();
        std::array::from_fn(|kind| StepDraw {
            chance: chance[kind],
            hazards: std::array::from_fn(|year| hazards[year][kind]),
        })
    }
}

/// The year of hazard in which a tick lies.
pub(super) fn year_of_tick(tick: usize) -> usize {
    (tick / TICKS_A_YEAR as usize).min(YEARS_OF_HAZARD - 1)
}

/// Prior chance of leaving within half a year, in the k-th year at a stage.
fn prior_hazard(mean_years: f64, year: usize) -> f64 {
    let wait = GammaLaw::new(WAIT_SHAPE, WAIT_SHAPE / mean_years)
        .expect("shape and rate are positive constants");
    let (before, after) = (wait.sf(year as f64), wait.sf(year as f64 + 1.0));
    let within_year = (1.0 - after / before).clamp(0.01, 0.95);
    1.0 - (1.0 - within_year).powf(1.0 / f64::from(TICKS_A_YEAR))
}

/// One draw of a step's chance and hazards for one kind of cross.
#[derive(Debug, Clone, Copy)]
pub(super) struct StepDraw {
    pub chance: f64,
    hazards: [f64; YEARS_OF_HAZARD],
}

impl StepDraw {
    /// Chance of leaving in this tick.
    pub fn hazard(&self, tick: usize) -> f64 {
        self.hazards[year_of_tick(tick)]
    }

    /// Mean years at the stage, a stay counting to the middle of the tick in which it ends.
    pub fn mean_years(&self) -> f64 {
        let ticks_n = TICKS_A_YEAR as usize * (YEARS_OF_HAZARD - 1);
        let (mut staying, mut ticks) = (1.0, 0.0);
        for tick in 0..ticks_n {
            let h = self.hazard(tick);
            ticks += staying * h * (tick as f64 + 0.5);
            staying *= 1.0 - h;
        }
        let last = self.hazard(ticks_n).max(0.01);
        ticks += staying * (ticks_n as f64 - 0.5 + 1.0 / last);
        ticks / f64::from(TICKS_A_YEAR)
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;

    use super::*;

    fn mean_of(pooled: &Pooled, kind: usize) -> f64 {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        (0..4000).map(|_| pooled.draw(&mut rng)[kind]).sum::<f64>() / 4000.0
    }

    fn tally(came: f64, did_not: f64) -> Tally {
        Tally { came, did_not }
    }

    #[test]
    fn without_history_the_prior_stands() {
        let pooled = Pooled::of((3.0, 2.0), [Tally::default(); KINDS_N]);
        assert!((mean_of(&pooled, 0) - 0.6).abs() < 0.02);
    }

    #[test]
    fn a_kind_with_little_history_leans_on_the_others() {
        let mut tallies = [Tally::default(); KINDS_N];
        tallies[0] = tally(80.0, 20.0);
        tallies[1] = tally(75.0, 25.0);
        tallies[2] = tally(0.0, 2.0);
        let pooled = Pooled::of((1.0, 1.0), tallies);
        let (much, little) = (mean_of(&pooled, 0), mean_of(&pooled, 2));
        assert!((much - 0.8).abs() < 0.04, "{much}");
        // By itself Beta(1, 3): a quarter. The others pull it up.
        assert!(little > 0.35 && little < much, "{little}");
        // A kind without any history is at least as near to the others.
        assert!(mean_of(&pooled, 3) > little);
    }

    #[test]
    fn kinds_that_differ_stay_apart() {
        let mut tallies = [Tally::default(); KINDS_N];
        tallies[0] = tally(160.0, 40.0);
        tallies[1] = tally(10.0, 90.0);
        let pooled = Pooled::of((1.0, 1.0), tallies);
        assert!((mean_of(&pooled, 0) - 0.8).abs() < 0.03);
        assert!((mean_of(&pooled, 1) - 0.1).abs() < 0.04);
    }

    #[test]
    fn the_prior_wait_has_about_its_mean() {
        for (.., mean_years) in PRIORS {
            let draw = StepDraw {
                chance: 0.5,
                hazards: std::array::from_fn(|year| prior_hazard(mean_years, year)),
            };
            let got = draw.mean_years();
            assert!((got - mean_years).abs() < 0.3, "{got} for {mean_years}");
        }
    }
}
