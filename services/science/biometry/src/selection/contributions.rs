//! Optimal contributions of parents and their mating: gain against coancestry.

use std::collections::BTreeSet;

use clarabel::algebra::CscMatrix;
use clarabel::solver::{
    DefaultSettings, DefaultSolution, DefaultSolver, IPSolver as _, SolverStatus, SupportedConeT,
};
use faer::{Mat, Side};
use microlp::{
    ComparisonOp, OptimizationDirection, Problem, SolutionStatus, SolveOptions, Variable,
};
use serde::{Deserialize, Serialize};

use super::{SelectionError, in_range};

mod mothers;

pub use mothers::{Budget, MotherLimits, SidedContributions, allocate_within};

/// Added to every own coancestry before factoring, since clones of one genotype make the matrix
/// singular; it overstates a group coancestry by at most this.
const RIDGE: f64 = 1e-10;
/// Group coancestries nearer than this are the same.
const CLOSE: f64 = 1e-7;
/// A share below this is rounding.
const NO_SHARE: f64 = 1e-8;
/// Parents on either side with which the search begins, and that join it at once.
const WORKING_SET: usize = 60;
/// How far from optimal a share may be left, in parts of the range of merit.
const OPTIMAL_WITHIN: f64 = 1e-7;
/// Nodes of the pairing's search, many more than are usually needed.
const MOST_NODES: u64 = 20_000;

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

    fn merit_range(&self) -> f64 {
        let high = self.merit.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = self.merit.iter().copied().fold(f64::INFINITY, f64::min);
        if high > low { high - low } else { 1.0 }
    }

    /// The shares of greatest merit, whatever their coancestry.
    fn greatest_merit(&self) -> Contributions {
        let mut shares = vec![0.0; self.merit.len()];
        let mut left = 1.0f64;
        for i in self.by_merit() {
            shares[i] = left.min(self.largest_share);
            left -= shares[i];
        }
        self.describe(shares)
    }

    fn by_merit(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.merit.len()).collect();
        order.sort_by(|&a, &b| self.merit[b].total_cmp(&self.merit[a]).then(a.cmp(&b)));
        order
    }

    /// Shares of the least group coancestry: a quadratic programme.
    fn least_coancestry(&self) -> Result<Contributions, SelectionError> {
        let n = self.merit.len();
        let all: Vec<usize> = (0..n).collect();
        let upper = (0..n).flat_map(|j| (0..=j).map(move |i| (i, j)));
        let (rows, columns): (Vec<usize>, Vec<usize>) = upper.clone().unzip();
        let doubled = upper.map(|(i, j)| 2.0 * self.coancestry[i][j]).collect();
        let objective = CscMatrix::new_from_triplets(n, n, rows, columns, doubled);
        let solved = conic(&objective, &vec![0.0; n], &self.simplex(&all, None))?;
        Ok(self.describe(self.cleaned(&all, &solved.x)))
    }

    /// Shares from 0 to the largest that sum to 1, with c'Kc below a ceiling where one is given
    /// with the factor L of K = LL': ‖L'c‖ ≤ √ceiling.
    fn simplex(&self, among: &[usize], ceiling: Option<(f64, &Mat<f64>)>) -> Constraints {
        let m = among.len();
        let mut bounds = vec![1.0];
        bounds.extend(std::iter::repeat_n(0.0, m));
        bounds.extend(std::iter::repeat_n(self.largest_share, m));
        let mut cones = vec![
            SupportedConeT::ZeroConeT(1),
            SupportedConeT::NonnegativeConeT(2 * m),
        ];
        let mut rows_n = 1 + 2 * m;
        if let Some((ceiling, _)) = ceiling {
            bounds.push(ceiling.sqrt());
            bounds.extend(std::iter::repeat_n(0.0, m));
            cones.push(SupportedConeT::SecondOrderConeT(m + 1));
            rows_n += m + 1;
        }
        let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
        for i in 0..m {
            rows.extend([0, 1 + i, 1 + m + i]);
            values.extend([1.0, -1.0, 1.0]);
            if let Some((_, factor)) = ceiling {
                for r in 0..=i {
                    rows.push(2 + 2 * m + r);
                    values.push(-factor[(i, r)]);
                }
            }
            starts.push(rows.len());
        }
        Constraints {
            matrix: CscMatrix::new(rows_n, m, starts, rows, values),
            bounds,
            cones,
        }
    }

    /// Lower Cholesky factor of the coancestries among some.
    fn factor(&self, among: &[usize]) -> Result<Mat<f64>, SelectionError> {
        let within = Mat::from_fn(among.len(), among.len(), |i, j| {
            self.coancestry[among[i]][among[j]] + if i == j { RIDGE } else { 0.0 }
        });
        within
            .llt(Side::Lower)
            .map(|factor| factor.L().to_owned())
            .map_err(|_| SelectionError::NotCovariance {
                matrix: "coancestry",
                reason: "it has a negative eigenvalue".to_owned(),
            })
    }

    /// A solver's shares among some, made to keep their bounds and sum exactly.
    fn cleaned(&self, among: &[usize], solved: &[f64]) -> Vec<f64> {
        let mut shares = vec![0.0; self.merit.len()];
        for (&i, share) in among.iter().zip(solved) {
            if *share > NO_SHARE {
                shares[i] = share.min(self.largest_share);
            }
        }
        // What rounding left over goes to those with room, in proportion to it.
        let spare = 1.0 - shares.iter().sum::<f64>();
        let room = |share: f64| {
            if spare < 0.0 {
                share
            } else if share > 0.0 {
                self.largest_share - share
            } else {
                0.0
            }
        };
        let total: f64 = shares.iter().map(|&share| room(share)).sum();
        if total > 0.0 {
            for share in &mut shares {
                *share += spare * room(*share) / total;
            }
        }
        shares
    }

    /// Shares of greatest merit whose group coancestry stays at or below `ceiling`, as a
    /// second-order cone programme (Meuwissen 1997 states the problem; the cone form from memory).
    ///
    /// # Errors
    /// When a number is out of range or no shares reach so low a coancestry.
    pub fn optimal(&self, ceiling: f64) -> Result<Contributions, SelectionError> {
        self.check()?;
        self.between(&self.greatest_merit(), &self.least_coancestry()?, ceiling)
    }

    fn between(
        &self,
        greatest: &Contributions,
        least: &Contributions,
        ceiling: f64,
    ) -> Result<Contributions, SelectionError> {
        if greatest.coancestry <= ceiling {
            return Ok(greatest.clone());
        }
        in_range(
            "ceiling",
            ceiling,
            ceiling >= least.coancestry - CLOSE,
            "no lower than the least group coancestry of these parents",
        )?;
        if ceiling <= least.coancestry + CLOSE {
            return Ok(least.clone());
        }
        let mut among = self.first_working_set(least);
        loop {
            let whole = among.len() == self.merit.len();
            let joining = match self.restricted(&among, ceiling) {
                Ok((found, lacking)) if lacking.is_empty() => {
                    return Ok(self.lowered(found, least, ceiling));
                }
                Ok((_, lacking)) => lacking,
                Err(error) if whole => return Err(error),
                // Too few to reach so low a coancestry.
                Err(_) => (0..self.merit.len()).collect(),
            };
            let mut joined: BTreeSet<usize> = among.into_iter().collect();
            joined.extend(joining);
            among = joined.into_iter().collect();
        }
    }

    /// Those likely to have a share: the best, and those by which coancestry is lowered.
    fn first_working_set(&self, least: &Contributions) -> Vec<usize> {
        let mut by_share: Vec<usize> = (0..self.merit.len()).collect();
        by_share.sort_by(|&a, &b| least.shares[b].total_cmp(&least.shares[a]).then(a.cmp(&b)));
        let enough = WORKING_SET.max((1.0 / self.largest_share).ceil() as usize);
        let chosen = self.by_merit().into_iter().take(enough);
        let joined: BTreeSet<usize> = chosen.chain(by_share.into_iter().take(enough)).collect();
        joined.into_iter().collect()
    }

    /// The optimum among some, and those of the others whose entry would raise it: by the
    /// Karush-Kuhn-Tucker conditions the optimum among some is that of all when there are none.
    fn restricted(
        &self,
        among: &[usize],
        ceiling: f64,
    ) -> Result<(Contributions, Vec<usize>), SelectionError> {
        let (m, range) = (among.len(), self.merit_range());
        let factor = self.factor(among)?;
        let constraints = self.simplex(among, Some((ceiling, &factor)));
        let costs: Vec<f64> = among.iter().map(|&i| -self.merit[i] / range).collect();
        let solved = conic(&CscMatrix::zeros((m, m)), &costs, &constraints)?;
        let found = self.describe(self.cleaned(among, &solved.x));
        let price = solved.z[0];
        let price_of_kinship = solved.z[1 + 2 * m] / ceiling.sqrt();
        let inside: BTreeSet<usize> = among.iter().copied().collect();
        let mut lacking: Vec<(usize, f64)> = self
            .times(&found.shares)
            .into_iter()
            .enumerate()
            .filter(|(i, _)| !inside.contains(i))
            .map(|(i, kinship)| {
                (
                    i,
                    price + price_of_kinship * kinship - self.merit[i] / range,
                )
            })
            .filter(|(_, reduced)| *reduced < -OPTIMAL_WITHIN)
            .collect();
        lacking.sort_by(|a, b| a.1.total_cmp(&b.1));
        lacking.truncate(WORKING_SET);
        Ok((found, lacking.into_iter().map(|(i, _)| i).collect()))
    }

    /// Shares drawn towards those of the least coancestry until they keep the ceiling exactly.
    fn lowered(&self, found: Contributions, least: &Contributions, ceiling: f64) -> Contributions {
        let (a, d) = (found.coancestry, least.coancestry);
        if a <= ceiling {
            return found;
        }
        let b: f64 = self
            .times(&least.shares)
            .iter()
            .zip(&found.shares)
            .map(|(k, c)| k * c)
            .sum();
        // (1 - t)² a + 2 t (1 - t) b + t² d = ceiling, at its smaller root.
        let (square, half) = (a - 2.0 * b + d, b - a);
        let root = (half * half - square * (a - ceiling)).max(0.0).sqrt();
        let part = ((a - ceiling) / (root - half)).clamp(0.0, 1.0);
        let mixed = found.shares.iter().zip(&least.shares);
        self.describe(mixed.map(|(c, l)| (1.0 - part) * c + part * l).collect())
    }

    /// The trade-off curve: `points_n` optimal solutions from the greatest merit down to the least
    /// coancestry, evenly spaced in coancestry.
    ///
    /// # Errors
    /// When a number is out of range.
    pub fn trade_off(&self, points_n: usize) -> Result<Vec<Contributions>, SelectionError> {
        self.check()?;
        in_range("points_n", points_n as f64, points_n >= 2, "at least 2")?;
        let (greatest, least) = (self.greatest_merit(), self.least_coancestry()?);
        let span = greatest.coancestry - least.coancestry;
        if span <= CLOSE {
            return Ok(vec![greatest]);
        }
        (0..points_n)
            .map(|i| {
                let part = i as f64 / (points_n - 1) as f64;
                self.between(&greatest, &least, greatest.coancestry - part * span)
            })
            .collect()
    }
}

/// Ax + s = b with s in a product of cones.
struct Constraints {
    matrix: CscMatrix<f64>,
    bounds: Vec<f64>,
    cones: Vec<SupportedConeT<f64>>,
}

/// Minimises ½ x'Px + q'x under the constraints.
fn conic(
    objective: &CscMatrix<f64>,
    linear: &[f64],
    constraints: &Constraints,
) -> Result<DefaultSolution<f64>, SelectionError> {
    let settings = DefaultSettings {
        verbose: false,
        tol_gap_abs: 1e-9,
        tol_gap_rel: 1e-9,
        tol_feas: 1e-9,
        ..DefaultSettings::default()
    };
    let Constraints {
        matrix,
        bounds,
        cones,
    } = constraints;
    let mut solver = DefaultSolver::new(objective, linear, matrix, bounds, cones, settings);
    solver.solve();
    match solver.solution.status {
        SolverStatus::Solved | SolverStatus::AlmostSolved => Ok(solver.solution),
        status => Err(SelectionError::NotSolved(format!("{status:?}"))),
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

/// Crosses paired up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Allocation {
    /// Pairs by their parents.
    pub matings: Vec<Mating>,
    /// Whether no other pairing of these places has less inbreeding; false when the search was cut
    /// short with the best found so far.
    pub proven: bool,
}

/// Parts `crosses_n` crosses over parents in proportion to `shares` and pairs them for the least
/// inbreeding of progeny, as an integer programme: how often each pair is crossed, so that every
/// parent takes up its places. `allowed(i, j)` refuses pairs (incompatible, not crossable); a
/// parent never mates with itself.
///
/// # Errors
/// When sizes disagree or the allowed pairs cannot take up all places.
pub fn allocate_mates(
    shares: &[f64],
    coancestry: &[Vec<f64>],
    crosses_n: usize,
    allowed: impl Fn(usize, usize) -> bool,
) -> Result<Allocation, SelectionError> {
    let n = shares.len();
    if coancestry.len() != n || coancestry.iter().any(|row| row.len() != n) {
        return Err(SelectionError::WrongSize {
            field: "coancestry".to_owned(),
            found: coancestry.len(),
            expected: n,
            each: "parent",
        });
    }
    let places = places(shares, crosses_n)?;
    let used: Vec<usize> = (0..n).filter(|&i| places[i] > 0).collect();
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let mut pairs: Vec<(usize, usize, Variable)> = Vec::new();
    for (at, &i) in used.iter().enumerate() {
        for &j in &used[at + 1..] {
            if allowed(i, j) {
                let most = i32::try_from(places[i].min(places[j])).unwrap_or(i32::MAX);
                pairs.push((i, j, problem.add_integer_var(coancestry[i][j], (0, most))));
            }
        }
    }
    for &parent in &used {
        let of: Vec<(Variable, f64)> = pairs
            .iter()
            .filter(|(i, j, _)| *i == parent || *j == parent)
            .map(|(_, _, times)| (*times, 1.0))
            .collect();
        if of.is_empty() {
            return Err(cannot_pair());
        }
        problem.add_constraint(&of, ComparisonOp::Eq, places[parent] as f64);
    }
    let mut options = SolveOptions::default();
    options.node_limit = Some(MOST_NODES);
    let solution = match problem.solve_with(options) {
        Ok(outcome) => outcome.into_solution().map_err(|_| cannot_pair())?,
        Err(microlp::Error::Infeasible) => return Err(cannot_pair()),
        Err(error) => return Err(SelectionError::NotSolved(error.to_string())),
    };
    let matings = pairs
        .into_iter()
        .map(|(first, second, times)| Mating {
            first,
            second,
            crosses_n: solution.var_value(times).round() as usize,
            progeny_inbreeding: coancestry[first][second],
        })
        .filter(|mating| mating.crosses_n > 0)
        .collect();
    Ok(Allocation {
        matings,
        proven: solution.status() == SolutionStatus::Optimal,
    })
}

/// How often each parent stands in a cross: largest remainders of twice the crosses, none in more
/// than every cross once.
fn places(shares: &[f64], crosses_n: usize) -> Result<Vec<usize>, SelectionError> {
    let total: f64 = shares.iter().sum();
    in_range(
        "shares",
        total,
        total > 0.0 && shares.iter().all(|s| *s >= 0.0),
        "over 0 in all",
    )?;
    let places_n = 2 * crosses_n;
    let exact: Vec<f64> = shares.iter().map(|s| s / total * places_n as f64).collect();
    let mut places: Vec<usize> = exact
        .iter()
        .map(|x| (x.floor() as usize).min(crosses_n))
        .collect();
    let mut order: Vec<usize> = (0..shares.len()).filter(|&i| shares[i] > 0.0).collect();
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
    Ok(places)
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
                prop_assert!(pair[1].merit <= pair[0].merit + 1e-5);
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
        fn optima_meet_the_conditions_of_optimality(
            merit in prop::collection::vec(-3.0f64..3.0, 2..14),
            draws in prop::collection::vec(0.0f64..1.0, 14 * 4),
            cap in 0.5f64..1.0,
            part in 0.05f64..0.95,
        ) {
            let parents = related(merit, &draws, cap);
            let n = parents.merit.len();
            let (greatest, least) = (parents.greatest_merit(), parents.least_coancestry().unwrap());
            // At the least coancestry nothing is gained by moving share from one to another.
            let slopes = parents.times(&least.shares);
            for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
                let moves = least.shares[i] > 1e-5 && least.shares[j] < cap - 1e-5;
                prop_assert!(!moves || slopes[i] <= slopes[j] + 1e-4, "{i} {j}");
            }
            prop_assume!(greatest.coancestry > least.coancestry + 1e-3);
            let ceiling = least.coancestry + part * (greatest.coancestry - least.coancestry);
            let best = parents.optimal(ceiling).unwrap();
            prop_assert!((best.shares.iter().sum::<f64>() - 1.0).abs() < 1e-9);
            prop_assert!(best.shares.iter().all(|c| (-1e-12..=cap + 1e-12).contains(c)));
            prop_assert!((best.coancestry - ceiling).abs() < 1e-6);
            // Weak duality: for any price of kinship the Lagrangian's maximum bounds the merit. Its
            // maximum over the shares is bounded by that of its linearisation at the optimum, and
            // some price closes the gap.
            let range = parents.merit_range();
            let slopes = parents.times(&best.shares);
            let gap = |price: f64| {
                let gains: Vec<f64> =
                    (0..n).map(|i| parents.merit[i] / range - 2.0 * price * slopes[i]).collect();
                let mut order: Vec<usize> = (0..n).collect();
                order.sort_by(|&a, &b| gains[b].total_cmp(&gains[a]));
                let (mut left, mut most) = (1.0f64, 0.0);
                for i in order {
                    let share = left.min(cap);
                    most += share * gains[i];
                    left -= share;
                }
                most - best.shares.iter().zip(&gains).map(|(c, g)| c * g).sum::<f64>()
            };
            // The gap is convex in the price.
            let (mut low, mut high) = (0.0f64, 1e4);
            for _ in 0..200 {
                let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
                if gap(a) < gap(b) { high = b } else { low = a }
            }
            prop_assert!(gap(low) < 1e-4, "{} at {low}", gap(low));
        }

        #[test]
        fn mates_take_up_every_place(
            shares in prop::collection::vec(0.05f64..1.0, 4..12), crosses_n in 2usize..30
        ) {
            let parents = families(shares.clone());
            let found =
                allocate_mates(&shares, &parents.coancestry, crosses_n, |_, _| true).unwrap();
            prop_assert!(found.proven);
            prop_assert_eq!(found.matings.iter().map(|m| m.crosses_n).sum::<usize>(), crosses_n);
            prop_assert!(found.matings.iter().all(|m| m.first < m.second));
            let places = places(&shares, crosses_n).unwrap();
            for (parent, expected) in places.into_iter().enumerate() {
                let stands: usize = found
                    .matings
                    .iter()
                    .filter(|m| m.first == parent || m.second == parent)
                    .map(|m| m.crosses_n)
                    .sum();
                prop_assert_eq!(stands, expected);
            }
        }

        #[test]
        fn no_other_pairing_is_less_inbred(
            shares in prop::collection::vec(0.05f64..1.0, 3..6),
            crosses_n in 1usize..6,
            draws in prop::collection::vec(0.0f64..0.5, 15),
            refused in 0u32..1 << 15,
        ) {
            let n = shares.len();
            let at = |i: usize, j: usize| i.max(j) * (i.max(j) - 1) / 2 + i.min(j);
            let coancestry: Vec<Vec<f64>> = (0..n)
                .map(|i| (0..n).map(|j| if i == j { 0.5 } else { draws[at(i, j)] }).collect())
                .collect();
            // Four of five pairs are allowed, on average.
            let allowed = |i: usize, j: usize| refused >> at(i, j) & 1 == 0 || at(i, j) % 3 > 0;
            let best = least_by_trying(
                &mut places(&shares, crosses_n).unwrap(), &coancestry, &allowed,
            );
            let found = allocate_mates(&shares, &coancestry, crosses_n, allowed);
            match (best, found) {
                (None, found) => prop_assert!(found.is_err()),
                (Some(best), found) => {
                    let total: f64 = found
                        .unwrap()
                        .matings
                        .iter()
                        .map(|m| m.crosses_n as f64 * m.progeny_inbreeding)
                        .sum();
                    prop_assert!((total - best).abs() < 1e-9, "{} of {}", total, best);
                }
            }
        }
    }

    /// The least sum of coancestries over every way to pair up the places.
    fn least_by_trying(
        places: &mut [usize],
        coancestry: &[Vec<f64>],
        allowed: &impl Fn(usize, usize) -> bool,
    ) -> Option<f64> {
        let Some(i) = places.iter().position(|left| *left > 0) else {
            return Some(0.0);
        };
        places[i] -= 1;
        let mut least: Option<f64> = None;
        for j in i + 1..places.len() {
            if places[j] > 0 && allowed(i, j) {
                places[j] -= 1;
                let rest = least_by_trying(places, coancestry, allowed);
                if let Some(total) = rest.map(|rest| rest + coancestry[i][j]) {
                    least = Some(least.map_or(total, |least| least.min(total)));
                }
                places[j] += 1;
            }
        }
        places[i] += 1;
        least
    }

    /// Parents drawn from four founders, some of them twins of one genotype.
    fn related(merit: Vec<f64>, draws: &[f64], largest_share: f64) -> Parents {
        let n = merit.len();
        let founders: Vec<Vec<f64>> = (0..n)
            .map(|i| {
                let own = &draws[4 * (i / 2 * 2)..4 * (i / 2 * 2) + 4];
                let total: f64 = own.iter().sum::<f64>() + 1e-9;
                own.iter().map(|x| x / total).collect()
            })
            .collect();
        let coancestry = (0..n)
            .map(|i| {
                (0..n)
                    .map(|j| {
                        0.5 * founders[i]
                            .iter()
                            .zip(&founders[j])
                            .map(|(a, b)| a * b)
                            .sum::<f64>()
                    })
                    .collect()
            })
            .collect();
        Parents {
            merit,
            coancestry,
            largest_share,
        }
    }

    #[test]
    fn two_unrelated_parents_share_by_the_ceiling() {
        let parents = Parents {
            merit: vec![1.0, 0.0],
            coancestry: vec![vec![0.5, 0.0], vec![0.0, 0.5]],
            largest_share: 1.0,
        };
        // c² + (1 - c)² = 2 · 0.29 at c = 0.7.
        let best = parents.optimal(0.29).unwrap();
        assert!((best.shares[0] - 0.7).abs() < 1e-6, "{best:?}");
        assert!(parents.optimal(0.2).is_err());
    }

    #[test]
    fn sibs_are_kept_apart_and_refusals_respected() {
        let parents = families(vec![1.0; 4]);
        let found = allocate_mates(&[1.0; 4], &parents.coancestry, 4, |i, j| {
            (i, j) != (0, 2) && (j, i) != (0, 2)
        })
        .unwrap()
        .matings;
        assert!(found.iter().all(|m| m.progeny_inbreeding == 0.0));
        assert!(found.iter().all(|m| (m.first, m.second) != (0, 2)));
        assert!(allocate_mates(&[1.0; 4], &parents.coancestry, 4, |_, _| false).is_err());
    }
}
