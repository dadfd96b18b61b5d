//! Tests of several counts against one another and of counts against a ratio.

use super::{Count, CountError, in_range};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha12Rng;
use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use statrs::function::factorial::ln_binomial;

/// Relative slack within which two tables count as equally probable.
const TIE: f64 = 1e-7;
/// Nodes after which enumeration gives way to simulation.
const NODES: usize = 3_000_000;
/// Simulated tables.
const DRAWS: usize = 50_000;

/// Upper tail of chi-squared.
pub(crate) fn chi2_tail(statistic: f64, df: usize) -> f64 {
    if statistic <= 0.0 {
        return 1.0;
    }
    ChiSquared::new(df as f64).map_or(1.0, |d| d.sf(statistic))
}

/// A statistic with its approximate probability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ChiSquare {
    /// Statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub df: usize,
    /// Probability of a larger statistic.
    pub p: f64,
}

/// How an exact probability was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "method", rename_all = "snake_case")]
pub enum Found {
    /// All tables with the same margins were weighed.
    Enumerated,
    /// There were too many tables: random ones were drawn.
    Simulated {
        /// Tables drawn.
        draws_n: usize,
        /// Standard error of the probability.
        standard_error: f64,
    },
}

/// Probability of a table no more probable than the one observed, both margins fixed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExactTest {
    /// Probability.
    pub p: f64,
    /// How it was found.
    #[serde(flatten)]
    pub found: Found,
}

fn at_least_two(rows: &[Count]) -> Result<Count, CountError> {
    match Count::total(rows) {
        Some(total) if rows.len() >= 2 => Ok(total),
        _ => Err(CountError::TooFew {
            field: "counts",
            found: rows.len(),
            needed: 2,
        }),
    }
}

/// Exact test of an r x 2 table (Fisher 1935; Freeman and Halton 1951, from memory): the summed
/// probability of all tables with the same margins that are no more probable than the observed one,
/// with a relative slack of 1e-7 for ties.
///
/// Branches whose tables all fall on one side are settled by bounds on their probability (Mehta and
/// Patel 1983, from memory). When even that leaves too many, tables are drawn from `seed`.
///
/// # Errors
/// With fewer than two counts.
pub fn exact_test(rows: &[Count], seed: u64) -> Result<ExactTest, CountError> {
    let total = at_least_two(rows)?;
    let mut sizes: Vec<u64> = rows.iter().map(|r| r.trials_n()).collect();
    let observed: f64 = rows
        .iter()
        .map(|r| ln_binomial(r.trials_n(), r.events_n()))
        .sum();
    // The largest rows last: their many splits are then mostly settled by bounds.
    sizes.sort_unstable();
    let limit = observed + TIE.ln_1p();
    let mut search = Search::new(&sizes, total.events_n(), limit);
    if let Some(p) = search.sum(0, total.events_n(), 0.0) {
        return Ok(ExactTest {
            p: p.clamp(f64::MIN_POSITIVE, 1.0),
            found: Found::Enumerated,
        });
    }
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut flowers: Vec<usize> = sizes
        .iter()
        .enumerate()
        .flat_map(|(row, &n)| std::iter::repeat_n(row, n as usize))
        .collect();
    let events_n = total.events_n() as usize;
    let mut extreme_n = 0usize;
    for _ in 0..DRAWS {
        let mut split = vec![0u64; sizes.len()];
        let (chosen, _) = flowers.partial_shuffle(&mut rng, events_n);
        chosen.iter().for_each(|&row| split[row] += 1);
        let ln_p: f64 = split
            .iter()
            .zip(&sizes)
            .map(|(&x, &n)| ln_binomial(n, x))
            .sum();
        extreme_n += usize::from(ln_p <= limit);
    }
    // The observed table counts as one of the draws, so that p is never 0.
    let p = (extreme_n + 1) as f64 / (DRAWS + 1) as f64;
    let standard_error = (p * (1.0 - p) / DRAWS as f64).sqrt();
    Ok(ExactTest {
        p,
        found: Found::Simulated {
            draws_n: DRAWS,
            standard_error,
        },
    })
}

/// Depth-first sum over the splits of events into rows.
struct Search {
    sizes: Vec<u64>,
    /// ln C(n, x) for each row.
    ln_choose: Vec<Vec<f64>>,
    /// Largest and smallest sum of ln C over the rows from one on, for each number of events left.
    bounds: Vec<Vec<(f64, f64)>>,
    /// Flowers in the rows from one on.
    left_n: Vec<u64>,
    /// ln of all ways to place the events left into the rows from one on.
    ln_ways: Vec<Vec<f64>>,
    /// Splits of the events left between the last two rows.
    last_two: Vec<LastTwo>,
    ln_all: f64,
    limit: f64,
    nodes_n: usize,
}

/// Splits of m events between two rows: their weights rise to a mode and fall again, so the
/// extreme ones are two tails, which cumulated probabilities answer at once.
struct LastTwo {
    ln_weight: Vec<f64>,
    mode: usize,
    /// Probability of the first k splits, and of the last k.
    first: Vec<f64>,
    last: Vec<f64>,
}

impl LastTwo {
    fn new(ln_weight: Vec<f64>, ln_ways: f64) -> LastTwo {
        let mode = (0..ln_weight.len())
            .max_by(|&a, &b| ln_weight[a].total_cmp(&ln_weight[b]))
            .unwrap_or(0);
        let cumulate = |weights: &mut dyn Iterator<Item = &f64>| -> Vec<f64> {
            let mut sum = 0.0;
            std::iter::once(0.0)
                .chain(weights.map(|w| {
                    sum += (w - ln_ways).exp();
                    sum
                }))
                .collect()
        };
        let first = cumulate(&mut ln_weight.iter());
        let last = cumulate(&mut ln_weight.iter().rev());
        LastTwo {
            ln_weight,
            mode,
            first,
            last,
        }
    }

    /// Probability of the splits whose weight is at most `limit`; the mode is above it.
    fn tails(&self, limit: f64) -> f64 {
        let rising = self.ln_weight[..self.mode].partition_point(|w| *w <= limit);
        let above = self.ln_weight[self.mode..].partition_point(|w| *w > limit);
        let falling = self.ln_weight.len() - self.mode - above;
        self.first[rising] + self.last[falling]
    }
}

impl Search {
    fn new(sizes: &[u64], events_n: u64, limit: f64) -> Search {
        let ln_choose: Vec<Vec<f64>> = sizes
            .iter()
            .map(|&n| (0..=n).map(|x| ln_binomial(n, x)).collect())
            .collect();
        let rows_n = sizes.len();
        let mut left_n = vec![0; rows_n + 1];
        for i in (0..rows_n).rev() {
            left_n[i] = left_n[i + 1] + sizes[i];
        }
        let impossible = (f64::NEG_INFINITY, f64::INFINITY);
        let mut bounds = vec![vec![impossible; events_n as usize + 1]; rows_n + 1];
        bounds[rows_n][0] = (0.0, 0.0);
        for i in (0..rows_n).rev() {
            for m in 0..=(events_n.min(left_n[i]) as usize) {
                let mut bound = impossible;
                for x in 0..=m.min(sizes[i] as usize) {
                    let (high, low) = bounds[i + 1][m - x];
                    if high > f64::NEG_INFINITY {
                        bound.0 = bound.0.max(ln_choose[i][x] + high);
                        bound.1 = bound.1.min(ln_choose[i][x] + low);
                    }
                }
                bounds[i][m] = bound;
            }
        }
        let ln_ways: Vec<Vec<f64>> = left_n
            .iter()
            .map(|&n| (0..=events_n.min(n)).map(|m| ln_binomial(n, m)).collect())
            .collect();
        let (x_row, y_row) = (&ln_choose[rows_n - 2], &ln_choose[rows_n - 1]);
        let last_two = ln_ways[rows_n - 2]
            .iter()
            .enumerate()
            .map(|(m, &ways)| {
                let fewest = m.saturating_sub(y_row.len() - 1);
                let most = m.min(x_row.len() - 1);
                LastTwo::new(
                    (fewest..=most).map(|x| x_row[x] + y_row[m - x]).collect(),
                    ways,
                )
            })
            .collect();
        Search {
            ln_all: ln_binomial(left_n[0], events_n),
            sizes: sizes.to_vec(),
            ln_choose,
            bounds,
            left_n,
            ln_ways,
            last_two,
            limit,
            nodes_n: 0,
        }
    }

    /// Probability of the extreme completions of a branch; none when the search grows too large.
    fn sum(&mut self, row: usize, events_n: u64, so_far: f64) -> Option<f64> {
        let m = events_n as usize;
        let (high, low) = self.bounds[row][m];
        let all = (so_far + self.ln_ways[row][m] - self.ln_all).exp();
        if so_far + high <= self.limit {
            return Some(all);
        }
        if so_far + low > self.limit {
            return Some(0.0);
        }
        self.nodes_n += 1;
        if self.nodes_n > NODES {
            return None;
        }
        if row + 2 == self.sizes.len() {
            return Some(all * self.last_two[m].tails(self.limit - so_far));
        }
        let fewest = events_n.saturating_sub(self.left_n[row + 1]);
        let most = events_n.min(self.sizes[row]);
        let mut p = 0.0;
        for x in fewest..=most {
            let weight = self.ln_choose[row][x as usize];
            p += self.sum(row + 1, events_n - x, so_far + weight)?;
        }
        Some(p)
    }
}

/// Approximate tests of an r x 2 table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Homogeneity {
    /// Pearson's chi-squared; none when no count or every count is an event.
    pub pearson: Option<ChiSquare>,
    /// Likelihood-ratio statistic G; none as above.
    pub g: Option<ChiSquare>,
    /// Smallest expected count; below 5 the approximations are poor.
    pub min_expected: f64,
    /// Cramer's V.
    pub cramers_v: Option<f64>,
}

/// Pearson and likelihood-ratio tests that all counts share one proportion.
///
/// # Errors
/// With fewer than two counts.
pub fn homogeneity(rows: &[Count]) -> Result<Homogeneity, CountError> {
    let total = at_least_two(rows)?;
    let p = total.proportion();
    let cells: Vec<(f64, f64)> = rows
        .iter()
        .flat_map(|r| {
            let n = r.trials_n() as f64;
            [
                (r.events_n() as f64, n * p),
                (r.failures_n() as f64, n * (1.0 - p)),
            ]
        })
        .collect();
    let df = rows.len() - 1;
    let varies = p > 0.0 && p < 1.0;
    let test = |statistic: f64| ChiSquare {
        statistic,
        df,
        p: chi2_tail(statistic, df),
    };
    let pearson = varies.then(|| test(cells.iter().map(|(o, e)| (o - e).powi(2) / e).sum()));
    let g = varies.then(|| {
        let part = |&(o, e): &(f64, f64)| if o > 0.0 { 2.0 * o * (o / e).ln() } else { 0.0 };
        test(cells.iter().map(part).sum())
    });
    Ok(Homogeneity {
        pearson,
        g,
        min_expected: cells.iter().map(|c| c.1).fold(f64::INFINITY, f64::min),
        // The smaller side of the table has two categories, so V = sqrt(chi2/n).
        cramers_v: pearson.map(|t| (t.statistic / total.trials_n() as f64).sqrt()),
    })
}

/// Correction of probabilities for the number of comparisons.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correction {
    /// Stepwise Bonferroni (Holm 1979).
    Holm,
    /// Every probability times the number of them.
    Bonferroni,
    /// False discovery rate (Benjamini and Hochberg 1995).
    BenjaminiHochberg,
}

/// Corrected probabilities, in the order given.
#[must_use]
pub fn correct(p: &[f64], correction: Correction) -> Vec<f64> {
    let m = p.len();
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut corrected = vec![0.0; m];
    match correction {
        Correction::Bonferroni => {
            corrected
                .iter_mut()
                .zip(p)
                .for_each(|(c, p)| *c = (p * m as f64).min(1.0));
        }
        Correction::Holm => {
            let mut floor = 0.0f64;
            for (step, &i) in order.iter().enumerate() {
                floor = floor.max((p[i] * (m - step) as f64).min(1.0));
                corrected[i] = floor;
            }
        }
        Correction::BenjaminiHochberg => {
            let mut ceiling = 1.0f64;
            for (step, &i) in order.iter().enumerate().rev() {
                ceiling = ceiling.min(p[i] * m as f64 / (step + 1) as f64);
                corrected[i] = ceiling;
            }
        }
    }
    corrected
}

/// Comparison of two counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PairTest {
    /// Index of the first count.
    pub first: usize,
    /// Index of the second count.
    pub second: usize,
    /// First proportion less the second.
    pub difference: f64,
    /// Sample odds ratio; none when it is not a number, infinite as none of its own.
    pub odds_ratio: Option<f64>,
    /// Fisher's exact two-sided probability.
    pub fisher_p: f64,
    /// The same after Holm's correction.
    pub fisher_p_holm: f64,
    /// The same after Bonferroni's correction.
    pub fisher_p_bonferroni: f64,
    /// The same after Benjamini and Hochberg's correction.
    pub fisher_p_benjamini_hochberg: f64,
    /// Pearson's chi-squared.
    pub pearson: Option<ChiSquare>,
    /// Pearson's chi-squared with Yates' correction.
    pub yates: Option<ChiSquare>,
}

/// All pairs of counts by Fisher's exact test, corrected for their number.
///
/// # Errors
/// With fewer than two counts.
pub fn pairwise(rows: &[Count]) -> Result<Vec<PairTest>, CountError> {
    at_least_two(rows)?;
    let mut pairs = Vec::new();
    for first in 0..rows.len() {
        for second in first + 1..rows.len() {
            let two = [rows[first], rows[second]];
            let [a, c] = two.map(|r| r.events_n() as f64);
            let [b, d] = two.map(|r| r.failures_n() as f64);
            let n = a + b + c + d;
            let margins = (a + b) * (c + d) * (a + c) * (b + d);
            let chi2 = |gap: f64| {
                let statistic = n * gap * gap / margins;
                (margins > 0.0).then(|| ChiSquare {
                    statistic,
                    df: 1,
                    p: chi2_tail(statistic, 1),
                })
            };
            let gap = (a * d - b * c).abs();
            pairs.push(PairTest {
                first,
                second,
                difference: rows[first].proportion() - rows[second].proportion(),
                odds_ratio: (b * c > 0.0).then(|| a * d / (b * c)),
                fisher_p: exact_test(&two, 0)?.p,
                fisher_p_holm: 1.0,
                fisher_p_bonferroni: 1.0,
                fisher_p_benjamini_hochberg: 1.0,
                pearson: chi2(gap),
                yates: chi2((gap - n / 2.0).max(0.0)),
            });
        }
    }
    let p: Vec<f64> = pairs.iter().map(|t| t.fisher_p).collect();
    let holm = correct(&p, Correction::Holm);
    let bonferroni = correct(&p, Correction::Bonferroni);
    let discovery = correct(&p, Correction::BenjaminiHochberg);
    for (i, pair) in pairs.iter_mut().enumerate() {
        pair.fisher_p_holm = holm[i];
        pair.fisher_p_bonferroni = bonferroni[i];
        pair.fisher_p_benjamini_hochberg = discovery[i];
    }
    Ok(pairs)
}

/// Observed classes against a segregation ratio.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Segregation {
    /// Expected number in each class.
    pub expected: Vec<f64>,
    /// Goodness of fit.
    pub chi2: ChiSquare,
}

/// Chi-squared test of observed class counts against a ratio such as 3 : 1.
///
/// # Errors
/// When sizes disagree, fewer than two classes are given, or a number is out of range.
pub fn segregation(observed: &[f64], ratio: &[f64]) -> Result<Segregation, CountError> {
    if observed.len() != ratio.len() || observed.len() < 2 {
        let found = observed.len().min(ratio.len());
        return Err(CountError::TooFew {
            field: "classes",
            found,
            needed: observed.len().max(ratio.len()).max(2),
        });
    }
    for &o in observed {
        in_range("observed", o, o >= 0.0, "0 or more")?;
    }
    for &r in ratio {
        in_range(
            "ratio",
            r,
            r > 0.0,
            "over 0 (leave out classes that cannot occur)",
        )?;
    }
    let n: f64 = observed.iter().sum();
    in_range("observed", n, n > 0.0, "at least 1 plant in all")?;
    let parts: f64 = ratio.iter().sum();
    let expected: Vec<f64> = ratio.iter().map(|r| n * r / parts).collect();
    let statistic = observed
        .iter()
        .zip(&expected)
        .map(|(o, e)| (o - e).powi(2) / e)
        .sum();
    let df = observed.len() - 1;
    Ok(Segregation {
        expected,
        chi2: ChiSquare {
            statistic,
            df,
            p: chi2_tail(statistic, df),
        },
    })
}

/// Draws a number of successes among `trials_n` with probability `p`, by inversion of uniforms.
#[cfg(test)]
pub(crate) fn draw_binomial(rng: &mut ChaCha12Rng, trials_n: u64, p: f64) -> u64 {
    use rand::RngExt;
    (0..trials_n).filter(|_| rng.random::<f64>() < p).count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn counts(raw: &[(u64, u64)]) -> Vec<Count> {
        raw.iter()
            .map(|&(x, more)| Count::new(x, x + more).unwrap())
            .collect()
    }

    /// All tables one by one, without bounds.
    fn brute_force(rows: &[Count]) -> f64 {
        fn walk(rows: &[Count], left: u64, ln_p: f64, limit: f64) -> (f64, f64) {
            let Some((row, rest)) = rows.split_first() else {
                if left > 0 {
                    return (0.0, 0.0);
                }
                let p = ln_p.exp();
                return (if ln_p <= limit { p } else { 0.0 }, p);
            };
            (0..=row.trials_n().min(left)).fold((0.0, 0.0), |sum, x| {
                let found = walk(rest, left - x, ln_p + ln_binomial(row.trials_n(), x), limit);
                (sum.0 + found.0, sum.1 + found.1)
            })
        }
        let observed: f64 = rows
            .iter()
            .map(|r| ln_binomial(r.trials_n(), r.events_n()))
            .sum();
        let events = rows.iter().map(|r| r.events_n()).sum();
        let (extreme, all) = walk(rows, events, 0.0, observed + TIE.ln_1p());
        extreme / all
    }

    proptest! {
        #[test]
        fn bounds_change_nothing(raw in prop::collection::vec((0u64..7, 1u64..7), 2..5)) {
            let rows = counts(&raw);
            let p = exact_test(&rows, 1).unwrap().p;
            prop_assert!(p > 0.0 && p <= 1.0);
            prop_assert!((p - brute_force(&rows)).abs() < 1e-9);
        }

        #[test]
        fn order_of_pollens_does_not_matter(raw in prop::collection::vec((0u64..40, 1u64..40), 3..6)) {
            let forward = exact_test(&counts(&raw), 1).unwrap().p;
            let mut turned = raw.clone();
            turned.reverse();
            prop_assert!((forward - exact_test(&counts(&turned), 1).unwrap().p).abs() < 1e-9);
        }

        #[test]
        fn corrections_only_raise(p in prop::collection::vec(0.0f64..1.0, 1..12)) {
            for how in [Correction::Holm, Correction::Bonferroni, Correction::BenjaminiHochberg] {
                for (c, p) in correct(&p, how).iter().zip(&p) {
                    prop_assert!(*c >= p - 1e-12 && *c <= 1.0);
                }
            }
        }
    }

    /// The tea-tasting table: 3 of 4 against 1 of 4, p = 34/70.
    #[test]
    fn tea_tasting() {
        let p = exact_test(&counts(&[(3, 1), (1, 3)]), 1).unwrap().p;
        assert!((p - 34.0 / 70.0).abs() < 1e-12);
    }

    #[test]
    fn many_pollens_are_still_answered() {
        let raw: Vec<(u64, u64)> = (0..12).map(|i| (20 + 3 * i % 7, 70 + i)).collect();
        let found = exact_test(&counts(&raw), 4).unwrap();
        let chi2 = homogeneity(&counts(&raw)).unwrap().pearson.unwrap().p;
        assert!((found.p - chi2).abs() < 0.02, "{found:?} {chi2}");
        assert_eq!(found, exact_test(&counts(&raw), 4).unwrap());
    }

    #[test]
    fn nothing_set_has_no_chi_squared() {
        let found = homogeneity(&counts(&[(0, 4), (0, 9)])).unwrap();
        assert_eq!(found.pearson, None);
        assert_eq!(exact_test(&counts(&[(0, 4), (0, 9)]), 1).unwrap().p, 1.0);
    }
}
