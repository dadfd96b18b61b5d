//! Income and cost of rights over the years of a forecast.
//!
//! Nothing is made up: trees and royalties come from licences and their reports or from whoever
//! asks, costs from whoever asks. What is not told is left out, and said to be.

use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::SeedableRng as _;
use rand::seq::IndexedRandom as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;

use super::Spread;
use super::play::Run;
use crate::domain::money::Royalty;

/// Standard deviation of the logarithm of a year's trees that the prior holds.
const PRIOR_SD: f64 = 0.5;
/// Years of reports that the prior counts for.
const PRIOR_YEARS: f64 = 2.0;
/// Half the width of nine tenths of a normal law, in standard deviations.
const NINE_TENTHS: f64 = 1.645;
/// Largest count of trees of one licence in one year.
const TREES_MAX: f64 = 1e9;

/// A quantity that somebody states: nine tenths of belief lie between its ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stated {
    /// Lower end.
    pub low: f64,
    /// Upper end, not below the lower.
    pub high: f64,
}

impl Stated {
    /// A draw: log-normal between ends above 0, else evenly.
    fn draw(self, rng: &mut ChaCha8Rng) -> f64 {
        let z: f64 = StandardNormal.sample(rng);
        if self.low > 0.0 {
            let (a, b) = (self.low.ln(), self.high.ln());
            (f64::midpoint(a, b) + z * (b - a) / (2.0 * NINE_TENTHS)).exp()
        } else {
            let sd = (self.high - self.low) / (2.0 * NINE_TENTHS);
            (f64::midpoint(self.low, self.high) + z * sd).max(0.0)
        }
    }
}

/// A licence that earns by the tree.
#[derive(Debug, Clone)]
pub struct Earner {
    /// What is owed.
    pub royalty: Royalty,
    /// First day.
    pub starts_on: Date,
    /// Last day.
    pub ends_on: Option<Date>,
    /// Trees reported of each year, above 0.
    pub yearly_trees: Vec<f64>,
}

impl Earner {
    /// Share of the twelve months from a day in which it is in force.
    fn share_of_year(&self, from: Date) -> f64 {
        let until = from.saturating_add(1.years());
        let first = self.starts_on.max(from);
        let end = self
            .ends_on
            .map_or(until, |last| last.saturating_add(1.days()).min(until));
        let days = |a: Date, b: Date| f64::from((b - a).get_days().max(0));
        days(first, end) / days(from, until)
    }

    /// Anniversaries of its start up to the middle of the twelve months from a day.
    fn anniversaries(&self, from: Date) -> u32 {
        let middle = from.saturating_add(6.months());
        let years = self
            .starts_on
            .until((jiff::Unit::Year, middle))
            .map_or(0, |span| span.get_years());
        u32::try_from(years).unwrap_or(0)
    }
}

/// What is known of income and cost.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// Licences with reports, in the currency of the plan.
    pub earners: Vec<Earner>,
    /// Trees a year of a new release; from what released candidates reported when not stated.
    pub trees_per_release: Option<Stated>,
    /// Trees a year that each released candidate was reported with, above 0.
    pub reported_per_release: Vec<f64>,
    /// Royalty of a tree of a new release; from licences in force when not stated.
    pub royalty_per_tree: Option<Stated>,
    /// Cost of bringing one candidate to release.
    pub cost_per_release: Option<Stated>,
    /// Yearly cost of keeping the rights of one released candidate.
    pub yearly_cost_per_release: Option<Stated>,
    /// Candidates that stand released now.
    pub released_n: u32,
}

impl Plan {
    /// Whether new releases can be counted as income.
    pub fn new_releases_earn(&self) -> bool {
        let trees = self.trees_per_release.is_some() || !self.reported_per_release.is_empty();
        trees && (self.royalty_per_tree.is_some() || !self.earners.is_empty())
    }

    /// Whether there is any income to tell.
    pub fn has_income(&self) -> bool {
        !self.earners.is_empty() || self.new_releases_earn()
    }

    /// Whether there is any cost to tell.
    pub fn has_cost(&self) -> bool {
        self.cost_per_release.is_some() || self.yearly_cost_per_release.is_some()
    }
}

/// Money of one year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearOfMoney {
    /// Royalties.
    pub income: Option<Spread>,
    /// Costs.
    pub cost: Option<Spread>,
    /// Royalties less costs, where both are told.
    pub balance: Option<Spread>,
}

/// Mean and standard deviation of the logarithms of yearly trees.
#[derive(Debug, Clone, Copy)]
struct Level {
    mean: f64,
    n: f64,
}

fn level(yearly: &[f64]) -> Level {
    let n = yearly.len() as f64;
    Level {
        mean: yearly.iter().map(|t| t.ln()).sum::<f64>() / n,
        n,
    }
}

/// Standard deviation of logarithms within groups, pooled and held to the prior.
fn pooled_sd<'a>(groups: impl Iterator<Item = &'a [f64]>) -> f64 {
    let (mut squares, mut freedom) = (PRIOR_YEARS * PRIOR_SD.powi(2), PRIOR_YEARS);
    for group in groups.filter(|group| group.len() > 1) {
        let mean = level(group).mean;
        squares += group.iter().map(|t| (t.ln() - mean).powi(2)).sum::<f64>();
        freedom += group.len() as f64 - 1.0;
    }
    (squares / freedom).sqrt()
}

/// What a year's trees owe under terms, in the middle of that year.
fn owed(royalty: &Royalty, anniversaries: u32, trees: f64) -> f64 {
    let terms = royalty.after(anniversaries);
    let quantity = Decimal::from(trees.round().clamp(0.0, TREES_MAX) as u64);
    let lines = terms.stretches(Decimal::ZERO, quantity);
    let sum: Decimal = lines.iter().map(|(n, rate)| *n * *rate).sum();
    let least = terms.minimum.unwrap_or_default();
    sum.max(least).to_f64().unwrap_or(0.0)
}

/// Plays income and cost along the runs of a forecast.
pub fn play_money(plan: &Plan, runs: &[Run], as_of: Date, seed: u64) -> Vec<YearOfMoney> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x006d_6f6e_6579);
    let years = runs.first().map_or(0, |run| run.released.len());
    let sd = pooled_sd(plan.earners.iter().map(|e| e.yearly_trees.as_slice()));
    let between_sd = pooled_sd(std::iter::once(plan.reported_per_release.as_slice()));
    let rates: Vec<f64> = plan
        .earners
        .iter()
        .filter_map(|earner| earner.royalty.amount.to_f64())
        .collect();
    let levels: Vec<Level> = plan
        .earners
        .iter()
        .map(|e| level(&e.yearly_trees))
        .collect();
    let of_releases =
        (!plan.reported_per_release.is_empty()).then(|| level(&plan.reported_per_release));
    let (mut income, mut cost) = (vec![Vec::new(); years], vec![Vec::new(); years]);
    let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
    for run in runs {
        let licence_levels: Vec<f64> = levels
            .iter()
            .map(|at| at.mean + sd * normal(&mut rng) / at.n.sqrt())
            .collect();
        let rate = match plan.royalty_per_tree {
            Some(stated) => stated.draw(&mut rng),
            None => rates.choose(&mut rng).copied().unwrap_or(0.0),
        };
        let per_release = plan.cost_per_release.map(|stated| stated.draw(&mut rng));
        let yearly = plan
            .yearly_cost_per_release
            .map(|stated| stated.draw(&mut rng));
        // Trees a year of each candidate released in the forecast, from the year after.
        let mut selling = 0.0;
        let mut standing = f64::from(plan.released_n);
        for year in 0..years {
            let from = as_of.saturating_add((year as i64).years());
            let mut earned = 0.0;
            for (earner, at) in plan.earners.iter().zip(&licence_levels) {
                let share = earner.share_of_year(from);
                if share > 0.0 {
                    let trees = (at + sd * normal(&mut rng)).exp();
                    earned += share * owed(&earner.royalty, earner.anniversaries(from), trees);
                }
            }
            if plan.new_releases_earn() {
                earned += selling * rate;
            }
            let new = run.released[year];
            let spent =
                f64::from(new) * per_release.unwrap_or(0.0) + standing * yearly.unwrap_or(0.0);
            standing += f64::from(new);
            for _ in 0..new {
                selling += match (plan.trees_per_release, of_releases) {
                    (Some(stated), _) => stated.draw(&mut rng),
                    (None, Some(at)) => {
                        let spread = between_sd * (1.0 + 1.0 / at.n).sqrt();
                        (at.mean + spread * normal(&mut rng)).exp()
                    }
                    (None, None) => 0.0,
                };
            }
            income[year].push(earned);
            cost[year].push(spent);
        }
    }
    income
        .into_iter()
        .zip(cost)
        .map(|(income, cost)| {
            let balance = income.iter().zip(&cost).map(|(i, c)| i - c).collect();
            let both = plan.has_income() && plan.has_cost();
            YearOfMoney {
                income: plan.has_income().then(|| Spread::of(income)),
                cost: plan.has_cost().then(|| Spread::of(cost)),
                balance: both.then(|| Spread::of(balance)),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::domain::forecast::STEPS_N;

    fn runs(released: &[u32], n: usize) -> Vec<Run> {
        vec![
            Run {
                released: released.to_vec(),
                went_on: vec![[0; STEPS_N]; released.len()],
                waiting: vec![[0; STEPS_N]; released.len()],
                drawn: [[(0.5, 2.0); 4]; STEPS_N],
            };
            n
        ]
    }

    fn earner(trees: &[f64], ends_on: Option<Date>) -> Earner {
        Earner {
            royalty: Royalty {
                per: "tree".to_owned(),
                amount: Decimal::new(200, 2),
                currency: "USD".to_owned(),
                steps: Vec::new(),
                minimum: None,
                yearly_increase_percent: None,
            },
            starts_on: date(2020, 1, 1),
            ends_on,
            yearly_trees: trees.to_vec(),
        }
    }

    #[test]
    fn what_nobody_told_is_left_out() {
        let made = play_money(&Plan::default(), &runs(&[1, 1], 50), date(2026, 1, 1), 1);
        assert_eq!(made.len(), 2);
        assert!(
            made.iter()
                .all(|year| year.income.is_none() && year.cost.is_none())
        );
        let costs = Plan {
            cost_per_release: Some(Stated {
                low: 100.0,
                high: 100.0,
            }),
            ..Plan::default()
        };
        let made = play_money(&costs, &runs(&[2, 0], 50), date(2026, 1, 1), 1);
        assert!((made[0].cost.unwrap().mean - 200.0).abs() < 1e-9);
        assert!(made[0].balance.is_none());
    }

    #[test]
    fn a_licence_earns_until_it_ends() {
        let plan = Plan {
            earners: vec![earner(&[1000.0, 1000.0, 1000.0], Some(date(2027, 12, 31)))],
            ..Plan::default()
        };
        let made = play_money(&plan, &runs(&[0, 0, 0], 4000), date(2026, 1, 1), 1);
        let median = made[0].income.unwrap().median;
        assert!((median - 2000.0).abs() < 120.0, "{median}");
        assert!(made[1].income.unwrap().mean > 1500.0);
        assert_eq!(made[2].income.unwrap().mean, 0.0, "it ended before");
        let half = earner(&[1000.0], Some(date(2026, 6, 30))).share_of_year(date(2026, 1, 1));
        assert!((half - 181.0 / 365.0).abs() < 1e-9);
    }

    #[test]
    fn new_releases_earn_from_the_year_after_and_cost_at_once() {
        let sure = |value| {
            Some(Stated {
                low: value,
                high: value,
            })
        };
        let plan = Plan {
            trees_per_release: sure(1000.0),
            royalty_per_tree: sure(1.5),
            cost_per_release: sure(5000.0),
            yearly_cost_per_release: sure(100.0),
            released_n: 2,
            ..Plan::default()
        };
        let made = play_money(&plan, &runs(&[1, 0, 0], 10), date(2026, 1, 1), 1);
        let means: Vec<(f64, f64, f64)> = made
            .iter()
            .map(|y| {
                (
                    y.income.unwrap().mean,
                    y.cost.unwrap().mean,
                    y.balance.unwrap().mean,
                )
            })
            .collect();
        for ((income, cost, balance), wanted) in means.iter().zip([
            (0.0, 5200.0, -5200.0),
            (1500.0, 300.0, 1200.0),
            (1500.0, 300.0, 1200.0),
        ]) {
            assert!((income - wanted.0).abs() < 1e-6, "{means:?}");
            assert!((cost - wanted.1).abs() < 1e-6, "{means:?}");
            assert!((balance - wanted.2).abs() < 1e-6, "{means:?}");
        }
    }

    #[test]
    fn a_stated_range_holds_nine_tenths() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let range = Stated {
            low: 2.0,
            high: 8.0,
        };
        let within = (0..4000)
            .filter(|_| (2.0..=8.0).contains(&range.draw(&mut rng)))
            .count();
        assert!((3500..=3700).contains(&within), "{within}");
    }
}
