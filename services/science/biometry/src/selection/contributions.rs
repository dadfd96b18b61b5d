//! Optimal contributions of parents and their mating: gain against coancestry.

use super::{SelectionError, in_range};
use serde::{Deserialize, Serialize};

/// Parents with what each brings and how they are related.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parents {
    /// Merit (breeding value or index) of each.
    pub merit: Vec<f64>,
    /// Coancestry of each pair, own coancestry on the diagonal.
    pub coancestry: Vec<Vec<f64>>,
    /// Largest share of the next generation that one parent may give.
    pub largest_share: f64,
}

/// Shares of parents in the next generation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contributions {
    /// Share of each parent; they add to 1.
    pub shares: Vec<f64>,
    /// Expected merit of the next generation, the sum of shares times merits.
    pub merit: f64,
    /// Group coancestry c'Kc, the expected inbreeding one random mating later.
    pub coancestry: f64,
}

impl Parents {
    fn check(&self) -> Result<(), SelectionError> {
        let n = self.merit.len();
        let size = |field: &str, found: usize| {
            if found == n {
                return Ok(());
            }
            Err(SelectionError::WrongSize {
                field: field.to_owned(),
                found,
                expected: n,
                each: "parent",
            })
        };
        in_range("merit", n as f64, n > 0, "a list of at least 1 parent")?;
        size("coancestry", self.coancestry.len())?;
        for (row, merit) in self.coancestry.iter().zip(&self.merit) {
            size("coancestry", row.len())?;
            in_range("merit", *merit, true, "finite")?;
            for &k in row {
                in_range("coancestry", k, (0.0..=1.0).contains(&k), "from 0 to 1")?;
            }
        }
        let accepted = self.largest_share * n as f64 >= 1.0 - 1e-12 && self.largest_share <= 1.0;
        in_range(
            "largest_share",
            self.largest_share,
            accepted,
            "at most 1 and at least 1 over the number of parents",
        )
    }

    fn times(&self, shares: &[f64]) -> Vec<f64> {
        // Few parents contribute: columns of the others need no arithmetic.
        let used: Vec<usize> = (0..shares.len()).filter(|&j| shares[j] > 0.0).collect();
        self.coancestry
            .iter()
            .map(|row| used.iter().map(|&j| row[j] * shares[j]).sum())
            .collect()
    }

    fn describe(&self, shares: Vec<f64>) -> Contributions {
        let merit = shares.iter().zip(&self.merit).map(|(c, g)| c * g).sum();
        let coancestry = shares
            .iter()
            .zip(self.times(&shares))
            .map(|(c, k)| c * k)
            .sum();
        Contributions {
            shares,
            merit,
            coancestry,
        }
    }

    /// Nearest point (least squares) with shares from 0 to the largest that add to 1.
    fn project(&self, point: &[f64]) -> Vec<f64> {
        let cap = self.largest_share;
        let total = |shift: f64| -> f64 { point.iter().map(|x| (x - shift).clamp(0.0, cap)).sum() };
        let (mut low, mut high) = (
            point.iter().copied().fold(f64::INFINITY, f64::min) - cap - 1.0,
            point.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        );
        for _ in 0..100 {
            let middle = f64::midpoint(low, high);
            if total(middle) > 1.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        point
            .iter()
            .map(|x| (x - f64::midpoint(low, high)).clamp(0.0, cap))
            .collect()
    }

    /// Maximises c'g - (weight/2) c'Kc by accelerated projected gradients (Beck and Teboulle 2009,
    /// from memory), merit scaled to unit range.
    fn at_weight(&self, weight: f64, start: &[f64]) -> Vec<f64> {
        let range = self.merit_range();
        let step_limit = weight
            * self
                .coancestry
                .iter()
                .map(|r| r.iter().sum::<f64>())
                .fold(0.0, f64::max);
        let step = 1.0 / step_limit.max(1e-9);
        let (mut c, mut ahead, mut momentum) = (start.to_vec(), start.to_vec(), 1.0f64);
        for _ in 0..4000 {
            let slope = self.times(&ahead);
            let moved: Vec<f64> = (0..c.len())
                .map(|i| ahead[i] + step * (self.merit[i] / range - weight * slope[i]))
                .collect();
            let next = self.project(&moved);
            let change: f64 = next.iter().zip(&c).map(|(a, b)| (a - b).abs()).sum();
            let uphill: f64 = (0..c.len())
                .map(|i| (ahead[i] - next[i]) * (next[i] - c[i]))
                .sum();
            // Restart of the momentum when it carries past the optimum (O'Donoghue and Candes).
            let next_momentum = if uphill > 0.0 {
                1.0
            } else {
                f64::midpoint(1.0, (1.0 + 4.0 * momentum * momentum).sqrt())
            };
            let carry = if uphill > 0.0 {
                0.0
            } else {
                (momentum - 1.0) / next_momentum
            };
            ahead = (0..c.len())
                .map(|i| next[i] + carry * (next[i] - c[i]))
                .collect();
            (c, momentum) = (next, next_momentum);
            if change < 1e-10 {
                break;
            }
        }
        c
    }

    fn merit_range(&self) -> f64 {
        let high = self.merit.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = self.merit.iter().copied().fold(f64::INFINITY, f64::min);
        if high > low { high - low } else { 1.0 }
    }

    /// The shares of greatest merit, whatever their coancestry.
    fn greatest_merit(&self) -> Vec<f64> {
        let mut order: Vec<usize> = (0..self.merit.len()).collect();
        order.sort_by(|&a, &b| self.merit[b].total_cmp(&self.merit[a]).then(a.cmp(&b)));
        let mut shares = vec![0.0; self.merit.len()];
        let mut left = 1.0f64;
        for i in order {
            shares[i] = left.min(self.largest_share);
            left -= shares[i];
        }
        shares
    }

    /// Shares of greatest merit whose group coancestry stays at or below `ceiling`.
    ///
    /// # Errors
    /// When a number is out of range or no shares reach so low a coancestry.
    pub fn optimal(&self, ceiling: f64) -> Result<Contributions, SelectionError> {
        self.check()?;
        let greatest = self.describe(self.greatest_merit());
        if greatest.coancestry <= ceiling {
            return Ok(greatest);
        }
        let mut high = 1e5;
        let mut within = self.describe(self.at_weight(high, &greatest.shares));
        if within.coancestry > ceiling {
            return Err(SelectionError::OutOfRange {
                field: "ceiling".to_owned(),
                value: ceiling,
                must_be: "no lower than the least group coancestry of these parents",
            });
        }
        let mut low = 1e-3;
        for _ in 0..40 {
            let weight = f64::sqrt(low * high);
            let found = self.describe(self.at_weight(weight, &within.shares));
            if found.coancestry <= ceiling {
                high = weight;
                within = found;
                if ceiling - within.coancestry < 1e-7 {
                    break;
                }
            } else {
                low = weight;
            }
        }
        Ok(within)
    }

    /// The trade-off curve: `points_n` optimal solutions from the greatest merit down to the least
    /// coancestry, evenly spaced in coancestry.
    ///
    /// # Errors
    /// When a number is out of range.
    pub fn trade_off(&self, points_n: usize) -> Result<Vec<Contributions>, SelectionError> {
        self.check()?;
        in_range("points_n", points_n as f64, points_n >= 2, "at least 2")?;
        let greatest = self.describe(self.greatest_merit());
        let least = self.describe(self.at_weight(1e5, &greatest.shares));
        let span = greatest.coancestry - least.coancestry;
        if span <= 1e-9 {
            return Ok(vec![greatest]);
        }
        (0..points_n)
            .map(|i| {
                let part = i as f64 / (points_n - 1) as f64;
                match i {
                    0 => Ok(greatest.clone()),
                    _ if i == points_n - 1 => Ok(least.clone()),
                    _ => self.optimal(greatest.coancestry - part * span),
                }
            })
            .collect()
    }
}

/// A cross with the inbreeding of its progeny.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mating {
    /// First parent.
    pub first: usize,
    /// Second parent.
    pub second: usize,
    /// Crosses of this pair.
    pub crosses_n: usize,
    /// Coancestry of the parents, which is the inbreeding of their progeny.
    pub progeny_inbreeding: f64,
}

/// Parts `crosses_n` crosses over parents in proportion to `shares` and pairs them for the least
/// inbreeding of progeny, by exchange of mates until none helps. `allowed(i, j)` refuses pairs
/// (incompatible, not crossable); a parent never mates with itself.
///
/// # Errors
/// When sizes disagree or the allowed pairs cannot take up all places.
pub fn allocate_mates(
    shares: &[f64],
    coancestry: &[Vec<f64>],
    crosses_n: usize,
    allowed: impl Fn(usize, usize) -> bool,
) -> Result<Vec<Mating>, SelectionError> {
    let n = shares.len();
    if coancestry.len() != n || coancestry.iter().any(|row| row.len() != n) {
        return Err(SelectionError::WrongSize {
            field: "coancestry".to_owned(),
            found: coancestry.len(),
            expected: n,
            each: "parent",
        });
    }
    let total: f64 = shares.iter().sum();
    in_range(
        "shares",
        total,
        total > 0.0 && shares.iter().all(|s| *s >= 0.0),
        "over 0 in all",
    )?;
    // Largest remainders; no parent can stand in more than every cross once.
    let places_n = 2 * crosses_n;
    let exact: Vec<f64> = shares.iter().map(|s| s / total * places_n as f64).collect();
    let mut places: Vec<usize> = exact
        .iter()
        .map(|x| (x.floor() as usize).min(crosses_n))
        .collect();
    let mut order: Vec<usize> = (0..n).filter(|&i| shares[i] > 0.0).collect();
    order.sort_by(|&a, &b| {
        (exact[b] - exact[b].floor())
            .total_cmp(&(exact[a] - exact[a].floor()))
            .then(a.cmp(&b))
    });
    let mut left = places_n.saturating_sub(places.iter().sum());
    while left > 0 {
        let before = left;
        for &i in &order {
            if left > 0 && places[i] < crosses_n {
                places[i] += 1;
                left -= 1;
            }
        }
        if left == before {
            return Err(cannot_pair());
        }
    }
    // Larger than any sum of coancestries, so that a refused pair goes whenever it can.
    let refused = 4.0 * crosses_n as f64 + 4.0;
    let cost = |i: usize, j: usize| {
        if i == j || !allowed(i, j) {
            refused
        } else {
            coancestry[i][j]
        }
    };
    let mut by_places: Vec<usize> = (0..n).collect();
    by_places.sort_by(|&a, &b| places[b].cmp(&places[a]).then(a.cmp(&b)));
    let slots: Vec<usize> = by_places
        .iter()
        .flat_map(|&i| std::iter::repeat_n(i, places[i]))
        .collect();
    // Slot k beside slot k + crosses_n never pairs a parent with itself.
    let mut pairs: Vec<(usize, usize)> = (0..crosses_n)
        .map(|k| (slots[k], slots[k + crosses_n]))
        .collect();
    loop {
        let mut improved = false;
        for x in 0..pairs.len() {
            for y in 0..x {
                let ((a, b), (c, d)) = (pairs[x], pairs[y]);
                let now = cost(a, b) + cost(c, d);
                let crossed = cost(a, d) + cost(c, b);
                let turned = cost(a, c) + cost(b, d);
                if crossed < now - 1e-12 && crossed <= turned {
                    (pairs[x], pairs[y]) = ((a, d), (c, b));
                    improved = true;
                } else if turned < now - 1e-12 {
                    (pairs[x], pairs[y]) = ((a, c), (b, d));
                    improved = true;
                }
            }
        }
        if !improved {
            break;
        }
    }
    if pairs.iter().any(|&(i, j)| cost(i, j) >= refused) {
        return Err(cannot_pair());
    }
    for pair in &mut pairs {
        *pair = (pair.0.min(pair.1), pair.0.max(pair.1));
    }
    pairs.sort_unstable();
    let mut matings: Vec<Mating> = Vec::new();
    for (first, second) in pairs {
        match matings.last_mut() {
            Some(last) if (last.first, last.second) == (first, second) => last.crosses_n += 1,
            _ => matings.push(Mating {
                first,
                second,
                crosses_n: 1,
                progeny_inbreeding: coancestry[first][second],
            }),
        }
    }
    Ok(matings)
}

fn cannot_pair() -> SelectionError {
    SelectionError::OutOfRange {
        field: "allowed pairs".to_owned(),
        value: 0.0,
        must_be: "enough for every parent's share; allow more pairs or take more parents",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn families(merit: Vec<f64>) -> Parents {
        // Pairs of full sibs: 1/4 within a pair, 0 between, 1/2 with oneself.
        let n = merit.len();
        let coancestry = (0..n)
            .map(|i| {
                (0..n)
                    .map(|j| match () {
                        () if i == j => 0.5,
                        () if i / 2 == j / 2 => 0.25,
                        () => 0.0,
                    })
                    .collect()
            })
            .collect();
        Parents {
            merit,
            coancestry,
            largest_share: 1.0,
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn optima_keep_their_bounds_and_trade_merit_for_kinship(
            merit in prop::collection::vec(-3.0f64..3.0, 6..20), part in 0.1f64..0.9
        ) {
            let parents = families(merit);
            let curve = parents.trade_off(5).unwrap();
            for point in &curve {
                prop_assert!((point.shares.iter().sum::<f64>() - 1.0).abs() < 1e-9);
                prop_assert!(point.shares.iter().all(|c| (-1e-12..=1.0 + 1e-12).contains(c)));
            }
            for pair in curve.windows(2) {
                prop_assert!(pair[1].coancestry <= pair[0].coancestry + 1e-6);
                prop_assert!(pair[1].merit <= pair[0].merit + 1e-6);
            }
            let (high, low) = (curve[0].coancestry, curve[curve.len() - 1].coancestry);
            let ceiling = low + part * (high - low);
            let best = parents.optimal(ceiling).unwrap();
            prop_assert!(best.coancestry <= ceiling + 1e-9);
            // No mixture of the curve's ends that keeps the ceiling does better.
            let ends = (&curve[0].shares, &curve[curve.len() - 1].shares);
            for t in (0..=20).map(|t| f64::from(t) / 20.0) {
                let mixed: Vec<f64> =
                    ends.0.iter().zip(ends.1).map(|(a, b)| t * a + (1.0 - t) * b).collect();
                let mixed = parents.describe(mixed);
                if mixed.coancestry <= ceiling {
                    prop_assert!(mixed.merit <= best.merit + 1e-4);
                }
            }
        }

        #[test]
        fn mates_take_up_every_place(
            shares in prop::collection::vec(0.05f64..1.0, 4..12), crosses_n in 2usize..30
        ) {
            let parents = families(shares.clone());
            let matings =
                allocate_mates(&shares, &parents.coancestry, crosses_n, |_, _| true).unwrap();
            prop_assert_eq!(matings.iter().map(|m| m.crosses_n).sum::<usize>(), crosses_n);
            prop_assert!(matings.iter().all(|m| m.first < m.second));
        }
    }

    #[test]
    fn sibs_are_kept_apart_and_refusals_respected() {
        let parents = families(vec![1.0; 4]);
        let found = allocate_mates(&[1.0; 4], &parents.coancestry, 4, |i, j| {
            (i, j) != (0, 2) && (j, i) != (0, 2)
        })
        .unwrap();
        assert!(found.iter().all(|m| m.progeny_inbreeding == 0.0));
        assert!(found.iter().all(|m| (m.first, m.second) != (0, 2)));
        assert!(allocate_mates(&[1.0; 4], &parents.coancestry, 4, |_, _| false).is_err());
    }
}
