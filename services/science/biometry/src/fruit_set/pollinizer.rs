//! Judgment of a pollinizer trial: which pollen sets best, or how many more flowers would tell.

use super::overdispersion::{self, Overdispersion};
use super::proportion::{self, Interval};
use super::tables::{self, Correction, ExactTest};
use super::{Count, CountError, branches, in_range};
use crate::selection::intensity::upper_quantile;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::beta_reg;

/// One pollen on one mother.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pollen {
    /// Name of the pollen parent.
    pub name: String,
    /// Fruits out of flowers on each branch; one count when branches were not told apart.
    pub branches: Vec<Count>,
    /// Share of the mother's bloom that the pollen parent's bloom covers, 0 to 1; none leaves bloom
    /// out of the judgment.
    #[serde(default)]
    pub bloom_overlap: Option<f64>,
}

/// What counts as certain and as worth telling apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Criteria {
    /// Confidence of intervals and of the judgment.
    pub confidence: f64,
    /// Probability of telling a real difference apart that the number of further flowers aims at.
    pub power: f64,
    /// Smallest difference in set (weighed by bloom overlap) that matters.
    pub least_difference: f64,
    /// Seed, used only when exact probabilities must be simulated.
    pub seed: u64,
}

impl Default for Criteria {
    fn default() -> Criteria {
        Criteria {
            confidence: 0.95,
            power: 0.8,
            least_difference: 0.1,
            seed: 1,
        }
    }
}

/// What one pollen showed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PollenResult {
    /// Name.
    pub name: String,
    /// Fruits.
    pub fruit_n: u64,
    /// Flowers.
    pub flowers_n: u64,
    /// Branches.
    pub branches_n: usize,
    /// Fruits over flowers.
    pub set: f64,
    /// Exact interval (Clopper and Pearson); where branches were told apart, over as many flowers of
    /// independent fate as they are worth.
    pub interval: Interval,
    /// Set times bloom overlap, what pollens are ranked by.
    pub score: f64,
    /// Probability that this pollen's true score is the highest, from uniform-like (Jeffreys)
    /// priors.
    pub probability_best: f64,
}

/// What to do.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "verdict", rename_all = "snake_case")]
pub enum Recommendation {
    /// One pollen is better than every other.
    Use {
        /// The pollen.
        pollen: String,
    },
    /// Several pollens differ by less than what matters; any of them will do.
    AnyOf {
        /// The pollens, best first.
        pollens: Vec<String>,
    },
    /// More flowers are needed.
    CannotTellYet {
        /// The pollen ahead so far.
        leader: String,
        /// Pollens that may be as good or better.
        rivals: Vec<String>,
        /// Further flowers for each of them.
        more_flowers_n: u64,
    },
    /// No pollen set a fruit.
    NothingSet {
        /// Highest set still compatible with what was seen, over all pollens.
        set_at_most: f64,
    },
}

/// What shares its fate in a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Each flower has its own, branches not being told apart.
    Flowers,
    /// The flowers of a branch share theirs.
    Branches,
}

/// Two pollens by the exact test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Pair {
    /// Place of the first pollen.
    pub first: usize,
    /// Place of the second.
    pub second: usize,
    /// Probability.
    pub p: f64,
    /// Corrected by Holm.
    pub p_holm: f64,
}

/// Result of a pollinizer trial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judgment {
    /// Pollens in the order given.
    pub pollens: Vec<PollenResult>,
    /// What is compared as one.
    pub unit: Unit,
    /// Exact test that all pollens set alike.
    pub exact: ExactTest,
    /// All pairs by the exact test.
    pub pairs: Vec<Pair>,
    /// Variation among branches; none when branches were not told apart.
    pub overdispersion: Option<Overdispersion>,
    /// Probability, corrected by Holm, that each pollen's score equals the leader's; 1 for the
    /// leader. Allows for branches and bloom.
    pub p_against_leader: Vec<f64>,
    /// Recommendation.
    pub recommendation: Recommendation,
    /// What weakens the judgment.
    pub notes: Vec<String>,
}

/// Proportion with the number of independent flowers behind it, and its weight.
#[derive(Clone, Copy)]
struct Effective {
    p: f64,
    n: f64,
    weight: f64,
}

impl Effective {
    fn score(self) -> f64 {
        self.p * self.weight
    }

    /// Variance of the score times n, from the proportion drawn to the middle by one flower each
    /// way so that 0 of n does not pass for certainty (Agresti and Caffo 2000, from memory).
    fn unit_variance(self) -> f64 {
        let p = (self.p * self.n + 1.0) / (self.n + 2.0);
        self.weight * self.weight * p * (1.0 - p)
    }
}

/// Judges a pollinizer trial.
///
/// The pollen with the highest score (set, weighed by bloom overlap where given) is compared with
/// every other: by Fisher's exact test where flowers are independent and bloom is left out, else by
/// a normal test on effective numbers of flowers. Holm's correction keeps the stated confidence
/// over all of them.
///
/// # Errors
/// With fewer than two pollens, a pollen without branches, or criteria out of range.
pub fn judge(pollens: &[Pollen], criteria: Criteria) -> Result<Judgment, CountError> {
    let between = |field, x: f64| in_range(field, x, x > 0.0 && x < 1.0, "between 0 and 1");
    between("confidence", criteria.confidence)?;
    between("power", criteria.power)?;
    between("least_difference", criteria.least_difference)?;
    if pollens.len() < 2 {
        return Err(CountError::TooFew {
            field: "pollens",
            found: pollens.len(),
            needed: 2,
        });
    }
    for overlap in pollens.iter().filter_map(|p| p.bloom_overlap) {
        in_range(
            "bloom_overlap",
            overlap,
            (0.0..=1.0).contains(&overlap),
            "from 0 to 1",
        )?;
    }
    let totals: Vec<Count> = pollens
        .iter()
        .map(|p| {
            let none = CountError::TooFew {
                field: "branches",
                found: 0,
                needed: 1,
            };
            Count::total(&p.branches).ok_or(none)
        })
        .collect::<Result<_, _>>()?;
    let groups: Vec<Vec<Count>> = pollens.iter().map(|p| p.branches.clone()).collect();
    let overdispersion = overdispersion::fit(&groups).ok();
    let tail = (1.0 - criteria.confidence) / 2.0;
    let effective: Vec<Effective> = totals
        .iter()
        .enumerate()
        .map(|(i, total)| Effective {
            p: total.proportion(),
            n: overdispersion
                .as_ref()
                .map_or(total.trials_n() as f64, |o| o.effective_flowers_n[i]),
            weight: pollens[i].bloom_overlap.unwrap_or(1.0),
        })
        .collect();
    let best = probability_best(&effective);
    let results: Vec<PollenResult> = pollens
        .iter()
        .zip(&totals)
        .enumerate()
        .map(|(i, (pollen, total))| PollenResult {
            name: pollen.name.clone(),
            fruit_n: total.events_n(),
            flowers_n: total.trials_n(),
            branches_n: pollen.branches.len(),
            set: total.proportion(),
            interval: proportion::exact(effective[i].p * effective[i].n, effective[i].n, tail),
            score: effective[i].score(),
            probability_best: best[i],
        })
        .collect();

    let leader = (0..pollens.len())
        .max_by(|&a, &b| {
            effective[a]
                .score()
                .total_cmp(&effective[b].score())
                .then(b.cmp(&a))
        })
        .unwrap_or(0);
    let p_against_leader = against_leader(leader, &totals, &effective)?;
    let recommendation = recommend(
        pollens,
        &totals,
        &effective,
        leader,
        &p_against_leader,
        criteria,
    );

    let mut notes = Vec::new();
    match &overdispersion {
        None => notes.push(
            "branches were not told apart: flowers are taken as independent, which makes \
             intervals too narrow where branches differ"
                .to_owned(),
        ),
        Some(o) if o.p < 0.05 => notes.push(format!(
            "branches differ more than chance (intraclass correlation {:.3}): intervals and \
             comparisons count fewer independent flowers",
            o.intraclass_correlation
        )),
        Some(_) => {}
    }
    let with_bloom = pollens.iter().filter(|p| p.bloom_overlap.is_some()).count();
    if with_bloom > 0 && with_bloom < pollens.len() {
        notes.push(
            "bloom overlap is missing for some pollens, which are taken as fully in bloom"
                .to_owned(),
        );
    }
    let unit = match overdispersion {
        Some(_) => Unit::Branches,
        None => Unit::Flowers,
    };
    if unit == Unit::Branches && groups.iter().any(|branches| branches.len() < 4) {
        notes.push(
            "fewer than 4 branches of a pollen share out in few ways, so that exact tests cannot \
             come to a small probability; count more branches"
                .to_owned(),
        );
    }
    Ok(Judgment {
        pollens: results,
        unit,
        exact: exact_of(unit, &groups, criteria.seed)?,
        pairs: pairs_of(unit, &groups, criteria.seed)?,
        overdispersion,
        p_against_leader,
        recommendation,
        notes,
    })
}

/// The exact test that pollens set alike.
fn exact_of(unit: Unit, groups: &[Vec<Count>], seed: u64) -> Result<ExactTest, CountError> {
    match unit {
        Unit::Branches => branches::exact_test(groups, seed),
        Unit::Flowers => {
            let totals: Vec<Count> = groups.iter().filter_map(|g| Count::total(g)).collect();
            tables::exact_test(&totals, seed)
        }
    }
}

/// The same for every pair, corrected over them.
fn pairs_of(unit: Unit, groups: &[Vec<Count>], seed: u64) -> Result<Vec<Pair>, CountError> {
    let mut pairs = Vec::new();
    for second in 1..groups.len() {
        for first in 0..second {
            let two = [groups[first].clone(), groups[second].clone()];
            let p = exact_of(unit, &two, seed)?.p;
            pairs.push(Pair {
                first,
                second,
                p,
                p_holm: p,
            });
        }
    }
    pairs.sort_by_key(|pair| (pair.first, pair.second));
    let raw: Vec<f64> = pairs.iter().map(|pair| pair.p).collect();
    for (pair, corrected) in pairs
        .iter_mut()
        .zip(tables::correct(&raw, Correction::Holm))
    {
        pair.p_holm = corrected;
    }
    Ok(pairs)
}

fn against_leader(
    leader: usize,
    totals: &[Count],
    effective: &[Effective],
) -> Result<Vec<f64>, CountError> {
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let others: Vec<usize> = (0..totals.len()).filter(|&i| i != leader).collect();
    let mut raw = Vec::with_capacity(others.len());
    for &i in &others {
        let pair = [effective[leader], effective[i]];
        let plain = pair
            .iter()
            .zip([totals[leader], totals[i]])
            .all(|(e, total)| e.weight == 1.0 && (e.n - total.trials_n() as f64).abs() < 1e-9);
        raw.push(if plain {
            tables::exact_test(&[totals[leader], totals[i]], 0)?.p
        } else {
            let se = pair
                .iter()
                .map(|e| e.unit_variance() / (e.n + 2.0))
                .sum::<f64>()
                .sqrt();
            let gap = pair[0].score() - pair[1].score();
            if se > 0.0 {
                (2.0 * normal.sf(gap.abs() / se)).min(1.0)
            } else {
                1.0
            }
        });
    }
    let mut p = vec![1.0; totals.len()];
    for (i, corrected) in others.iter().zip(tables::correct(&raw, Correction::Holm)) {
        p[*i] = corrected;
    }
    Ok(p)
}

fn recommend(
    pollens: &[Pollen],
    totals: &[Count],
    effective: &[Effective],
    leader: usize,
    p_against_leader: &[f64],
    criteria: Criteria,
) -> Recommendation {
    let alpha = 1.0 - criteria.confidence;
    if totals.iter().all(|t| t.events_n() == 0) {
        let flowers: f64 = effective.iter().map(|e| e.n).sum();
        return Recommendation::NothingSet {
            set_at_most: proportion::exact(0.0, flowers, alpha / 2.0).high,
        };
    }
    let mut rivals: Vec<usize> = (0..pollens.len())
        .filter(|&i| i != leader && p_against_leader[i] > alpha)
        .collect();
    rivals.sort_by(|&a, &b| {
        effective[b]
            .score()
            .total_cmp(&effective[a].score())
            .then(a.cmp(&b))
    });
    let name = |i: usize| pollens[i].name.clone();
    if rivals.is_empty() {
        return Recommendation::Use {
            pollen: name(leader),
        };
    }
    let gap = |i: usize| effective[leader].score() - effective[i].score();
    // All rivals at once are close enough when each gap's upper bound stays below what matters.
    let z = upper_quantile(alpha / rivals.len() as f64);
    let gap_at_most = |i: usize| {
        let variance: f64 = [leader, i]
            .iter()
            .map(|&k| effective[k].unit_variance() / (effective[k].n + 2.0))
            .sum();
        gap(i) + z * variance.sqrt()
    };
    if rivals
        .iter()
        .all(|&i| gap_at_most(i) < criteria.least_difference)
    {
        let pollens = std::iter::once(leader).chain(rivals).map(name).collect();
        return Recommendation::AnyOf { pollens };
    }
    let z_alpha = upper_quantile(alpha / 2.0 / (pollens.len() - 1) as f64);
    let z_power = upper_quantile(1.0 - criteria.power);
    let more = rivals
        .iter()
        .map(|&i| {
            // A gap smaller than what matters need not be resolved, only bounded by it.
            let d = gap(i).max(criteria.least_difference);
            let spread: f64 = [leader, i]
                .iter()
                .map(|&k| effective[k].unit_variance())
                .sum();
            let plain = (z_alpha + z_power).powi(2) * spread / (d * d);
            // Continuity correction for counts (Fleiss 1981, from memory).
            let corrected = plain / 4.0 * (1.0 + (1.0 + 4.0 / (plain * d)).sqrt()).powi(2);
            [leader, i]
                .iter()
                .map(|&k| {
                    let flowers_per_effective = totals[k].trials_n() as f64 / effective[k].n;
                    (corrected - effective[k].n).max(0.0) * flowers_per_effective
                })
                .fold(0.0, f64::max)
        })
        .fold(0.0, f64::max);
    Recommendation::CannotTellYet {
        leader: name(leader),
        rivals: rivals.into_iter().map(name).collect(),
        more_flowers_n: (more.ceil() as u64).max(1),
    }
}

/// Probability that each score is the highest, by quadrature over independent beta posteriors.
fn probability_best(effective: &[Effective]) -> Vec<f64> {
    const STEPS: usize = 1000;
    let top = effective.iter().map(|e| e.weight).fold(0.0, f64::max);
    if top == 0.0 {
        return vec![1.0 / effective.len() as f64; effective.len()];
    }
    let below = |e: &Effective, score: f64| {
        if e.weight == 0.0 {
            return 1.0;
        }
        let p = (score / e.weight).clamp(0.0, 1.0);
        beta_reg(e.p * e.n + 0.5, (1.0 - e.p) * e.n + 0.5, p)
    };
    let mut best = vec![0.0; effective.len()];
    let mut before: Vec<f64> = effective.iter().map(|e| below(e, 0.0)).collect();
    for step in 1..=STEPS {
        let now: Vec<f64> = effective
            .iter()
            .map(|e| below(e, top * step as f64 / STEPS as f64))
            .collect();
        for (i, share) in best.iter_mut().enumerate() {
            let others: f64 = (0..now.len())
                .filter(|&k| k != i)
                .map(|k| f64::midpoint(before[k], now[k]))
                .product();
            *share += (now[i] - before[i]) * others;
        }
        before = now;
    }
    let sum: f64 = best.iter().sum();
    best.iter().map(|b| b / sum).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fruit_set::tables::draw_binomial;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;

    fn pollen(name: &str, counts: &[(u64, u64)]) -> Pollen {
        Pollen {
            name: name.into(),
            branches: counts
                .iter()
                .map(|&(x, n)| Count::new(x, n).unwrap())
                .collect(),
            bloom_overlap: None,
        }
    }

    #[test]
    fn a_clear_winner_is_named() {
        let found = judge(
            &[pollen("a", &[(60, 100)]), pollen("b", &[(10, 100)])],
            Criteria::default(),
        );
        let found = found.unwrap();
        assert_eq!(
            found.recommendation,
            Recommendation::Use { pollen: "a".into() }
        );
        assert!(found.pollens[0].probability_best > 0.999);
    }

    #[test]
    fn few_flowers_cannot_tell_and_the_number_asked_for_would() {
        let found = judge(
            &[pollen("a", &[(6, 20)]), pollen("b", &[(3, 20)])],
            Criteria::default(),
        );
        let Recommendation::CannotTellYet {
            leader,
            more_flowers_n,
            ..
        } = found.unwrap().recommendation
        else {
            panic!("20 flowers cannot tell 30 % from 15 %");
        };
        assert_eq!(leader, "a");
        // With so many flowers, sets of 30 % and 15 % are told apart about 4 times in 5.
        let n = 20 + more_flowers_n;
        let mut rng = ChaCha12Rng::seed_from_u64(3);
        let told = (0..400)
            .filter(|_| {
                let rows =
                    [0.3, 0.15].map(|p| Count::new(draw_binomial(&mut rng, n, p), n).unwrap());
                tables::exact_test(&rows, 0).unwrap().p < 0.05
            })
            .count();
        assert!(
            (280..380).contains(&told),
            "{told} of 400 with {n} flowers each"
        );
    }

    #[test]
    fn equals_are_any_of_once_enough_flowers_say_so() {
        let found = judge(
            &[pollen("a", &[(900, 3000)]), pollen("b", &[(890, 3000)])],
            Criteria::default(),
        );
        assert_eq!(
            found.unwrap().recommendation,
            Recommendation::AnyOf {
                pollens: vec!["a".into(), "b".into()]
            }
        );
    }

    #[test]
    fn unlike_branches_weaken_the_judgment() {
        let even = [pollen("a", &[(10, 20); 4]), pollen("b", &[(4, 20); 4])];
        let uneven = [
            pollen("a", &[(20, 20), (18, 20), (1, 20), (1, 20)]),
            pollen("b", &[(14, 20), (1, 20), (1, 20), (0, 20)]),
        ];
        let even = judge(&even, Criteria::default()).unwrap();
        let uneven = judge(&uneven, Criteria::default()).unwrap();
        assert!(matches!(even.recommendation, Recommendation::Use { .. }));
        assert!(matches!(
            uneven.recommendation,
            Recommendation::CannotTellYet { .. }
        ));
        let width = |i: Interval| i.high - i.low;
        let by_flowers = proportion::exact(40.0, 80.0, 0.025);
        assert!(width(uneven.pollens[0].interval) > 1.5 * width(by_flowers));
        // Every number shown keeps the flowers of a branch together.
        assert_eq!((even.unit, uneven.unit), (Unit::Branches, Unit::Branches));
        let totals = [Count::new(40, 80).unwrap(), Count::new(16, 80).unwrap()];
        assert!(tables::exact_test(&totals, 0).unwrap().p < 0.001);
        assert!(
            uneven.exact.p > 0.2 && uneven.pairs[0].p > 0.2,
            "{uneven:?}"
        );
    }

    #[test]
    fn bloom_can_turn_the_ranking() {
        let mut early = pollen("early", &[(50, 100)]);
        early.bloom_overlap = Some(0.2);
        let mut timely = pollen("timely", &[(35, 100)]);
        timely.bloom_overlap = Some(0.9);
        let found = judge(&[early, timely], Criteria::default()).unwrap();
        assert_eq!(
            found.recommendation,
            Recommendation::Use {
                pollen: "timely".into()
            }
        );
    }

    #[test]
    fn nothing_set_is_said() {
        let found = judge(
            &[pollen("a", &[(0, 30)]), pollen("b", &[(0, 30)])],
            Criteria::default(),
        );
        assert!(matches!(
            found.unwrap().recommendation,
            Recommendation::NothingSet { .. }
        ));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn judgments_hold_together(
            raw in prop::collection::vec(prop::collection::vec((0u64..15, 1u64..15), 1..4), 2..5)
        ) {
            let pollens: Vec<Pollen> = raw
                .iter()
                .enumerate()
                .map(|(i, branches)| {
                    let counts: Vec<_> = branches.iter().map(|&(x, more)| (x, x + more)).collect();
                    pollen(&i.to_string(), &counts)
                })
                .collect();
            let found = judge(&pollens, Criteria::default()).unwrap();
            prop_assert!((found.pollens.iter().map(|p| p.probability_best).sum::<f64>() - 1.0).abs() < 1e-9);
            for p in &found.pollens {
                prop_assert!(p.interval.low <= p.set && p.set <= p.interval.high);
                let by_flowers = proportion::exact(p.fruit_n as f64, p.flowers_n as f64, 0.025);
                prop_assert!(p.interval.low <= by_flowers.low + 1e-9);
                prop_assert!(p.interval.high >= by_flowers.high - 1e-9);
            }
            prop_assert!(found.exact.p > 0.0 && found.exact.p <= 1.0);
        }
    }
}
