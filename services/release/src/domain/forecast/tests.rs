use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Gamma, Poisson};

use super::*;

/// A programme whose truth is known: candidates come budded at a rate, wait gamma-distributed
/// times and go on with a chance of their kind of cross.
struct Truth {
    yearly: f64,
    chances: [(KindOfCross, [f64; 3]); 2],
    mean_years: [f64; 3],
}

const TRUTH: Truth = Truth {
    yearly: 14.0,
    chances: [
        (KindOfCross::WithinSpecies, [0.35, 0.45, 0.7]),
        (KindOfCross::BetweenSpecies, [0.15, 0.3, 0.7]),
    ],
    mean_years: [3.0, 3.5, 2.0],
};

impl Truth {
    fn courses(&self, from: i16, until: i16, seed: u64) -> Vec<Course> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let yearly = Poisson::new(self.yearly).unwrap();
        let mut courses = Vec::new();
        for year in from..until {
            for _ in 0..yearly.sample(&mut rng) as u32 {
                let (cross, chances) = self.chances[usize::from(rng.random_bool(0.3))];
                let start = date(year, 1, 1).saturating_add(rng.random_range(0..365_i64).days());
                courses.push(self.course(cross, chances, start, &mut rng));
            }
        }
        courses
    }

    fn course(
        &self,
        cross: KindOfCross,
        chances: [f64; 3],
        start: Date,
        rng: &mut ChaCha8Rng,
    ) -> Course {
        let mut moves = vec![moved(Stage::Budded, start)];
        let mut on = start;
        for (step, to) in [Stage::MultiSite, Stage::PreRelease, Stage::Released]
            .into_iter()
            .enumerate()
        {
            let wait = Gamma::new(4.0, self.mean_years[step] / 4.0)
                .unwrap()
                .sample(rng);
            on = on.saturating_add(((wait * 365.25).round() as i64).days());
            let goes_on = rng.random_bool(chances[step]);
            moves.push(moved(if goes_on { to } else { Stage::Withdrawn }, on));
            if !goes_on {
                break;
            }
        }
        Course { cross, moves }
    }
}

fn moved(to: Stage, on: Date) -> Move {
    Move {
        to,
        on,
        reversal: false,
    }
}

#[test]
fn the_same_seed_gives_the_same_forecast() {
    let history = History::read(&TRUTH.courses(2000, 2016, 1), date(2016, 6, 1));
    assert_eq!(forecast(&history, 6, 120, 4), forecast(&history, 6, 120, 4));
    assert_ne!(forecast(&history, 6, 120, 4), forecast(&history, 6, 120, 5));
}

#[test]
fn a_simulated_programmes_truth_is_recovered() {
    let history = History::read(&TRUTH.courses(1960, 2025, 7), date(2025, 6, 1));
    let made = forecast(&history, 2, 400, 1);
    for step in 1..STEPS_N {
        let told = &made.steps[step];
        for of_kind in &told.by_kind {
            let (_, chances) = TRUTH
                .chances
                .iter()
                .find(|(kind, _)| Some(*kind) == of_kind.cross)
                .expect("only kinds of the truth are on record");
            let (low, high) = of_kind.chance.most;
            let truth = chances[step - 1];
            // Twelve intervals and their widths: a little beyond nine tenths is let pass.
            let slack = 0.5 * (high - low);
            assert!(
                low - slack <= truth && truth <= high + slack,
                "{:?} from {}: {low:.3} to {high:.3} for {truth}",
                of_kind.cross,
                told.from
            );
        }
        let (years, truth) = (told.all.years.mean, TRUTH.mean_years[step - 1]);
        assert!(
            (years - truth).abs() < 0.3,
            "{}: {years} for {truth}",
            told.from
        );
    }
    // What comes to release in a steady state: those who come, times the chances along the way.
    let expected: f64 = TRUTH
        .chances
        .iter()
        .zip([0.7, 0.3])
        .map(|((_, chances), share)| TRUTH.yearly * share * chances.iter().product::<f64>())
        .sum();
    let got = made.releases.iter().map(|(_, s)| s.mean).sum::<f64>() / 2.0;
    assert!(
        (got - expected).abs() < 0.4 * expected,
        "{got} for {expected}"
    );
}

#[test]
fn nobody_waiting_and_nobody_new_releases_nothing() {
    let made = forecast(&History::read(&[], date(2026, 1, 1)), 3, 200, 1);
    assert!(
        made.releases.iter().all(|(_, s)| s.mean == 0.0),
        "{:?}",
        made.releases
    );
    assert_eq!(made.releases[0].0, 2027);
    // The priors are all that is left, and are told as they are.
    for step in &made.steps {
        let (a, b) = step.prior;
        assert!(
            (step.all.chance.mean - a / (a + b)).abs() < 0.05,
            "{step:?}"
        );
        assert!(step.by_kind.is_empty());
    }
}

#[test]
fn everyone_is_somewhere() {
    let courses = TRUTH.courses(2005, 2015, 3);
    let history = History::read(&courses, date(2015, 1, 1));
    let now: u32 = (0..STEPS_N)
        .map(|s| history.counted(s, None, Left::Waiting))
        .sum();
    for run in forecast(&history, 4, 60, 2).runs {
        // Those there at the end came from those there now or are new; nobody is made on the way.
        let went: Vec<u32> = (0..STEPS_N)
            .map(|step| run.went_on.iter().map(|steps| steps[step]).sum())
            .collect();
        assert_eq!(went[STEPS_N - 1], run.released.iter().sum::<u32>());
        assert!(
            went[2] <= now + 400 && went[3] <= went[2] + history.counted(3, None, Left::Waiting)
        );
    }
}

#[test]
fn blind_forecasts_of_a_simulated_programme_hold_what_came() {
    let courses = TRUTH.courses(1985, 2026, 11);
    let test = back_test(&courses, date(2025, 12, 31), 250, 3).unwrap();
    assert!(test.cases.len() > 80, "{}", test.cases.len());
    for coverage in &test.coverage {
        assert!(coverage.expected >= coverage.level - 0.02, "{coverage:?}");
        assert!(
            (coverage.observed - coverage.expected).abs() < 0.15,
            "{coverage:?}"
        );
    }
    let first = test.cases.first().unwrap();
    assert_eq!(
        (first.from, first.counted),
        (date(2010, 12, 31), Counted::Releases)
    );
    // What came is the same whenever it is forecast.
    let came = |until| {
        test.cases
            .iter()
            .filter(|c| c.counted == Counted::Releases && c.until == until)
            .map(|c| c.came_n)
            .collect::<std::collections::BTreeSet<_>>()
    };
    assert_eq!(came(date(2020, 12, 31)).len(), 1);
    assert_eq!(back_test(&courses[..3], date(1990, 1, 1), 50, 3), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn intervals_hold_each_other(seed in 0_u64..1000, from in 1995_i16..2012, years in 1_u32..6) {
        let history = History::read(&TRUTH.courses(from, 2012, seed), date(2012, 6, 1));
        let made = forecast(&history, years, 60, 9);
        let spreads = made.releases.iter().chain(made.loads.iter().flat_map(|l| &l.years));
        for (_, s) in spreads {
            prop_assert!(s.most.0 <= s.half.0 && s.half.0 <= s.median);
            prop_assert!(s.median <= s.half.1 && s.half.1 <= s.most.1);
        }
        let shares: f64 = made.loads.iter().map(|l| l.share_of_time).sum();
        prop_assert!((shares - 1.0).abs() < 1e-9);
        let ahead: f64 = made.releases.iter().map(|(_, s)| s.mean).sum();
        prop_assert!((ahead - made.total.mean).abs() < 1e-9);
    }
}
