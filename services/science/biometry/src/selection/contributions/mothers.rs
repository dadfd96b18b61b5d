//! Optimal contributions where mothers and their flowers are limited.
//!
//! A parent's share c of the next generation is half its share m of the crosses as seed parent and
//! half its share 2c − m of them as pollen parent. What limits mothers is linear in m, so it stands
//! in the cone programme beside the ceiling on coancestry; how many plants serve as seed parents is
//! not, and is brought down by solving again among so few as keep most of the crosses where they were.

use std::collections::BTreeSet;

use clarabel::algebra::CscMatrix;
use clarabel::solver::SupportedConeT;
use faer::Mat;
use microlp::{
    ComparisonOp, OptimizationDirection, Problem, Solution, SolutionStatus, SolveOptions, Variable,
};
use serde::{Deserialize, Serialize};

use super::{
    Allocation, CLOSE, Constraints, Contributions, MOST_NODES, Mating, NO_SHARE, OPTIMAL_WITHIN,
    Parents, WORKING_SET, cannot_pair, conic, places,
};
use crate::selection::{SelectionError, in_range};

/// A parent with a lesser share of the crosses as seed parent is none.
const NO_MOTHER: f64 = 1e-6;
/// How far the cleaning of shares may leave them from what mothers bear.
const SLACK: f64 = 1e-6;
/// How far below a ceiling on coancestry the solver aims.
const AIM_BELOW: f64 = 2e-8;
/// Nodes of an integer programme's search after which its best so far is good enough.
const NODES_AT_ONCE: u64 = 200;
/// Worth of an easier direction of a cross beside its inbreeding: it decides between the directions
/// of one pair and no more.
const OF_EASE: f64 = 1e-6;

/// Something that crosses use up by their seed parents, as flowers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// What all crosses would use if each parent were the seed parent of every one of them.
    pub uses: Vec<f64>,
    /// How much there is.
    pub most: f64,
}

impl Budget {
    /// What seed parents use of it by their shares of the crosses.
    pub fn used(&self, seed_shares: &[f64]) -> f64 {
        self.uses.iter().zip(seed_shares).map(|(u, m)| u * m).sum()
    }
}

/// What limits who may be a mother, and of how much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MotherLimits {
    /// Largest share of the crosses that each parent can bear as seed parent, 0 to 1.
    pub largest_share: Vec<f64>,
    /// What crosses use up.
    pub budgets: Vec<Budget>,
    /// Most parents that serve as seed parents.
    pub seed_parents_n: Option<usize>,
}

impl MotherLimits {
    fn check(&self, n: usize) -> Result<(), SelectionError> {
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
        size("largest_share", self.largest_share.len())?;
        for &share in &self.largest_share {
            let within = (0.0..=1.0).contains(&share);
            in_range("largest_share", share, within, "from 0 to 1")?;
        }
        for budget in &self.budgets {
            size("uses", budget.uses.len())?;
            in_range("most", budget.most, budget.most > 0.0, "above 0")?;
            for &uses in &budget.uses {
                in_range("uses", uses, uses >= 0.0, "finite and at least 0")?;
            }
        }
        let some = self.seed_parents_n.is_none_or(|n| n > 0);
        in_range("seed_parents_n", 0.0, some, "at least 1")
    }

    fn may_be_mother(&self, parent: usize) -> bool {
        self.largest_share[parent] > 0.0
    }

    /// The limits with these parents alone as mothers.
    fn only(&self, mothers: &BTreeSet<usize>) -> Self {
        let share = |(i, share): (usize, &f64)| if mothers.contains(&i) { *share } else { 0.0 };
        Self {
            largest_share: self.largest_share.iter().enumerate().map(share).collect(),
            ..self.clone()
        }
    }

    /// So many parents, able to bear every cross, that the largest part of the crosses stays with the
    /// seed parents that have them: an integer programme.
    fn most_alike(
        &self,
        seed_shares: &[f64],
        most: usize,
    ) -> Result<BTreeSet<usize>, SelectionError> {
        let mut problem = Problem::new(OptimizationDirection::Maximize);
        let mothers: Vec<(usize, [Variable; 3])> = (0..seed_shares.len())
            .filter(|&i| self.may_be_mother(i))
            .map(|i| {
                let kept = seed_shares[i].min(self.largest_share[i]);
                let kept = problem.add_var(1.0, (0.0, kept));
                let more = problem.add_var(0.0, (0.0, self.largest_share[i]));
                (i, [kept, more, problem.add_integer_var(0.0, (0, 1))])
            })
            .collect();
        let mut whole = Vec::new();
        for (i, [kept, more, serves]) in &mothers {
            whole.extend([(*kept, 1.0), (*more, 1.0)]);
            let bears = [
                (*kept, 1.0),
                (*more, 1.0),
                (*serves, -self.largest_share[*i]),
            ];
            problem.add_constraint(bears, ComparisonOp::Le, 0.0);
        }
        problem.add_constraint(&whole, ComparisonOp::Eq, 1.0);
        for budget in &self.budgets {
            let uses: Vec<(Variable, f64)> = mothers
                .iter()
                .flat_map(|(i, [kept, more, _])| {
                    let uses = budget.uses[*i] / budget.most;
                    [(*kept, uses), (*more, uses)]
                })
                .collect();
            problem.add_constraint(&uses, ComparisonOp::Le, 1.0);
        }
        let all: Vec<(Variable, f64)> = mothers
            .iter()
            .map(|(_, [.., serves])| (*serves, 1.0))
            .collect();
        problem.add_constraint(&all, ComparisonOp::Le, most as f64);
        let solution = first_solution(&problem, cannot_bear)?;
        let serving = mothers
            .into_iter()
            .filter(|(_, [.., serves])| solution.var_value(*serves) > 0.5);
        Ok(serving.map(|(i, _)| i).collect())
    }

    /// So many parents that use the least of what is scarcest to them, those that bear nothing last.
    fn most_frugal(&self, n: usize) -> BTreeSet<usize> {
        let scarcest = |parent: usize| {
            let parts = self
                .budgets
                .iter()
                .map(|budget| budget.uses[parent] / budget.most);
            parts.fold(0.0, f64::max)
        };
        let mut order: Vec<usize> = (0..self.largest_share.len()).collect();
        order.sort_by(|&a, &b| {
            self.may_be_mother(b)
                .cmp(&self.may_be_mother(a))
                .then(scarcest(a).total_cmp(&scarcest(b)))
                .then(self.largest_share[b].total_cmp(&self.largest_share[a]))
                .then(a.cmp(&b))
        });
        order.into_iter().take(n).collect()
    }
}

/// Shares of parents, and in which part of the crosses each is the seed parent.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SidedContributions {
    /// Shares in the next generation.
    pub all: Contributions,
    /// Share of the crosses in which each is the seed parent; they add to 1.
    pub seed_shares: Vec<f64>,
}

impl SidedContributions {
    /// Parents that serve as seed parents.
    pub fn seed_parents_n(&self) -> usize {
        self.seed_shares.iter().filter(|m| **m > NO_MOTHER).count()
    }
}

impl Parents {
    /// Shares of greatest merit whose group coancestry stays at or below `ceiling` and whose seed
    /// parents keep the limits.
    ///
    /// Without a limit on the number of seed parents this is the optimum; with one it is a good
    /// solution whose merit the optimum without that limit bounds from above.
    ///
    /// # Errors
    /// When a number is out of range, or no shares keep the limits and reach so low a coancestry.
    pub fn optimal_within(
        &self,
        limits: &MotherLimits,
        ceiling: f64,
    ) -> Result<SidedContributions, SelectionError> {
        self.check()?;
        limits.check(self.merit.len())?;
        let outset = self.least_coancestry()?;
        self.with_few_mothers(limits, |limits| {
            self.between_within(limits, &outset, ceiling)
        })
    }

    /// The trade-off curve within limits on mothers: solutions from the greatest merit down to the
    /// least coancestry, evenly spaced in coancestry. A point that another one betters in both is left
    /// out, so that there may be fewer than `points_n`.
    ///
    /// # Errors
    /// When a number is out of range, or no shares keep the limits.
    pub fn trade_off_within(
        &self,
        limits: &MotherLimits,
        points_n: usize,
    ) -> Result<Vec<SidedContributions>, SelectionError> {
        self.check()?;
        limits.check(self.merit.len())?;
        in_range("points_n", points_n as f64, points_n >= 2, "at least 2")?;
        let first = self.with_few_mothers(limits, |limits| self.greatest_within(limits))?;
        let last = self.with_few_mothers(limits, |limits| self.least_within(limits))?;
        let span = first.all.coancestry - last.all.coancestry;
        if span <= CLOSE {
            return Ok(vec![first]);
        }
        let outset = self.least_coancestry()?;
        let mut curve = vec![last];
        for i in (1..points_n - 1).rev() {
            let part = i as f64 / (points_n - 1) as f64;
            let ceiling = first.all.coancestry - part * span;
            let found = self.with_few_mothers(limits, |limits| {
                self.between_within(limits, &outset, ceiling)
            });
            if let Ok(found) = found {
                join_curve(&mut curve, found);
            }
        }
        join_curve(&mut curve, first);
        curve.reverse();
        Ok(curve)
    }

    /// Solves, and where too many serve as seed parents solves again among so few of them as keep most
    /// of the crosses where they were.
    fn with_few_mothers(
        &self,
        limits: &MotherLimits,
        solve: impl Fn(&MotherLimits) -> Result<SidedContributions, SelectionError>,
    ) -> Result<SidedContributions, SelectionError> {
        let found = solve(limits)?;
        let most = match limits.seed_parents_n {
            Some(most) if found.seed_parents_n() > most => most,
            _ => return Ok(found),
        };
        let few = limits.most_alike(&found.seed_shares, most)?;
        solve(&limits.only(&few)).or_else(|error| {
            // Where these cannot reach so low a coancestry, those that use least may.
            solve(&limits.only(&limits.most_frugal(most))).map_err(|_| error)
        })
    }

    /// The shares of greatest merit within the limits, whatever their coancestry.
    fn greatest_within(&self, limits: &MotherLimits) -> Result<SidedContributions, SelectionError> {
        let all: Vec<usize> = (0..self.merit.len()).collect();
        let programme = self.programme(limits, &all, None);
        let range = self.merit_range();
        let costs = programme.costs(|i| -self.merit[i] / range);
        let size = costs.len();
        let solved = conic(
            &CscMatrix::zeros((size, size)),
            &costs,
            &programme.constraints,
        )
        .map_err(|_| cannot_bear())?;
        self.sided(limits, self.cleaned(&all, &solved.x[..all.len()]))
    }

    /// The shares of the least group coancestry within the limits.
    fn least_within(&self, limits: &MotherLimits) -> Result<SidedContributions, SelectionError> {
        let n = self.merit.len();
        let all: Vec<usize> = (0..n).collect();
        let programme = self.programme(limits, &all, None);
        let upper = (0..n).flat_map(|j| (0..=j).map(move |i| (i, j)));
        let (rows, columns): (Vec<usize>, Vec<usize>) = upper.clone().unzip();
        let doubled = upper.map(|(i, j)| 2.0 * self.coancestry[i][j]).collect();
        let costs = programme.costs(|_| 0.0);
        let size = costs.len();
        let objective = CscMatrix::new_from_triplets(size, size, rows, columns, doubled);
        let solved =
            conic(&objective, &costs, &programme.constraints).map_err(|_| cannot_bear())?;
        self.sided(limits, self.cleaned(&all, &solved.x[..n]))
    }

    /// Shares with those of the seed parents: as few as bear them, the largest shares first. This is
    /// a linear programme.
    fn sided(
        &self,
        limits: &MotherLimits,
        shares: Vec<f64>,
    ) -> Result<SidedContributions, SelectionError> {
        let mut problem = Problem::new(OptimizationDirection::Maximize);
        let mothers: Vec<(usize, Variable)> = (0..shares.len())
            .filter(|&i| shares[i] > 0.0 && limits.may_be_mother(i))
            .map(|i| {
                let most = (2.0 * shares[i] + SLACK).min(limits.largest_share[i]);
                (i, problem.add_var(shares[i], (0.0, most)))
            })
            .collect();
        let whole: Vec<(Variable, f64)> = mothers.iter().map(|(_, share)| (*share, 1.0)).collect();
        problem.add_constraint(&whole, ComparisonOp::Eq, 1.0);
        for budget in &limits.budgets {
            let uses: Vec<(Variable, f64)> = mothers
                .iter()
                .map(|(i, share)| (*share, budget.uses[*i] / budget.most))
                .collect();
            problem.add_constraint(&uses, ComparisonOp::Le, 1.0 + 10.0 * SLACK);
        }
        let solution = problem
            .solve()
            .ok()
            .and_then(|outcome| outcome.into_solution().ok())
            .ok_or_else(cannot_bear)?;
        let mut seed_shares = vec![0.0; shares.len()];
        for (i, share) in mothers {
            seed_shares[i] = solution.var_value(share).max(0.0);
        }
        Ok(SidedContributions {
            all: self.describe(shares),
            seed_shares,
        })
    }

    /// The constraints among some parents, with c'Kc below a ceiling where one is given with the
    /// factor of K. Variables are the shares, then those of the seed parents.
    fn programme(
        &self,
        limits: &MotherLimits,
        among: &[usize],
        ceiling: Option<(f64, &Mat<f64>)>,
    ) -> Programme {
        let m = among.len();
        let mothers: Vec<usize> = (0..m)
            .filter(|&at| limits.may_be_mother(among[at]))
            .collect();
        let (k, b) = (mothers.len(), limits.budgets.len());
        // Rows: two sums; then at least 0: shares, their caps, seed shares, their caps, what is left
        // of shares for pollen, and the budgets; then the cone.
        let (share, cap) = (2, 2 + m);
        let (seed, seed_cap) = (2 + 2 * m, 2 + 2 * m + k);
        let (pollen, budget) = (2 + 2 * m + 2 * k, 2 + 2 * m + 3 * k);
        let cone = budget + b;
        let mut bounds = vec![1.0, 1.0];
        bounds.extend(std::iter::repeat_n(0.0, m));
        bounds.extend(std::iter::repeat_n(self.largest_share, m));
        bounds.extend(std::iter::repeat_n(0.0, k));
        bounds.extend(mothers.iter().map(|&at| limits.largest_share[among[at]]));
        bounds.extend(std::iter::repeat_n(0.0, k));
        bounds.extend(std::iter::repeat_n(1.0, b));
        let mut cones = vec![
            SupportedConeT::ZeroConeT(2),
            SupportedConeT::NonnegativeConeT(2 * m + 3 * k + b),
        ];
        let mut rows_n = cone;
        if let Some((ceiling, _)) = ceiling {
            bounds.push(ceiling.sqrt());
            bounds.extend(std::iter::repeat_n(0.0, m));
            cones.push(SupportedConeT::SecondOrderConeT(m + 1));
            rows_n += m + 1;
        }
        let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
        let mut place_of = vec![None; m];
        for (place, &at) in mothers.iter().enumerate() {
            place_of[at] = Some(place);
        }
        for at in 0..m {
            rows.extend([0, share + at, cap + at]);
            values.extend([1.0, -1.0, 1.0]);
            if let Some(place) = place_of[at] {
                rows.push(pollen + place);
                values.push(-2.0);
            }
            if let Some((_, factor)) = ceiling {
                for r in 0..=at {
                    rows.push(cone + 1 + r);
                    values.push(-factor[(at, r)]);
                }
            }
            starts.push(rows.len());
        }
        for (place, &at) in mothers.iter().enumerate() {
            rows.extend([1, seed + place, seed_cap + place, pollen + place]);
            values.extend([1.0, -1.0, 1.0, 1.0]);
            for (row, of) in limits.budgets.iter().enumerate() {
                rows.push(budget + row);
                values.push(of.uses[among[at]] / of.most);
            }
            starts.push(rows.len());
        }
        Programme {
            constraints: Constraints {
                matrix: CscMatrix::new(rows_n, m + k, starts, rows, values),
                bounds,
                cones,
            },
            among: among.to_vec(),
            seed_n: k,
            budget_row: budget,
            cone_row: cone,
        }
    }

    /// The shares of greatest merit under a ceiling; `outset`, the least coancestry without limits, says
    /// with whom to begin.
    fn between_within(
        &self,
        limits: &MotherLimits,
        outset: &Contributions,
        ceiling: f64,
    ) -> Result<SidedContributions, SelectionError> {
        let greatest = self.greatest_within(limits)?;
        if greatest.all.coancestry <= ceiling {
            return Ok(greatest);
        }
        let reachable = |least: f64| {
            in_range(
                "ceiling",
                ceiling,
                ceiling >= least - CLOSE,
                "no lower than the least group coancestry of these parents and their mothers",
            )
        };
        reachable(outset.coancestry)?;
        let mut joined: BTreeSet<usize> = self.first_working_set(outset).into_iter().collect();
        joined.extend((0..self.merit.len()).filter(|&i| greatest.all.shares[i] > NO_SHARE));
        let mothers = self.by_merit().into_iter();
        joined.extend(
            mothers
                .filter(|&i| limits.may_be_mother(i))
                .take(WORKING_SET),
        );
        loop {
            let among: Vec<usize> = joined.iter().copied().collect();
            let whole = among.len() == self.merit.len();
            // What rounding takes away again is aimed for from below.
            match self.restricted_within(limits, &among, ceiling - AIM_BELOW) {
                Ok((shares, lacking)) if lacking.is_empty() => {
                    let found = self.describe(shares);
                    if found.coancestry <= ceiling {
                        return self.sided(limits, found.shares);
                    }
                    let least = self.least_within(limits)?.all;
                    return self.sided(limits, self.lowered(found, &least, ceiling).shares);
                }
                Ok((_, lacking)) => joined.extend(lacking),
                Err(_) if whole => {
                    let least = self.least_within(limits)?;
                    reachable(least.all.coancestry)?;
                    return Ok(least);
                }
                // Too few to reach so low a coancestry.
                Err(_) => joined.extend(0..self.merit.len()),
            }
        }
    }

    /// The optimum among some, and those of the others whose entry would raise it.
    fn restricted_within(
        &self,
        limits: &MotherLimits,
        among: &[usize],
        ceiling: f64,
    ) -> Result<(Vec<f64>, Vec<usize>), SelectionError> {
        let factor = self.factor(among)?;
        let programme = self.programme(limits, among, Some((ceiling, &factor)));
        let range = self.merit_range();
        let costs = programme.costs(|i| -self.merit[i] / range);
        let size = costs.len();
        let solved = conic(
            &CscMatrix::zeros((size, size)),
            &costs,
            &programme.constraints,
        )?;
        let shares = self.cleaned(among, &solved.x[..among.len()]);
        let (price, seed_price) = (solved.z[0], solved.z[1]);
        let of_kinship = solved.z[programme.cone_row] / ceiling.sqrt();
        let inside: BTreeSet<usize> = among.iter().copied().collect();
        let mut lacking: Vec<(usize, f64)> = self
            .times(&shares)
            .into_iter()
            .enumerate()
            .filter(|(i, _)| !inside.contains(i))
            .map(|(i, kinship)| {
                // What it is worth that a share also serves as seed parent.
                let of_budgets: f64 = limits
                    .budgets
                    .iter()
                    .zip(&solved.z[programme.budget_row..])
                    .map(|(budget, price)| price * budget.uses[i] / budget.most)
                    .sum();
                let as_mother = if limits.may_be_mother(i) {
                    (-(seed_price + of_budgets)).max(0.0)
                } else {
                    0.0
                };
                let reduced =
                    price + of_kinship * kinship - self.merit[i] / range - 2.0 * as_mother;
                (i, reduced)
            })
            .filter(|(_, reduced)| *reduced < -OPTIMAL_WITHIN)
            .collect();
        lacking.sort_by(|a, b| a.1.total_cmp(&b.1));
        lacking.truncate(WORKING_SET);
        Ok((shares, lacking.into_iter().map(|(i, _)| i).collect()))
    }
}

/// A programme's constraints, and where its parts lie.
struct Programme {
    constraints: Constraints,
    among: Vec<usize>,
    seed_n: usize,
    budget_row: usize,
    cone_row: usize,
}

impl Programme {
    /// Costs of the shares; seed shares cost nothing of themselves.
    fn costs(&self, of_share: impl Fn(usize) -> f64) -> Vec<f64> {
        let shares = self.among.iter().map(|&i| of_share(i));
        shares
            .chain(std::iter::repeat_n(0.0, self.seed_n))
            .collect()
    }
}

/// Parts `crosses_n` crosses over parents in proportion to their shares and pairs them, each with its
/// seed parent, within limits on mothers: as an integer programme that keeps each parent's places as
/// nearly as the limits allow, and then has the least inbreeding of progeny. `ease(mother, father)`
/// says how easily a direction works, from 0 to 9, or refuses it. In a [`Mating`] the first parent is
/// the mother.
///
/// # Errors
/// When sizes disagree, or the directions that work and the limits do not allow so many crosses.
pub fn allocate_within(
    sided: &SidedContributions,
    coancestry: &[Vec<f64>],
    crosses_n: usize,
    limits: &MotherLimits,
    ease: impl Fn(usize, usize) -> Option<u8>,
) -> Result<Allocation, SelectionError> {
    let n = sided.all.shares.len();
    limits.check(n)?;
    let shares: Vec<f64> = sided
        .all
        .shares
        .iter()
        .map(|share| if *share > NO_SHARE { *share } else { 0.0 })
        .collect();
    let places = places(&shares, crosses_n)?;
    let used: Vec<usize> = (0..n).filter(|&i| shares[i] > 0.0).collect();
    let whole = crosses_n as f64;
    let bears = |i: usize| (limits.largest_share[i] * whole + SLACK).floor() as i32;
    // A limit on their number is kept by taking those that have a share as such.
    let serves = |i: usize| limits.seed_parents_n.is_none() || sided.seed_shares[i] > NO_MOTHER;
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let mut ways: Vec<(usize, usize, Variable)> = Vec::new();
    for &mother in used.iter().filter(|&&i| bears(i) > 0 && serves(i)) {
        for &father in used.iter().filter(|&&i| i != mother) {
            if let Some(ease) = ease(mother, father) {
                let cost = coancestry[mother][father] - OF_EASE * f64::from(ease);
                let most = bears(mother).min(i32::try_from(crosses_n).unwrap_or(i32::MAX));
                let times = problem.add_integer_var(cost, (0, most));
                ways.push((mother, father, times));
            }
        }
    }
    let all: Vec<(Variable, f64)> = ways.iter().map(|(.., times)| (*times, 1.0)).collect();
    if all.is_empty() {
        return Err(cannot_pair());
    }
    problem.add_constraint(&all, ComparisonOp::Eq, whole);
    for &parent in &used {
        let mut of: Vec<(Variable, f64)> = ways
            .iter()
            .filter(|(mother, father, _)| *mother == parent || *father == parent)
            .map(|(.., times)| (*times, 1.0))
            .collect();
        // A place too many or too few weighs more than any inbreeding.
        let lacking = problem.add_var(1.0, (0.0, f64::INFINITY));
        let over = problem.add_var(1.0, (0.0, f64::INFINITY));
        of.extend([(lacking, 1.0), (over, -1.0)]);
        problem.add_constraint(&of, ComparisonOp::Eq, places[parent] as f64);
        let as_mother: Vec<(Variable, f64)> = ways
            .iter()
            .filter(|(mother, ..)| *mother == parent)
            .map(|(.., times)| (*times, 1.0))
            .collect();
        if !as_mother.is_empty() && limits.largest_share[parent] < 1.0 {
            problem.add_constraint(&as_mother, ComparisonOp::Le, f64::from(bears(parent)));
        }
    }
    for budget in &limits.budgets {
        let uses: Vec<(Variable, f64)> = ways
            .iter()
            .map(|(mother, _, times)| (*times, budget.uses[*mother] / whole))
            .collect();
        problem.add_constraint(&uses, ComparisonOp::Le, budget.most * (1.0 + SLACK));
    }
    let solution = first_solution(&problem, cannot_pair)?;
    Ok(Allocation {
        proven: solution.status() == SolutionStatus::Optimal,
        matings: ways
            .into_iter()
            .map(|(mother, father, times)| Mating {
                first: mother,
                second: father,
                crosses_n: solution.var_value(times).round() as usize,
                progeny_inbreeding: coancestry[mother][father],
            })
            .filter(|mating| mating.crosses_n > 0)
            .collect(),
    })
}

/// Puts a point of more coancestry to a curve, unless its merit is no greater; points that it betters
/// in both leave the curve.
fn join_curve(curve: &mut Vec<SidedContributions>, point: SidedContributions) {
    curve.retain(|other| {
        other.all.coancestry <= point.all.coancestry || other.all.merit > point.all.merit
    });
    if curve
        .last()
        .is_none_or(|other| point.all.merit > other.all.merit)
    {
        curve.push(point);
    }
}

/// The best solution of an integer programme that is found in a while; the search goes on for longer
/// only while there is none.
fn first_solution(
    problem: &Problem,
    infeasible: fn() -> SelectionError,
) -> Result<Solution, SelectionError> {
    let mut options = SolveOptions::default();
    options.node_limit = Some(NODES_AT_ONCE);
    let unsolved = |error| match error {
        microlp::Error::Infeasible => infeasible(),
        error => SelectionError::NotSolved(error.to_string()),
    };
    let mut outcome = problem.solve_with(options).map_err(unsolved)?;
    let mut nodes_n = NODES_AT_ONCE;
    while outcome.solution().is_none() && nodes_n < MOST_NODES {
        outcome = outcome.resume().map_err(unsolved)?;
        nodes_n += NODES_AT_ONCE;
    }
    outcome.into_solution().map_err(|_| infeasible())
}

fn cannot_bear() -> SelectionError {
    SelectionError::OutOfRange {
        field: "mothers".to_owned(),
        value: 0.0,
        must_be: "enough to bear every cross; allow more mothers, flowers or seed parents",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Pairs of full sibs, as in the tests of unlimited contributions.
    fn families(merit: Vec<f64>) -> Parents {
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
            largest_share: 0.5,
        }
    }

    fn free(n: usize) -> MotherLimits {
        MotherLimits {
            largest_share: vec![1.0; n],
            budgets: Vec::new(),
            seed_parents_n: None,
        }
    }

    #[test]
    fn flowers_that_are_short_move_the_mothers_to_where_fruit_sets() {
        // The two best set little fruit: a season on them alone would take 1,000 flowers.
        let parents = families(vec![3.0, 3.0, 1.0, 1.0]);
        let mut limits = free(4);
        limits.budgets = vec![Budget {
            uses: vec![1000.0, 1000.0, 200.0, 200.0],
            most: 400.0,
        }];
        let found = parents.optimal_within(&limits, 1.0).unwrap();
        // A quarter of the crosses on the best as mothers: 0.25 · 1,000 + 0.75 · 200 = 400. They are
        // pollen parents of all, so their share is (0.25 + 1) / 2.
        let used = limits.budgets[0].used(&found.seed_shares);
        assert!((used - 400.0).abs() < 0.1, "{used}: {found:?}");
        let best = found.all.shares[0] + found.all.shares[1];
        assert!((best - 0.625).abs() < 1e-3, "{found:?}");
        assert!((found.all.merit - (0.625 * 3.0 + 0.375)).abs() < 1e-3);
        assert!(parents.optimal(1.0).unwrap().merit > found.all.merit + 0.5);
        limits.budgets[0].most = 150.0;
        assert!(parents.optimal_within(&limits, 1.0).is_err());
    }

    #[test]
    fn only_those_with_trees_are_mothers() {
        let parents = families(vec![3.0, 2.0, 1.0, 0.0]);
        let mut limits = free(4);
        limits.largest_share = vec![0.0, 0.0, 0.3, 1.0];
        let found = parents.optimal_within(&limits, 1.0).unwrap();
        let expected = [0.0, 0.0, 0.3, 0.7];
        for (share, expected) in found.seed_shares.iter().zip(expected) {
            assert!((share - expected).abs() < 1e-4, "{found:?}");
        }
        assert!(
            (found.all.shares[0] - 0.5).abs() < 1e-4,
            "the best gives all pollen"
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn limits_that_do_not_bind_change_nothing(
            merit in prop::collection::vec(-3.0f64..3.0, 4..14), part in 0.1f64..0.9
        ) {
            let parents = families(merit);
            let n = parents.merit.len();
            let (high, low) = (parents.greatest_merit(), parents.least_coancestry().unwrap());
            let ceiling = low.coancestry + part * (high.coancestry - low.coancestry);
            let without = parents.optimal(ceiling).unwrap();
            let mut limits = free(n);
            limits.budgets = vec![Budget { uses: vec![1.0; n], most: 1.5 }];
            let within = parents.optimal_within(&limits, ceiling).unwrap();
            prop_assert!((without.merit - within.all.merit).abs() < 1e-4 * parents.merit_range());
            prop_assert!((within.seed_shares.iter().sum::<f64>() - 1.0).abs() < 1e-6);
        }

        #[test]
        fn every_limit_is_kept_along_the_curve(
            merit in prop::collection::vec(-3.0f64..3.0, 6..14),
            uses in prop::collection::vec(50.0f64..500.0, 14),
            tight in 0.05f64..0.95,
            most in 2usize..5,
        ) {
            let parents = families(merit);
            let n = parents.merit.len();
            let uses = uses[..n].to_vec();
            let mut cheapest = uses.clone();
            cheapest.sort_by(f64::total_cmp);
            // Room for the two cheapest, who can always bear every cross between them.
            let least = f64::midpoint(cheapest[0], cheapest[1]);
            let budget = least + tight * (cheapest[n - 1] - least) + 1.0;
            let limits = MotherLimits {
                largest_share: vec![1.0; n],
                budgets: vec![Budget { uses, most: budget }],
                seed_parents_n: Some(most),
            };
            let curve = parents.trade_off_within(&limits, 5).unwrap();
            let unlimited = parents.greatest_merit().merit;
            for point in &curve {
                let (all, seed) = (&point.all, &point.seed_shares);
                prop_assert!((all.shares.iter().sum::<f64>() - 1.0).abs() < 1e-6);
                prop_assert!((seed.iter().sum::<f64>() - 1.0).abs() < 1e-5);
                for (c, m) in all.shares.iter().zip(seed) {
                    prop_assert!(*m <= 2.0 * c + 1e-5);
                }
                prop_assert!(limits.budgets[0].used(seed) <= budget * (1.0 + 1e-4));
                prop_assert!(point.seed_parents_n() <= most, "{:?}", point);
                prop_assert!(all.merit <= unlimited + 1e-6);
            }
            for pair in curve.windows(2) {
                prop_assert!(pair[1].all.merit <= pair[0].all.merit + 1e-4);
                prop_assert!(pair[1].all.coancestry <= pair[0].all.coancestry + 1e-4);
            }
            // Whole crosses keep the limits exactly.
            let middle = &curve[curve.len() / 2];
            if let Ok(whole) =
                allocate_within(middle, &parents.coancestry, 12, &limits, |_, _| Some(1))
            {
                let mut as_mother = vec![0.0; n];
                for mating in &whole.matings {
                    as_mother[mating.first] += mating.crosses_n as f64 / 12.0;
                }
                prop_assert!((as_mother.iter().sum::<f64>() - 1.0).abs() < 1e-9);
                prop_assert!(limits.budgets[0].used(&as_mother) <= budget * 1.0001);
                prop_assert!(as_mother.iter().filter(|m| **m > 0.0).count() <= most);
            }
        }
    }
}
