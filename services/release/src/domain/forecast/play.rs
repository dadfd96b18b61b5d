//! Plays the pipeline forward, many times, half a year at a time.
//!
//! A candidate that comes to a stage within a half-year does so at a random time of it, so one of
//! two is already exposed to leaving in that same half-year; ages of those who are there now are
//! rounded to the nearest half-year. Both keep the steps from running late.

use rand::RngExt as _;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Binomial, Distribution as _, Gamma, Poisson};

use super::belief::{KINDS_N, StepBelief, YEARS_OF_HAZARD};
use super::history::{History, Left};
use super::{ENTRY_YEARS, STEPS_N, TICKS_A_YEAR};
use crate::domain::words::KindOfCross;

/// Half-years at a stage that are told apart.
const AGES_N: usize = YEARS_OF_HAZARD * TICKS_A_YEAR as usize;

/// One run.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Releases in each year.
    pub released: Vec<u32>,
    /// Candidates that went on from each step in each year.
    pub went_on: Vec<[u32; STEPS_N]>,
    /// Candidates at each stage at the end of each year.
    pub waiting: Vec<[u32; STEPS_N]>,
    /// Chance of going on and mean years, by step and kind of cross.
    pub(super) drawn: [[(f64, f64); KINDS_N]; STEPS_N],
}

/// The rate of new candidates of one kind at one step, with what it varies by from year to year.
struct Entry {
    step: usize,
    kind: usize,
    /// Gamma law of the mean rate: shape and rate.
    mean: (f64, f64),
    /// Shape of the yearly factor about it; none where years vary no more than chance makes them.
    yearly: Option<f64>,
}

impl Entry {
    /// From the counts of recent years: the variance beyond that of a Poisson law tells how much
    /// the rate itself changes (method of moments).
    fn of(history: &History, step: usize, kind: usize) -> Option<Self> {
        let cross = KindOfCross::of_index(kind);
        let counts = history.new_candidates(step, cross, ENTRY_YEARS);
        let n = counts.len() as f64;
        let sum: f64 = counts.iter().sum();
        if sum == 0.0 {
            return None;
        }
        let mean = sum / n;
        let variance = counts.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        Some(Self {
            step,
            kind,
            mean: (sum, n),
            yearly: (variance > mean).then(|| mean * mean / (variance - mean)),
        })
    }

    fn draw_mean(&self, rng: &mut ChaCha8Rng) -> f64 {
        draw_gamma(self.mean.0, 1.0 / self.mean.1, rng)
    }

    fn draw_year(&self, mean: f64, rng: &mut ChaCha8Rng) -> f64 {
        match self.yearly {
            Some(shape) => mean * draw_gamma(shape, 1.0 / shape, rng),
            None => mean,
        }
    }
}

fn draw_gamma(shape: f64, scale: f64, rng: &mut ChaCha8Rng) -> f64 {
    Gamma::new(shape, scale).map_or(shape * scale, |law| law.sample(rng))
}

fn draw_poisson(mean: f64, rng: &mut ChaCha8Rng) -> u64 {
    if mean <= 0.0 {
        return 0;
    }
    Poisson::new(mean).map_or(0.0, |law| law.sample(rng)) as u64
}

fn draw_binomial(n: u64, p: f64, rng: &mut ChaCha8Rng) -> u64 {
    match n {
        0 => 0,
        1 => u64::from(rng.random::<f64>() < p),
        _ => Binomial::new(n, p.clamp(0.0, 1.0)).map_or(0, |law| law.sample(rng)),
    }
}

fn whole(n: u64) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// Candidates of one kind of cross at every stage, by half-years there.
type Ages = [[u64; AGES_N]; STEPS_N];

/// Plays the years forward; the same history, seed and counts give the same runs.
pub fn play(history: &History, years: u32, runs: u32, seed: u64) -> Vec<Run> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let beliefs: Vec<StepBelief> = (0..STEPS_N)
        .map(|step| StepBelief::of(history, step))
        .collect();
    let entries: Vec<Entry> = (0..STEPS_N)
        .flat_map(|step| (0..KINDS_N).map(move |kind| (step, kind)))
        .filter_map(|(step, kind)| Entry::of(history, step, kind))
        .collect();
    let mut present: [Ages; KINDS_N] = [[[0; AGES_N]; STEPS_N]; KINDS_N];
    for stay in history.stays.iter().filter(|s| s.left == Left::Waiting) {
        let age = (stay.ticks().round() as usize).min(AGES_N - 1);
        present[stay.cross.index()][stay.step][age] += 1;
    }
    // Kinds with nobody there and nobody to come need not be played.
    let kinds: Vec<usize> = (0..KINDS_N)
        .filter(|kind| {
            present[*kind].iter().flatten().any(|n| *n > 0)
                || entries.iter().any(|entry| entry.kind == *kind)
        })
        .collect();
    (0..runs)
        .map(|_| run(&beliefs, &entries, &kinds, present, years, &mut rng))
        .collect()
}

fn run(
    beliefs: &[StepBelief],
    entries: &[Entry],
    kinds: &[usize],
    mut at: [Ages; KINDS_N],
    years: u32,
    rng: &mut ChaCha8Rng,
) -> Run {
    let draws: [_; STEPS_N] = std::array::from_fn(|step| beliefs[step].draw(rng));
    let means: Vec<f64> = entries.iter().map(|entry| entry.draw_mean(rng)).collect();
    let years = years as usize;
    let mut made = Run {
        released: vec![0; years],
        went_on: vec![[0; STEPS_N]; years],
        waiting: vec![[0; STEPS_N]; years],
        drawn: draws.map(|by_kind| by_kind.map(|draw| (draw.chance, draw.mean_years()))),
    };
    for year in 0..years {
        let rates: Vec<f64> = entries
            .iter()
            .zip(&means)
            .map(|(entry, mean)| entry.draw_year(*mean, rng) / f64::from(TICKS_A_YEAR))
            .collect();
        for _ in 0..TICKS_A_YEAR {
            for &kind in kinds {
                let mut coming = 0;
                for step in 0..STEPS_N {
                    let new = entries
                        .iter()
                        .zip(&rates)
                        .filter(|(entry, _)| entry.step == step && entry.kind == kind)
                        .map(|(_, rate)| draw_poisson(*rate, rng))
                        .sum::<u64>()
                        + coming;
                    let exposed = draw_binomial(new, 0.5, rng);
                    let ages = &mut at[kind][step];
                    ages[0] += exposed;
                    let draw = &draws[step][kind];
                    coming = 0;
                    let mut older = [0; AGES_N];
                    for (age, n) in ages.iter().enumerate().filter(|(_, n)| **n > 0) {
                        let leaving = draw_binomial(*n, draw.hazard(age), rng);
                        coming += draw_binomial(leaving, draw.chance, rng);
                        older[(age + 1).min(AGES_N - 1)] += n - leaving;
                    }
                    older[0] += new - exposed;
                    *ages = older;
                    made.went_on[year][step] += whole(coming);
                }
                made.released[year] += whole(coming);
            }
        }
        for &kind in kinds {
            for (step, ages) in at[kind].iter().enumerate() {
                made.waiting[year][step] += whole(ages.iter().sum());
            }
        }
    }
    made
}
