//! Forecasts made from what was known on earlier days, held against what came since.
//!
//! Blind: each is made from the moves up to its day alone, with the same priors. Forecasts from
//! neighbouring years look at some of the same moves, so the cases are not independent.

use jiff::ToSpan as _;
use jiff::civil::Date;

use super::history::{Course, History};
use super::play::play;
use super::{STEPS_N, Spread};
use crate::domain::stage::Stage;

/// Earliest forecast held against what came, in years back.
const YEARS_BACK: i64 = 15;
/// Years that a forecast is held against.
const YEARS_AHEAD: i64 = 5;
/// Years within which moves from stage to stage are counted together.
const STEP_YEARS: i64 = 3;
/// Decisions that must lie before a forecast for it to say anything.
const DECISIONS_MIN: u32 = 12;
/// Runs of one forecast; more make no difference that could be seen.
const RUNS_MAX: u32 = 1000;
/// Levels at which intervals are held against what came.
pub const LEVELS: [f64; 4] = [0.5, 0.8, 0.9, 0.95];

/// What was forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counted {
    /// Releases.
    Releases,
    /// Candidates going on from a stage.
    GoingOn(Stage),
}

/// One count forecast and come.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Made from what was known then.
    pub from: Date,
    /// What is counted.
    pub counted: Counted,
    /// After this day.
    pub after: Date,
    /// Up to this one.
    pub until: Date,
    /// What was forecast.
    pub forecast: Spread,
    /// What came.
    pub came_n: u32,
    /// For each of [`LEVELS`]: share of the runs within the interval, and whether what came was.
    pub held: [(f64, bool); LEVELS.len()],
}

impl Case {
    fn of(
        (from, after, until): (Date, Date, Date),
        counted: Counted,
        values: Vec<f64>,
        came_n: u32,
    ) -> Self {
        let mut sorted = values;
        sorted.sort_by(f64::total_cmp);
        let held = LEVELS.map(|level| {
            let (low, high) = Spread::interval(&sorted, level);
            let within = |value: f64| low <= value && value <= high;
            let mass = sorted.iter().filter(|v| within(**v)).count() as f64 / sorted.len() as f64;
            (mass, within(f64::from(came_n)))
        });
        Self {
            from,
            counted,
            after,
            until,
            forecast: Spread::of_sorted(&sorted),
            came_n,
            held,
        }
    }

    /// Whether what came lay within the interval of nine tenths.
    pub fn within_most(&self) -> bool {
        self.held[2].1
    }
}

/// How often intervals of one level held what came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// The level.
    pub level: f64,
    /// Share that should have been held: counts are whole, so an interval holds at least its level.
    pub expected: f64,
    /// Share that was.
    pub observed: f64,
}

/// Earlier forecasts and what came.
#[derive(Debug, Clone, PartialEq)]
pub struct BackTest {
    /// The cases, earliest forecast first.
    pub cases: Vec<Case>,
    /// How often intervals held.
    pub coverage: Vec<Coverage>,
}

/// Holds earlier forecasts against what came; `None` when too little had been decided.
pub fn back_test(courses: &[Course], as_of: Date, runs: u32, seed: u64) -> Option<BackTest> {
    let now = History::read(courses, as_of);
    let mut cases = Vec::new();
    for back in (1..=YEARS_BACK).rev() {
        let from = as_of.saturating_sub(back.years());
        let known = History::read(courses, from);
        if known.decisions_n() < DECISIONS_MIN {
            continue;
        }
        let ahead = back.min(YEARS_AHEAD);
        let years = u32::try_from(ahead).unwrap_or(1);
        let played = play(&known, years, runs.min(RUNS_MAX), seed);
        let day = |years: i64| from.saturating_add(years.years());
        for year in 0..ahead {
            let (after, until) = (day(year), day(year + 1));
            let values = played
                .iter()
                .map(|run| f64::from(run.released[year as usize]))
                .collect();
            let came = now.released_between(after, until);
            cases.push(Case::of(
                (from, after, until),
                Counted::Releases,
                values,
                came,
            ));
        }
        if ahead >= STEP_YEARS {
            for step in 0..STEPS_N - 1 {
                let until = day(STEP_YEARS);
                let values = played
                    .iter()
                    .map(|run| {
                        let years = run.went_on.iter().take(STEP_YEARS as usize);
                        years.map(|steps| f64::from(steps[step])).sum()
                    })
                    .collect();
                let came = now.went_on_between(step, from, until);
                let counted = Counted::GoingOn(Stage::LADDER[step]);
                cases.push(Case::of((from, from, until), counted, values, came));
            }
        }
    }
    if cases.is_empty() {
        return None;
    }
    let n = cases.len() as f64;
    let coverage = LEVELS
        .iter()
        .enumerate()
        .map(|(i, &level)| Coverage {
            level,
            expected: cases.iter().map(|case| case.held[i].0).sum::<f64>() / n,
            observed: cases.iter().filter(|case| case.held[i].1).count() as f64 / n,
        })
        .collect();
    Some(BackTest { cases, coverage })
}
