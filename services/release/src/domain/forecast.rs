//! How many releases to expect: what the programme's own history says of chances and waiting times,
//! held together with stated priors, and played forward many times.
//!
//! A candidate at a stage leaves it in its k-th year there with a hazard of its own; when it leaves,
//! it goes on with a chance and is withdrawn otherwise. Hazards and chances are beta-binomial:
//! those still waiting count as years survived, so that censoring takes no bias in. New candidates
//! come at the rate of recent years (gamma-Poisson).

use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Binomial, Distribution as _, Gamma, Poisson};
use statrs::distribution::{ContinuousCDF as _, Gamma as GammaLaw};

use super::stage::Stage;

/// Steps between the stages of the ladder.
pub const STEPS_N: usize = Stage::LADDER.len() - 1;
/// Years at one stage that have a hazard of their own; later years share the last.
const YEARS_OF_HAZARD: usize = 12;
/// Candidate-years that the prior hazard of one year counts for.
const HAZARD_WEIGHT: f64 = 3.0;
/// Shape of the prior waiting time.
const WAIT_SHAPE: f64 = 4.0;
/// Years of entries on which the rate of new candidates rests.
const ENTRY_YEARS: i16 = 8;
/// Years that a back-test looks ahead.
const BACK_TEST_YEARS: u32 = 5;
/// Decisions that must lie before a back-test for it to say anything.
const BACK_TEST_DECISIONS_MIN: u32 = 12;

/// Where the priors come from.
pub const PRIOR_SOURCE: &str = "common practice, no source: about one in a hundred of the trees \
kept after the first look is released, about fifteen years after its cross";

/// Prior chance of going on and mean years of waiting at each step.
const PRIORS: [(f64, f64, f64); STEPS_N] = [
    // own-root to budded
    (1.0, 4.0, 4.0),
    // budded to multi-site
    (1.0, 9.0, 4.0),
    // multi-site to pre-release
    (1.0, 4.0, 4.0),
    // pre-release to released
    (3.0, 2.0, 2.0),
];

/// What was assumed, for people.
pub fn assumptions() -> Vec<String> {
    vec![
        format!("Priors: {PRIOR_SOURCE}."),
        "A year is twelve months from the day of the forecast, named by the calendar year in which \
         it ends; a candidate moves at most one stage a year."
            .to_owned(),
        "Whether a candidate goes on does not depend on how long it has waited; candidates still \
         waiting count as years survived."
            .to_owned(),
        format!(
            "New candidates come as in the last {ENTRY_YEARS} years; a move taken back counts as \
             never made."
        ),
    ]
}

/// One move on record, oldest first within its candidate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Move {
    /// Where to.
    pub to: Stage,
    /// When.
    pub on: Date,
    /// Whether it takes the one before back.
    pub reversal: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Left {
    Advanced,
    Withdrawn,
    /// Not known to have left.
    Waiting,
}

/// A stay at a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stay {
    step: usize,
    from: Date,
    until: Date,
    left: Left,
    /// Whether the candidate is there as of the day looked from.
    present: bool,
}

impl Stay {
    /// Whole years begun: 0 in the first.
    fn years(&self) -> usize {
        years_between(self.from, self.until)
    }
}

fn years_between(from: Date, until: Date) -> usize {
    let days = (until - from).get_days().max(0);
    usize::try_from(f64::from(days) as i64 * 100 / 36_525).unwrap_or(0)
}

/// What the record up to a day says.
#[derive(Debug, Clone)]
pub struct History {
    as_of: Date,
    first_on: Option<Date>,
    stays: Vec<Stay>,
    entries: Vec<(Stage, Date)>,
    released_on: Vec<Date>,
}

fn step_of(stage: Stage) -> Option<usize> {
    Stage::LADDER[..STEPS_N].iter().position(|s| *s == stage)
}

impl History {
    /// Reads each candidate's moves up to a day.
    pub fn read(candidates: &[Vec<Move>], as_of: Date) -> Self {
        let mut history = Self {
            as_of,
            first_on: None,
            stays: Vec::new(),
            entries: Vec::new(),
            released_on: Vec::new(),
        };
        for moves in candidates {
            history.read_one(moves);
        }
        history
    }

    fn read_one(&mut self, moves: &[Move]) {
        let mut stays: Vec<Stay> = Vec::new();
        let mut at: Option<(Stage, Date)> = None;
        let mut released: Vec<Date> = Vec::new();
        for made in moves.iter().filter(|made| made.on <= self.as_of) {
            match at {
                None => {
                    self.entries.push((made.to, made.on));
                    self.first_on = Some(self.first_on.map_or(made.on, |on| on.min(made.on)));
                }
                Some((stage, since)) => {
                    if made.reversal {
                        // The decision taken back counts as never made: the stay goes on.
                        if stage == Stage::Released {
                            released.pop();
                        }
                        if let Some(last) = stays.last()
                            && Some(last.step) == step_of(made.to)
                        {
                            let since = last.from;
                            stays.pop();
                            at = Some((made.to, since));
                            continue;
                        }
                    } else if let Some(step) = step_of(stage) {
                        let left = if made.to == Stage::Withdrawn {
                            Left::Withdrawn
                        } else {
                            Left::Advanced
                        };
                        stays.push(Stay {
                            step,
                            from: since,
                            until: made.on,
                            left,
                            present: false,
                        });
                    }
                }
            }
            if made.to == Stage::Released {
                released.push(made.on);
            }
            at = Some((made.to, made.on));
        }
        if let Some((stage, since)) = at
            && let Some(step) = step_of(stage)
        {
            stays.push(Stay {
                step,
                from: since,
                until: self.as_of,
                left: Left::Waiting,
                present: true,
            });
        }
        self.stays.extend(stays);
        self.released_on.extend(released);
    }

    fn counted(&self, step: usize, left: Left) -> u32 {
        let n = self
            .stays
            .iter()
            .filter(|s| s.step == step && s.left == left)
            .count();
        u32::try_from(n).unwrap_or(u32::MAX)
    }

    fn decisions_n(&self) -> u32 {
        (0..STEPS_N)
            .map(|step| self.counted(step, Left::Advanced) + self.counted(step, Left::Withdrawn))
            .sum()
    }
}

/// Posterior of one step.
#[derive(Debug, Clone)]
struct StepBelief {
    chance: (f64, f64),
    hazards: [(f64, f64); YEARS_OF_HAZARD],
}

impl StepBelief {
    fn of(history: &History, step: usize) -> Self {
        let (alpha, beta, mean_years) = PRIORS[step];
        let wait = GammaLaw::new(WAIT_SHAPE, WAIT_SHAPE / mean_years)
            .expect("shape and rate are positive constants");
        let mut hazards = [(0.0, 0.0); YEARS_OF_HAZARD];
        for (k, hazard) in hazards.iter_mut().enumerate() {
            let (before, after) = (wait.cdf(k as f64), wait.cdf(k as f64 + 1.0));
            let h = ((after - before) / (1.0 - before)).clamp(0.01, 0.95);
            *hazard = (HAZARD_WEIGHT * h, HAZARD_WEIGHT * (1.0 - h));
        }
        for stay in history.stays.iter().filter(|s| s.step == step) {
            let years = stay.years();
            for k in 0..years {
                hazards[k.min(YEARS_OF_HAZARD - 1)].1 += 1.0;
            }
            if stay.left != Left::Waiting {
                hazards[years.min(YEARS_OF_HAZARD - 1)].0 += 1.0;
            }
        }
        Self {
            chance: (
                alpha + f64::from(history.counted(step, Left::Advanced)),
                beta + f64::from(history.counted(step, Left::Withdrawn)),
            ),
            hazards,
        }
    }

    fn draw(&self, rng: &mut ChaCha8Rng) -> StepDraw {
        StepDraw {
            chance: draw_beta(self.chance, rng),
            hazards: self.hazards.map(|h| draw_beta(h, rng)),
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct StepDraw {
    chance: f64,
    hazards: [f64; YEARS_OF_HAZARD],
}

impl StepDraw {
    /// Mean years at the stage, a stay counting to the middle of the year in which it ends.
    fn mean_years(&self) -> f64 {
        let mut staying = 1.0;
        let mut mean = 0.0;
        for (k, h) in self.hazards.iter().enumerate() {
            if k + 1 < YEARS_OF_HAZARD {
                mean += staying * h * (k as f64 + 0.5);
                staying *= 1.0 - h;
            } else {
                mean += staying * (k as f64 - 0.5 + 1.0 / h.max(0.01));
            }
        }
        mean
    }
}

fn draw_beta((a, b): (f64, f64), rng: &mut ChaCha8Rng) -> f64 {
    Beta::new(a, b)
        .expect("both counts are above 0")
        .sample(rng)
}

fn draw_binomial(n: u64, p: f64, rng: &mut ChaCha8Rng) -> u64 {
    if n == 0 {
        return 0;
    }
    Binomial::new(n, p.clamp(0.0, 1.0))
        .expect("p lies within 0 to 1")
        .sample(rng)
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
        let at = |q: f64| values[((values.len() - 1) as f64 * q).round() as usize];
        Self {
            mean: values.iter().sum::<f64>() / values.len() as f64,
            median: at(0.5),
            half: (at(0.25), at(0.75)),
            most: (at(0.05), at(0.95)),
            chance_any: values.iter().filter(|v| **v > 0.0).count() as f64 / values.len() as f64,
        }
    }
}

/// What is said of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepForecast {
    /// From this stage.
    pub from: Stage,
    /// To this one.
    pub to: Stage,
    /// Went on.
    pub advanced_n: u32,
    /// Were withdrawn.
    pub withdrawn_n: u32,
    /// Still wait.
    pub waiting_n: u32,
    /// Prior of the chance.
    pub prior: (f64, f64),
    /// Chance of going on.
    pub chance: Spread,
    /// Years at the stage.
    pub years: Spread,
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
    /// Share of the expected years to release that is spent here.
    pub share_of_time: f64,
}

/// The forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Releases in each year ahead.
    pub releases: Vec<(i16, Spread)>,
    /// Each step.
    pub steps: Vec<StepForecast>,
    /// Each stage before release.
    pub loads: Vec<StageLoad>,
}

/// Plays the pipeline forward.
pub fn forecast(history: &History, years: u32, runs: u32, seed: u64) -> Forecast {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let beliefs: Vec<StepBelief> = (0..STEPS_N)
        .map(|step| StepBelief::of(history, step))
        .collect();
    // Candidates there now, by stage and years there.
    let mut present = [[0_u64; YEARS_OF_HAZARD]; STEPS_N];
    for stay in history.stays.iter().filter(|s| s.present) {
        present[stay.step][stay.years().min(YEARS_OF_HAZARD - 1)] += 1;
    }
    let entry_beliefs = entries(history);

    let (years, runs) = (years as usize, runs as usize);
    let mut released = vec![Vec::new(); years];
    let mut load = vec![[0.0_f64; STEPS_N]; years];
    let mut chances = vec![Vec::new(); STEPS_N];
    let mut waits = vec![Vec::new(); STEPS_N];
    for _ in 0..runs {
        let draws: Vec<StepDraw> = beliefs.iter().map(|b| b.draw(&mut rng)).collect();
        for (step, draw) in draws.iter().enumerate() {
            chances[step].push(draw.chance);
            waits[step].push(draw.mean_years());
        }
        let rates = entry_beliefs.map(|(shape, years)| {
            Gamma::new(shape, 1.0 / years)
                .expect("shape and years are above 0")
                .sample(&mut rng)
        });
        let mut state = present;
        for year in 0..years {
            let mut going_on = [0_u64; STEPS_N];
            for (step, draw) in draws.iter().enumerate() {
                let mut older = [0_u64; YEARS_OF_HAZARD];
                for k in 0..YEARS_OF_HAZARD {
                    let leaving = draw_binomial(state[step][k], draw.hazards[k], &mut rng);
                    going_on[step] += draw_binomial(leaving, draw.chance, &mut rng);
                    older[(k + 1).min(YEARS_OF_HAZARD - 1)] += state[step][k] - leaving;
                }
                state[step] = older;
            }
            released[year].push(going_on[STEPS_N - 1] as f64);
            for step in 0..STEPS_N {
                let new = if rates[step] > 0.0 {
                    Poisson::new(rates[step]).map_or(0.0, |law| law.sample(&mut rng)) as u64
                } else {
                    0
                };
                state[step][0] += new + if step > 0 { going_on[step - 1] } else { 0 };
                load[year][step] += state[step].iter().sum::<u64>() as f64 / runs as f64;
            }
        }
    }

    let label =
        |year: usize| history.as_of.year() + i16::try_from(year).unwrap_or(i16::MAX - 9999) + 1;
    let steps: Vec<StepForecast> = chances
        .into_iter()
        .zip(waits)
        .enumerate()
        .map(|(step, (chance, wait))| StepForecast {
            from: Stage::LADDER[step],
            to: Stage::LADDER[step + 1],
            advanced_n: history.counted(step, Left::Advanced),
            withdrawn_n: history.counted(step, Left::Withdrawn),
            waiting_n: history.counted(step, Left::Waiting),
            prior: (PRIORS[step].0, PRIORS[step].1),
            chance: Spread::of(chance),
            years: Spread::of(wait),
        })
        .collect();
    let all_years: f64 = steps.iter().map(|s| s.years.mean).sum();
    let loads = (0..STEPS_N)
        .map(|step| {
            let peak = load
                .iter()
                .enumerate()
                .map(|(year, stages)| (stages[step], label(year)))
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or((0.0, history.as_of.year()));
            StageLoad {
                stage: Stage::LADDER[step],
                waiting_n: history.counted(step, Left::Waiting),
                peak,
                share_of_time: steps[step].years.mean / all_years,
            }
        })
        .collect();
    Forecast {
        releases: released
            .into_iter()
            .enumerate()
            .map(|(year, counts)| (label(year), Spread::of(counts)))
            .collect(),
        steps,
        loads,
    }
}

/// Shape and years of the rate of new candidates at each stage.
fn entries(history: &History) -> [(f64, f64); STEPS_N] {
    let since = history.as_of.saturating_sub(i64::from(ENTRY_YEARS).years());
    let seen = history.first_on.map_or(1.0, |first| {
        (f64::from((history.as_of - first.max(since)).get_days()) / 365.25).max(1.0)
    });
    std::array::from_fn(|step| {
        let n = history
            .entries
            .iter()
            .filter(|(stage, on)| step_of(*stage) == Some(step) && *on > since)
            .count();
        (n as f64 + 0.05, seen)
    })
}

/// One year of a back-test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestedYear {
    /// The year.
    pub year: i16,
    /// What was forecast.
    pub forecast: Spread,
    /// What came.
    pub released_n: u32,
}

impl TestedYear {
    /// Whether what came lay within the interval of nine tenths.
    pub fn within(&self) -> bool {
        let came = f64::from(self.released_n);
        self.forecast.most.0 <= came && came <= self.forecast.most.1
    }
}

/// A forecast from what was known some years ago, held against what came since; `None` when too
/// little had been decided by then.
pub fn back_test(
    candidates: &[Vec<Move>],
    as_of: Date,
    runs: u32,
    seed: u64,
) -> Option<(Date, Vec<TestedYear>)> {
    let from = as_of.saturating_sub(i64::from(BACK_TEST_YEARS).years());
    let known = History::read(candidates, from);
    if known.decisions_n() < BACK_TEST_DECISIONS_MIN {
        return None;
    }
    let now = History::read(candidates, as_of);
    let made = forecast(&known, BACK_TEST_YEARS, runs, seed);
    let tested = made
        .releases
        .into_iter()
        .zip(0_i64..)
        .map(|((year, forecast), i)| {
            let (start, end) = (
                from.saturating_add(i.years()),
                from.saturating_add((i + 1).years()),
            );
            let n = now
                .released_on
                .iter()
                .filter(|on| start < **on && **on <= end)
                .count();
            TestedYear {
                year,
                forecast,
                released_n: u32::try_from(n).unwrap_or(u32::MAX),
            }
        })
        .collect();
    Some((from, tested))
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    fn moved(to: Stage, on: Date) -> Move {
        Move {
            to,
            on,
            reversal: false,
        }
    }

    /// Candidates of a programme that goes on with `share_n` of ten at every step, two years each.
    fn programme(n: i64, share_n: i64) -> Vec<Vec<Move>> {
        (0..n)
            .map(|i| {
                let start = date(2000, 3, 1).saturating_add((i % 18).years());
                let mut moves = vec![moved(Stage::Budded, start)];
                for (step, stage) in [Stage::MultiSite, Stage::PreRelease, Stage::Released]
                    .iter()
                    .enumerate()
                {
                    let on = start.saturating_add((2 * (step as i64 + 1)).years());
                    // Mixed, so that the steps decide apart from each other.
                    let mixed = (i * 7 + step as i64 + 1) * 2_654_435_761;
                    let goes_on = (mixed >> 9) % 10 < share_n;
                    let to = if goes_on { *stage } else { Stage::Withdrawn };
                    moves.push(moved(to, on));
                    if !goes_on {
                        break;
                    }
                }
                moves
            })
            .collect()
    }

    #[test]
    fn the_same_seed_gives_the_same_forecast() {
        let history = History::read(&programme(180, 5), date(2016, 6, 1));
        assert_eq!(forecast(&history, 8, 300, 4), forecast(&history, 8, 300, 4));
        assert_ne!(forecast(&history, 8, 300, 4), forecast(&history, 8, 300, 5));
    }

    #[test]
    fn much_history_outweighs_the_prior() {
        let history = History::read(&programme(3600, 8), date(2024, 6, 1));
        let steps = forecast(&history, 3, 400, 1).steps;
        assert!(
            (steps[1].chance.mean - 0.8).abs() < 0.05,
            "{:?}",
            steps[1].chance
        );
        assert!(
            (steps[1].years.mean - 2.3).abs() < 0.4,
            "{:?}",
            steps[1].years
        );
    }

    #[test]
    fn nobody_waiting_and_nobody_new_releases_next_to_nothing() {
        let made = forecast(&History::read(&[], date(2026, 1, 1)), 3, 400, 1);
        assert!(
            made.releases.iter().all(|(_, s)| s.mean < 0.1),
            "{:?}",
            made.releases
        );
        assert_eq!(made.releases[0].0, 2027);
    }

    #[test]
    fn a_move_taken_back_counts_as_never_made() {
        let straight = vec![moved(Stage::Budded, date(2010, 3, 1))];
        let mut back = straight.clone();
        back.push(moved(Stage::Withdrawn, date(2012, 3, 1)));
        back.push(Move {
            to: Stage::Budded,
            on: date(2012, 5, 1),
            reversal: true,
        });
        let of = |moves: Vec<Move>| History::read(&[moves], date(2015, 1, 1)).stays;
        assert_eq!(of(straight), of(back));
    }

    #[test]
    fn a_back_test_holds_the_forecast_against_what_came() {
        let (from, years) = back_test(&programme(360, 6), date(2021, 6, 1), 600, 3).unwrap();
        assert_eq!((from, years.len()), (date(2016, 6, 1), 5));
        assert!(years.iter().any(|y| y.released_n > 0));
        assert!(
            years.iter().filter(|y| y.within()).count() >= 3,
            "{years:?}"
        );
        assert_eq!(back_test(&programme(4, 6), date(2021, 6, 1), 100, 3), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn intervals_hold_each_other(n in 0i64..200, share in 0i64..=10, year in 2002i16..2024) {
            let made = forecast(&History::read(&programme(n, share), date(year, 6, 1)), 5, 120, 9);
            for (_, s) in &made.releases {
                prop_assert!(s.most.0 <= s.half.0 && s.half.0 <= s.median);
                prop_assert!(s.median <= s.half.1 && s.half.1 <= s.most.1);
            }
            let shares: f64 = made.loads.iter().map(|l| l.share_of_time).sum();
            prop_assert!((shares - 1.0).abs() < 1e-9);
        }
    }
}
