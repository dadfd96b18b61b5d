//! Trials simulated where the truth is known, and whether what is told of them comes true.
//!
//! The usual run simulates few trials of each kind, with tolerances for so few;
//! `DRUPELINE_CALIBRATION=200` simulates so many of each and prints the table in DEVELOPERS.md.

use std::sync::Arc;

use pedigree::{ParentInbreeding, Pedigree, PlantRecord};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::joint::{chances, gain};
use super::{Past, Relatives, Share, Tree, Trial, Value, figures};
use crate::mixed::Relationship;

/// Kinds of trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    OwnRootOneYear,
    OwnRootThreeYears,
    Budded,
    MultiSite,
    WithDeaths,
    SibsWithPedigree,
}

pub(crate) const KINDS: [(Kind, &str); 6] = [
    (Kind::OwnRootOneYear, "own-root, one year"),
    (Kind::OwnRootThreeYears, "own-root, three years"),
    (Kind::Budded, "budded"),
    (Kind::MultiSite, "multi-site"),
    (Kind::WithDeaths, "unbalanced with deaths"),
    (Kind::SibsWithPedigree, "sibs with pedigree"),
];

/// A simulated trial with its truth.
pub(crate) struct Simulated {
    pub(crate) trees: Vec<Tree>,
    pub(crate) values: Vec<Value>,
    pub(crate) is_check: Vec<bool>,
    pub(crate) relatives: Option<Relatives>,
    pub(crate) past: Past,
    pub(crate) truth: Vec<f64>,
}

impl Simulated {
    pub(crate) fn trial(&self) -> Trial<'_> {
        Trial {
            trees: &self.trees,
            values: &self.values,
            is_check: &self.is_check,
            relatives: self.relatives.as_ref(),
            past: &self.past,
        }
    }
}

/// Variances of one trial, each drawn anew for every trial.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Truth {
    pub(crate) entry: f64,
    pub(crate) tree: f64,
    pub(crate) entry_site: f64,
    pub(crate) entry_year: f64,
    pub(crate) error: f64,
}

impl Truth {
    fn drawn(rng: &mut ChaCha12Rng) -> Self {
        let mut within = |low: f64, high: f64| rng.random_range(low..high);
        Self {
            entry: within(0.5, 1.5),
            tree: within(0.2, 1.4),
            entry_site: within(0.1, 0.6),
            entry_year: within(0.1, 0.5),
            error: within(0.5, 1.5),
        }
    }

    fn of_trees(&self) -> f64 {
        self.entry / (self.entry + self.tree)
    }

    fn of_records(&self) -> f64 {
        self.entry / (self.entry + self.tree + self.entry_year + self.error)
    }
}

/// Twelve in a hundred trees die each year.
const DEATH_POINT: f64 = -1.175;

struct Design {
    entries: usize,
    checks: usize,
    sites: usize,
    trees: usize,
    years: usize,
    /// Whether trees die.
    deaths: bool,
}

fn design(kind: Kind) -> Design {
    let (entries, checks, sites, trees, years, deaths) = match kind {
        Kind::OwnRootOneYear => (100, 0, 1, 1, 1, false),
        Kind::OwnRootThreeYears => (100, 0, 1, 1, 3, false),
        Kind::Budded => (60, 0, 1, 4, 2, false),
        Kind::MultiSite => (40, 2, 3, 2, 2, false),
        Kind::WithDeaths => (70, 3, 1, 3, 3, true),
        Kind::SibsWithPedigree => (160, 0, 1, 1, 3, false),
    };
    Design {
        entries,
        checks,
        sites,
        trees,
        years,
        deaths,
    }
}

/// Six earlier trials of the same programme, whose shares differ from trial to trial and are known
/// with some error.
fn earlier(share: fn(&Truth) -> f64, rng: &mut ChaCha12Rng) -> Option<Share> {
    let found: Vec<(f64, f64)> = (0..6)
        .map(|_| {
            let error: f64 = StandardNormal.sample(rng);
            (share(&Truth::drawn(rng)) + 0.05 * error, 0.05)
        })
        .collect();
    Share::after(&found, "six earlier trials".to_owned())
}

/// Additive values and relationship of full sibs of twenty-four crosses among fourteen parents.
fn sibs(entries: usize, variance: f64, rng: &mut ChaCha12Rng) -> (Vec<f64>, Relatives) {
    const PARENTS: usize = 14;
    const CROSSES: usize = 24;
    let mut normal = |sd: f64| {
        let z: f64 = StandardNormal.sample(rng);
        sd * z
    };
    let parents: Vec<f64> = (0..PARENTS).map(|_| normal(variance.sqrt())).collect();
    let pair = |cross: usize| (cross % PARENTS, (cross * 5 + 3 + cross / PARENTS) % PARENTS);
    let mut records: Vec<PlantRecord<String>> = (0..PARENTS)
        .map(|p| PlantRecord::of_parents(format!("parent {p:02}"), None, None))
        .collect();
    let mut values = Vec::new();
    for entry in 0..entries {
        let (a, b) = match pair(entry % CROSSES) {
            (a, b) if a == b => (a, (b + 1) % PARENTS),
            pair => pair,
        };
        values.push((parents[a] + parents[b]) / 2.0 + normal((variance / 2.0).sqrt()));
        records.push(PlantRecord::of_parents(
            format!("{entry:07}"),
            Some(format!("parent {a:02}")),
            Some(format!("parent {b:02}")),
        ));
    }
    let pedigree = Pedigree::from_records(records).unwrap();
    let inverse = pedigree
        .relationship_inverse(ParentInbreeding::Counted)
        .unwrap();
    let relationship = Relationship::new(
        inverse.ids().to_vec(),
        inverse.lower_triangle().iter().copied(),
        inverse.log_determinant(),
    )
    .unwrap();
    let relatives = Relatives {
        relationship: Arc::new(relationship),
        level_of: (0..entries).map(|e| Some(format!("{e:07}"))).collect(),
    };
    (values, relatives)
}

pub(crate) fn simulate(kind: Kind, seed: u64) -> Simulated {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let truth = Truth::drawn(&mut rng);
    simulate_with(kind, &truth, &mut rng)
}

pub(crate) fn simulate_with(kind: Kind, truth: &Truth, rng: &mut ChaCha12Rng) -> Simulated {
    let design = design(kind);
    let all = design.entries + design.checks;
    let past = match kind {
        Kind::OwnRootOneYear => Past {
            of_records: earlier(Truth::of_records, rng),
            ..Past::default()
        },
        Kind::OwnRootThreeYears => Past {
            of_trees: earlier(Truth::of_trees, rng),
            ..Past::default()
        },
        _ => Past::default(),
    };
    let (additive, relatives) = if kind == Kind::SibsWithPedigree {
        let (values, relatives) = sibs(design.entries, truth.entry, rng);
        (Some(values), Some(relatives))
    } else {
        (None, None)
    };
    let mut normal = |variance: f64| {
        let z: f64 = StandardNormal.sample(rng);
        variance.sqrt() * z
    };
    let own: Vec<f64> = match additive {
        Some(values) => values,
        None => (0..all).map(|_| normal(truth.entry)).collect(),
    };
    let site_error: Vec<f64> = (0..design.sites)
        .map(|s| match design.sites {
            1 => truth.error,
            _ => truth.error * (0.6 + 0.4 * s as f64),
        })
        .collect();
    let environment: Vec<f64> = (0..design.sites * design.years)
        .map(|_| normal(2.0))
        .collect();
    let by_site: Vec<f64> = (0..all * design.sites)
        .map(|_| {
            if design.sites > 1 {
                normal(truth.entry_site)
            } else {
                0.0
            }
        })
        .collect();
    let by_year: Vec<f64> = (0..all * design.years)
        .map(|_| normal(truth.entry_year))
        .collect();
    let (mut trees, mut values) = (Vec::new(), Vec::new());
    for site in 0..design.sites {
        for replicate in 0..design.trees {
            let of_replicate = normal(0.3);
            // Entries are randomised in each replicate, as trends over the ground would be theirs
            // otherwise.
            let lots: Vec<f64> = (0..all).map(|_| normal(1.0)).collect();
            let column = |entry: usize| {
                let before = lots.iter().filter(|lot| **lot < lots[entry]).count();
                before as i32 + 1
            };
            for entry in 0..all {
                let tree = trees.len();
                let lasting = normal(truth.tree);
                trees.push(Tree {
                    entry,
                    site,
                    replicate: replicate as i32 + 1,
                    block: replicate as i32 + 1,
                    rootstock: 0,
                    row: replicate as i32 + 1,
                    column: column(entry),
                });
                for year in 0..design.years {
                    // A normal deviate under this point comes about as often as a tree dies.
                    let died = design.deaths && normal(1.0) < DEATH_POINT;
                    if died {
                        break;
                    }
                    values.push(Value {
                        tree,
                        year: 2020 + year as i16,
                        value: 20.0
                            + environment[site * design.years + year]
                            + of_replicate
                            + own[entry]
                            + by_site[entry * design.sites + site]
                            + by_year[entry * design.years + year]
                            + lasting
                            + normal(site_error[site]),
                    });
                }
            }
        }
    }
    Simulated {
        trees,
        values,
        is_check: (0..all).map(|e| e >= design.entries).collect(),
        relatives,
        past,
        truth: own,
    }
}

/// What came of many trials of a kind.
#[derive(Debug, Default)]
struct Tally {
    trials_n: usize,
    told: f64,
    realised: f64,
    differences: Vec<f64>,
    held: usize,
    untold: usize,
    /// By fifth of probability: told, came true, candidates.
    bins: [(f64, f64, f64); 5],
}

impl Tally {
    fn take(&mut self, simulated: &Simulated, seed: u64) {
        let told = figures(&simulated.trial(), seed).unwrap();
        self.trials_n += 1;
        let entries = &told.true_values.entries;
        let keep = entries.len() / 10;
        let mut order: Vec<usize> = (0..entries.len()).collect();
        order.sort_by(|&a, &b| {
            told.predictions[b]
                .expected
                .total_cmp(&told.predictions[a].expected)
        });
        let kept: Vec<usize> = order.iter().take(keep).map(|&k| entries[k]).collect();
        let Some(gain) = gain(&told.true_values, &told.predictions, &kept) else {
            self.untold += 1;
            return;
        };
        let mean =
            |of: &[usize]| of.iter().map(|&e| simulated.truth[e]).sum::<f64>() / of.len() as f64;
        let realised = mean(&kept) - mean(entries);
        self.told += gain.expected;
        self.realised += realised;
        self.differences.push(gain.expected - realised);
        self.held += usize::from((gain.low..=gain.high).contains(&realised));
        let mut truly: Vec<usize> = (0..entries.len()).collect();
        truly.sort_by(|&a, &b| simulated.truth[entries[b]].total_cmp(&simulated.truth[entries[a]]));
        let best: std::collections::HashSet<usize> = truly.into_iter().take(keep).collect();
        for (k, chance) in chances(&told.true_values.draws, keep)
            .into_iter()
            .enumerate()
        {
            let bin = &mut self.bins[((chance * 5.0) as usize).min(4)];
            bin.0 += chance;
            bin.1 += f64::from(best.contains(&k));
            bin.2 += 1.0;
        }
    }

    fn ratio(&self) -> f64 {
        self.told / self.realised
    }

    /// Standard error of the ratio.
    fn ratio_se(&self) -> f64 {
        let n = self.differences.len() as f64;
        let mean = self.differences.iter().sum::<f64>() / n;
        let variance = self
            .differences
            .iter()
            .map(|d| (d - mean).powi(2))
            .sum::<f64>()
            / (n - 1.0);
        (variance / n).sqrt() / (self.realised / n)
    }

    fn held_share(&self) -> f64 {
        self.held as f64 / (self.trials_n - self.untold) as f64
    }

    fn line(&self, name: &str) -> String {
        let bins: Vec<String> = self
            .bins
            .iter()
            .map(|b| format!("{:.2}/{:.2}", b.0 / b.2.max(1.0), b.1 / b.2.max(1.0)))
            .collect();
        let n = self.differences.len() as f64;
        format!(
            "| {name} | {} | {:.2} | {:.2} | {:.3} ± {:.3} | {:.1} % | {} |",
            self.trials_n,
            self.told / n,
            self.realised / n,
            self.ratio(),
            self.ratio_se(),
            100.0 * self.held_share(),
            bins.join(" | ")
        )
    }
}

/// Gains told come true, intervals hold as often as they say, and so do probabilities of being among
/// the best, in trials whose true variances differ.
#[test]
fn what_is_told_comes_true() {
    let trials_n: u64 = std::env::var("DRUPELINE_CALIBRATION")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(16);
    println!(
        "| kind of trial | trials | gain told | realised | told / realised | interval held | 0-20 % | 20-40 % | 40-60 % | 60-80 % | 80-100 % |"
    );
    let mut faults = Vec::new();
    let mut pooled = [(0.0, 0.0, 0.0); 5];
    for (number, (kind, name)) in KINDS.into_iter().enumerate() {
        let mut tally = Tally::default();
        for seed in 0..trials_n {
            let seed = seed + 100_000 * number as u64;
            tally.take(&simulate(kind, seed), seed);
        }
        println!("{}", tally.line(name));
        assert_eq!(tally.untold, 0, "{name}");
        // Three standard errors of so many trials beside what is allowed in the long run.
        let of_chance = 3.0 * (0.95_f64 * 0.05 / trials_n as f64).sqrt();
        let held = tally.held_share();
        if !(0.93 - of_chance..=0.97 + of_chance).contains(&held) {
            faults.push(format!("{name}: held {held:.3}"));
        }
        if (tally.ratio() - 1.0).abs() > 0.05 + 3.0 * tally.ratio_se() {
            faults.push(format!("{name}: told / realised {:.3}", tally.ratio()));
        }
        for (sum, bin) in pooled.iter_mut().zip(&tally.bins) {
            sum.0 += bin.0;
            sum.1 += bin.1;
            sum.2 += bin.2;
        }
    }
    for (fifth, (told, came, n)) in pooled.into_iter().enumerate() {
        let (told, came) = (told / n, came / n);
        // Candidates of one trial share its variances, so they tell less than so many.
        let se = (told * (1.0 - told) / n).sqrt();
        if (told - came).abs() > 0.03 + 4.0 * se {
            faults.push(format!(
                "fifth {}: told {told:.3}, came {came:.3}",
                fifth + 1
            ));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}
