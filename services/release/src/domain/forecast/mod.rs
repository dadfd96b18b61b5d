//! How many releases to expect: what the programme's own history says of chances and waiting times,
//! by kind of cross and held together with stated priors, played forward many times.
//!
//! A candidate at a stage leaves it in its k-th year there with a hazard of its own; when it leaves,
//! it goes on with a chance and is withdrawn otherwise. Both are beta-binomial, partially pooled
//! over the kinds of cross ([`belief`]); those still waiting count as time survived, so that
//! censoring takes no bias in. New candidates come at the rate of recent years (gamma-Poisson).
//! [`back_test()`] holds earlier forecasts against what came; [`money`] plays income and cost.

mod back_test;
mod belief;
mod history;
pub mod money;
mod play;

pub use back_test::{BackTest, Case, Counted, Coverage, back_test};
pub use history::{Course, History, Move};
pub use play::Run;

use platform::fields::Words as _;

use self::belief::{KINDS_N, PRIORS};
use self::history::Left;
use super::stage::Stage;
use super::words::KindOfCross;

/// Steps between the stages of the ladder.
pub const STEPS_N: usize = Stage::LADDER.len() - 1;
/// Parts of a year that are played one after another.
const TICKS_A_YEAR: u8 = 2;
/// Years of entries on which the rate of new candidates rests.
const ENTRY_YEARS: i64 = 8;

/// Where the priors come from.
pub const PRIOR_SOURCE: &str = "common practice, no source: about one in a hundred of the trees \
kept after the first look is released, about fifteen years after its cross";

/// What was assumed, for people.
pub fn assumptions() -> Vec<String> {
    vec![
        format!("Priors: {PRIOR_SOURCE}."),
        "A year is twelve months from the day of the forecast, named by the calendar year in which \
         it ends; the pipeline is played half a year at a time."
            .to_owned(),
        "Whether a candidate goes on does not depend on how long it has waited; candidates still \
         waiting count as time survived."
            .to_owned(),
        "Kinds of cross (within a species, between species, open-pollinated) have chances and times \
         of their own, drawn towards each other where one has little history."
            .to_owned(),
        format!(
            "New candidates come as in the last {ENTRY_YEARS} years, with as much change from year \
             to year; a move taken back counts as never made."
        ),
    ]
}

/// A count over all runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Mean.
    pub mean: f64,
    /// Median.
    pub median: f64,
    /// Ends of the interval that holds half.
    pub half: (f64, f64),
    /// Ends of the interval that holds nine tenths.
    pub most: (f64, f64),
    /// Share of runs above 0.
    pub chance_any: f64,
}

impl Spread {
    fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        Self::of_sorted(&values)
    }

    fn of_sorted(values: &[f64]) -> Self {
        let n = values.len() as f64;
        Self {
            mean: values.iter().sum::<f64>() / n,
            median: quantile(values, 0.5),
            half: Self::interval(values, 0.5),
            most: Self::interval(values, 0.9),
            chance_any: values.iter().filter(|v| **v > 0.0).count() as f64 / n,
        }
    }

    /// The spread of as many times the quantity.
    #[must_use]
    pub fn times(&self, factor: f64) -> Self {
        let both = |(low, high): (f64, f64)| (low * factor, high * factor);
        Self {
            mean: self.mean * factor,
            median: self.median * factor,
            half: both(self.half),
            most: both(self.most),
            chance_any: self.chance_any,
        }
    }

    /// Ends of the interval of sorted values that holds a share of them, as much left out on
    /// either side.
    fn interval(values: &[f64], level: f64) -> (f64, f64) {
        let tail = (1.0 - level) / 2.0;
        (quantile(values, tail), quantile(values, 1.0 - tail))
    }
}

fn quantile(values: &[f64], q: f64) -> f64 {
    values[((values.len() - 1) as f64 * q).round() as usize]
}

/// What is said of one step for one kind of cross, or over all that came to it.
#[derive(Debug, Clone, PartialEq)]
pub struct StepOfKind {
    /// The kind; none over all.
    pub cross: Option<KindOfCross>,
    /// Went on.
    pub advanced_n: u32,
    /// Were withdrawn.
    pub withdrawn_n: u32,
    /// Still wait.
    pub waiting_n: u32,
    /// Chance of going on.
    pub chance: Spread,
    /// Years at the stage.
    pub years: Spread,
}

/// What is said of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepForecast {
    /// From this stage.
    pub from: Stage,
    /// To this one.
    pub to: Stage,
    /// Prior of the chance.
    pub prior: (f64, f64),
    /// Prior mean of the years at the stage.
    pub prior_years: f64,
    /// Over all candidates.
    pub all: StepOfKind,
    /// Each kind of cross that ever came to the stage.
    pub by_kind: Vec<StepOfKind>,
}

/// What is expected at one stage.
#[derive(Debug, Clone, PartialEq)]
pub struct StageLoad {
    /// The stage.
    pub stage: Stage,
    /// Candidates there now.
    pub waiting_n: u32,
    /// Most expected there in one year, and which.
    pub peak: (f64, i16),
    /// Candidates there at the end of each year.
    pub years: Vec<(i16, Spread)>,
    /// Share of the expected years to release that is spent here.
    pub share_of_time: f64,
}

/// The forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Releases in each year ahead.
    pub releases: Vec<(i16, Spread)>,
    /// Releases over all years.
    pub total: Spread,
    /// Each step.
    pub steps: Vec<StepForecast>,
    /// Each stage before release.
    pub loads: Vec<StageLoad>,
    /// The runs behind it.
    pub runs: Vec<Run>,
}

/// Plays the pipeline forward.
pub fn forecast(history: &History, years: u32, runs: u32, seed: u64) -> Forecast {
    let runs = play::play(history, years, runs, seed);
    let steps: Vec<StepForecast> = (0..STEPS_N)
        .map(|step| told(history, &runs, step))
        .collect();
    let all_years: f64 = steps.iter().map(|s| s.all.years.mean).sum();
    let label = |year: u32| history.as_of.year() + i16::try_from(year).unwrap_or(0) + 1;
    let over_runs = |value: &dyn Fn(&Run) -> u32| {
        Spread::of(runs.iter().map(|run| f64::from(value(run))).collect())
    };
    let loads = (0..STEPS_N)
        .map(|step| {
            let years: Vec<(i16, Spread)> = (0..years)
                .map(|year| {
                    let waiting = |run: &Run| run.waiting[year as usize][step];
                    (label(year), over_runs(&waiting))
                })
                .collect();
            let peak = years
                .iter()
                .map(|(year, spread)| (spread.mean, *year))
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or((0.0, history.as_of.year()));
            StageLoad {
                stage: Stage::LADDER[step],
                waiting_n: steps[step].all.waiting_n,
                peak,
                years,
                share_of_time: steps[step].all.years.mean / all_years,
            }
        })
        .collect();
    Forecast {
        releases: (0..years)
            .map(|year| {
                let released = |run: &Run| run.released[year as usize];
                (label(year), over_runs(&released))
            })
            .collect(),
        total: over_runs(&|run: &Run| run.released.iter().sum()),
        steps,
        loads,
        runs,
    }
}

/// What the draws of all runs say of one step, over all candidates and by kind of cross. Over all,
/// each kind counts by how many of it came to the stage.
fn told(history: &History, runs: &[Run], step: usize) -> StepForecast {
    let counts = |cross| {
        [Left::Advanced, Left::Withdrawn, Left::Waiting]
            .map(|left| history.counted(step, cross, left))
    };
    let of_kind = |cross: Option<KindOfCross>, weights: [f64; KINDS_N]| {
        let sum: f64 = weights.iter().sum();
        let mean = |value: &dyn Fn(usize) -> f64| {
            weights
                .iter()
                .enumerate()
                .map(|(kind, w)| w * value(kind))
                .sum::<f64>()
                / sum
        };
        let [advanced_n, withdrawn_n, waiting_n] = counts(cross);
        StepOfKind {
            cross,
            advanced_n,
            withdrawn_n,
            waiting_n,
            chance: Spread::of(
                runs.iter()
                    .map(|run| mean(&|kind| run.drawn[step][kind].0))
                    .collect(),
            ),
            years: Spread::of(
                runs.iter()
                    .map(|run| mean(&|kind| run.drawn[step][kind].1))
                    .collect(),
            ),
        }
    };
    let came: [f64; KINDS_N] = std::array::from_fn(|kind| {
        counts(Some(KindOfCross::of_index(kind)))
            .iter()
            .copied()
            .map(f64::from)
            .sum()
    });
    let nobody = came.iter().all(|n| *n == 0.0);
    let (alpha, beta, prior_years) = PRIORS[step];
    StepForecast {
        from: Stage::LADDER[step],
        to: Stage::LADDER[step + 1],
        prior: (alpha, beta),
        prior_years,
        all: of_kind(None, if nobody { [1.0; KINDS_N] } else { came }),
        by_kind: KindOfCross::ALL
            .iter()
            .filter(|(kind, _)| came[kind.index()] > 0.0)
            .map(|(kind, _)| {
                let mut alone = [0.0; KINDS_N];
                alone[kind.index()] = 1.0;
                of_kind(Some(*kind), alone)
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests;
