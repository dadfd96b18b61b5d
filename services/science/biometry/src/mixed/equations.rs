//! Mixed-model equations (Henderson 1950, from memory) of the random effects scaled by the factor
//! L of their covariance, u = (L x I) v, so that variances of zero need no special case.

use super::ModelError;
use super::design::{Design, NO_LEVEL};
use super::residual::ResidualState;
use super::sparse::{Factor, Pattern};

/// Covariance of a random term's coefficients, L L' with L lower trapezoidal (coefficients x
/// rank); rank 0 is a component of zero.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Loading {
    pub(crate) n_coefficients: usize,
    pub(crate) rank: usize,
    /// Row-major, coefficients x rank.
    pub(crate) values: Vec<f64>,
    /// Whether all coefficients share one variance and no covariance (a smooth trend).
    pub(crate) shared: bool,
}

impl Loading {
    pub(crate) fn zero(n_coefficients: usize, shared: bool) -> Self {
        Self {
            n_coefficients,
            rank: 0,
            values: Vec::new(),
            shared,
        }
    }

    /// Independent coefficients with the given standard deviations.
    pub(crate) fn diagonal(deviations: &[f64], shared: bool) -> Self {
        let t = deviations.len();
        let mut values = vec![0.0; t * t];
        deviations
            .iter()
            .enumerate()
            .for_each(|(a, d)| values[a * t + a] = *d);
        Self {
            n_coefficients: t,
            rank: t,
            values,
            shared,
        }
    }

    pub(crate) fn at(&self, a: usize, s: usize) -> f64 {
        self.values[a * self.rank + s]
    }

    pub(crate) fn covariance(&self, a: usize, b: usize) -> f64 {
        (0..self.rank).map(|s| self.at(a, s) * self.at(b, s)).sum()
    }
}

const FIXED: u16 = u16::MAX;

/// One non-zero of [X Z L] in a record.
#[derive(Debug, Clone, Copy)]
struct Slot {
    equation: u32,
    /// Random term, or [`FIXED`].
    term: u16,
    /// Column of the loading.
    column: u16,
    /// Value for fixed slots.
    value: f64,
}

/// The equations' structure at given ranks of the random terms.
pub(crate) struct System {
    pub(crate) ranks: Vec<usize>,
    /// First equation of every random term.
    pub(crate) first: Vec<usize>,
    pub(crate) n_equations: usize,
    row_ptr: Vec<usize>,
    slots: Vec<Slot>,
    /// Places in the pattern, in the order [`System::visit`] meets them.
    plan: Vec<u32>,
    pub(crate) pattern: Pattern,
    /// Relationship inverses, already in place.
    penalty: Vec<f64>,
    pub(crate) log_relationship: f64,
}

/// The equations solved at given parameters.
pub(crate) struct Solved {
    /// Values of the slots.
    pub(crate) w: Vec<f64>,
    pub(crate) factor: Factor,
    /// Fixed effects, then scaled random effects v.
    pub(crate) solution: Vec<f64>,
    pub(crate) residuals: Vec<f64>,
    pub(crate) residual: ResidualState,
    pub(crate) log_likelihood: f64,
}

impl System {
    pub(crate) fn new(design: &Design, ranks: &[usize]) -> Self {
        let mut first = Vec::with_capacity(ranks.len());
        let mut n_equations = design.n_fixed;
        for (term, rank) in design.random.iter().zip(ranks) {
            first.push(n_equations);
            n_equations += term.levels.len() * rank;
        }
        let (mut row_ptr, mut slots) = (vec![0], Vec::new());
        for i in 0..design.n() {
            slots.extend(design.fixed_row(i).iter().map(|&(equation, value)| Slot {
                equation,
                term: FIXED,
                column: 0,
                value,
            }));
            for (k, term) in design.random.iter().enumerate() {
                if term.level_of[i] != NO_LEVEL {
                    let start = first[k] + term.level_of[i] as usize * ranks[k];
                    slots.extend((0..ranks[k]).map(|s| Slot {
                        equation: (start + s) as u32,
                        term: k as u16,
                        column: s as u16,
                        value: 0.0,
                    }));
                }
            }
            row_ptr.push(slots.len());
        }
        let mut places = Vec::new();
        visit(&row_ptr, &design.residual.pairs, |_, a, b, _| {
            places.push((slots[a].equation, slots[b].equation));
        });
        let mut own = Vec::new();
        let mut log_relationship = 0.0;
        for ((term, &rank), &start) in design.random.iter().zip(ranks).zip(&first) {
            match &term.relationship {
                None => {
                    own.extend((0..term.levels.len() * rank).map(|k| (start + k, start + k, 1.0)))
                }
                Some(relationship) => {
                    log_relationship += rank as f64 * relationship.log_determinant();
                    for &(i, j, value) in relationship.lower() {
                        own.extend(
                            (0..rank).map(|s| (start + i * rank + s, start + j * rank + s, value)),
                        );
                    }
                }
            }
            for level in 0..term.levels.len() {
                for s in 0..rank {
                    own.extend(
                        (0..s).map(|r| (start + level * rank + s, start + level * rank + r, 0.0)),
                    );
                }
            }
        }
        let mut all: Vec<(u32, u32)> = places.iter().map(|&(a, b)| (a.max(b), a.min(b))).collect();
        all.extend(own.iter().map(|&(i, j, _)| (i as u32, j as u32)));
        let pattern = Pattern::new(n_equations, all);
        let plan = places
            .iter()
            .map(|&(a, b)| pattern.position(a as usize, b as usize) as u32)
            .collect();
        let mut penalty = vec![0.0; pattern.len()];
        own.iter()
            .for_each(|&(i, j, value)| penalty[pattern.position(i, j)] += value);
        Self {
            ranks: ranks.to_vec(),
            first,
            n_equations,
            row_ptr,
            slots,
            plan,
            pattern,
            penalty,
            log_relationship,
        }
    }

    pub(crate) fn slot_values(&self, design: &Design, loadings: &[Loading]) -> Vec<f64> {
        let mut w = Vec::with_capacity(self.slots.len());
        for i in 0..design.n() {
            for slot in &self.slots[self.row_ptr[i]..self.row_ptr[i + 1]] {
                w.push(if slot.term == FIXED {
                    slot.value
                } else {
                    let loading = &loadings[slot.term as usize];
                    let covariates = &design.random[slot.term as usize].covariates;
                    (0..loading.n_coefficients)
                        .map(|a| covariates[a][i] * loading.at(a, slot.column as usize))
                        .sum()
                });
            }
        }
        w
    }

    /// W' x for a vector over records.
    pub(crate) fn transposed_times(&self, w: &[f64], x: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; self.n_equations];
        for (i, &value) in x.iter().enumerate() {
            for k in self.row_ptr[i]..self.row_ptr[i + 1] {
                product[self.slots[k].equation as usize] += w[k] * value;
            }
        }
        product
    }

    /// W s for a vector over equations.
    pub(crate) fn times(&self, w: &[f64], s: &[f64]) -> Vec<f64> {
        self.row_ptr
            .windows(2)
            .map(|ends| {
                (ends[0]..ends[1])
                    .map(|k| w[k] * s[self.slots[k].equation as usize])
                    .sum()
            })
            .collect()
    }

    /// x' (relationship inverse) x summed over the random terms.
    fn penalty_form(&self, design: &Design, solution: &[f64]) -> f64 {
        let mut sum = 0.0;
        for ((term, &rank), &start) in design.random.iter().zip(&self.ranks).zip(&self.first) {
            match &term.relationship {
                None => {
                    let own = &solution[start..start + term.levels.len() * rank];
                    sum += own.iter().map(|v| v * v).sum::<f64>();
                }
                Some(relationship) => {
                    for &(i, j, value) in relationship.lower() {
                        let twice = if i == j { 1.0 } else { 2.0 };
                        for s in 0..rank {
                            let (a, b) = (start + i * rank + s, start + j * rank + s);
                            sum += twice * value * solution[a] * solution[b];
                        }
                    }
                }
            }
        }
        sum
    }

    /// Factor of W' diag(weights) W + the relationship inverses, the weights one for each pair of
    /// records; `None` when it is not positive definite.
    pub(crate) fn assemble(&self, design: &Design, w: &[f64], weights: &[f64]) -> Option<Factor> {
        let mut values = self.penalty.clone();
        let mut step = 0;
        let slots = &self.slots;
        visit(
            &self.row_ptr,
            &design.residual.pairs,
            |pair, a, b, same_record| {
                let twice = !same_record && slots[a].equation == slots[b].equation;
                let share = weights[pair] * w[a] * w[b];
                values[self.plan[step] as usize] += if twice { 2.0 * share } else { share };
                step += 1;
            },
        );
        self.pattern.factorise(&values)
    }

    /// The relationship inverses times x, over the random equations.
    pub(crate) fn penalty_times(&self, design: &Design, x: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; x.len()];
        for ((term, &rank), &start) in design.random.iter().zip(&self.ranks).zip(&self.first) {
            match &term.relationship {
                None => {
                    let own = start..start + term.levels.len() * rank;
                    product[own.clone()].copy_from_slice(&x[own]);
                }
                Some(relationship) => {
                    for &(i, j, value) in relationship.lower() {
                        for s in 0..rank {
                            let (a, b) = (start + i * rank + s, start + j * rank + s);
                            product[a] += value * x[b];
                            if a != b {
                                product[b] += value * x[a];
                            }
                        }
                    }
                }
            }
        }
        product
    }

    /// Assembles, factors and solves the equations; the restricted log-likelihood follows from
    /// ln|V| + ln|X'V^-1 X| = ln|R| + ln|G| + ln|C| (Harville 1977, from memory).
    pub(crate) fn solve(
        &self,
        design: &Design,
        loadings: &[Loading],
        residual_parameters: &[f64],
    ) -> Result<Solved, ModelError> {
        let residual = design.residual.state(residual_parameters);
        let w = self.slot_values(design, loadings);
        let weights = &residual.weights;
        let factor = self
            .assemble(design, &w, weights)
            .ok_or_else(|| ModelError::Singular {
                what: "the coefficient matrix is not positive definite at the variances tried"
                    .into(),
            })?;
        let weighted = design.residual.apply(weights, &design.y);
        let mut solution = self.transposed_times(&w, &weighted);
        self.pattern.solve(&factor, &mut solution);
        let fitted = self.times(&w, &solution);
        let residuals: Vec<f64> = design.y.iter().zip(&fitted).map(|(y, f)| y - f).collect();
        let quadratic: f64 = design
            .residual
            .apply(weights, &residuals)
            .iter()
            .zip(&residuals)
            .map(|(a, b)| a * b)
            .sum::<f64>()
            + self.penalty_form(design, &solution);
        let free = (design.n() - design.n_fixed) as f64;
        let log_likelihood = -0.5
            * (free * (2.0 * std::f64::consts::PI).ln()
                + residual.log_determinant
                + self.log_relationship
                + factor.log_determinant
                + quadratic);
        if !log_likelihood.is_finite() {
            return Err(ModelError::Singular {
                what: "the likelihood is not finite".into(),
            });
        }
        Ok(Solved {
            w,
            factor,
            solution,
            residuals,
            residual,
            log_likelihood,
        })
    }

    /// With the inverse C^-1 on the pattern: for every random term the trace, by relationship, of
    /// Z'PZ L (coefficients x rank), and for every pair of records w_i' C^-1 w_j (both orders).
    pub(crate) fn traces(
        &self,
        design: &Design,
        w: &[f64],
        weights: &[f64],
        inverse: &[f64],
    ) -> (Vec<Vec<f64>>, Vec<f64>) {
        let mut by_term: Vec<Vec<f64>> = design
            .random
            .iter()
            .zip(&self.ranks)
            .map(|(term, rank)| vec![0.0; term.coefficients.len() * rank])
            .collect();
        let pairs = &design.residual.pairs;
        let mut by_pair = vec![0.0; pairs.len()];
        let mut step = 0;
        visit(&self.row_ptr, pairs, |pair, a, b, same_record| {
            let z = inverse[self.plan[step] as usize];
            step += 1;
            let one_place = same_record && a == b;
            by_pair[pair] += if one_place { 1.0 } else { 2.0 } * w[a] * w[b] * z;
            let mut credit = |own: usize, record: usize, other: usize| {
                let slot = self.slots[own];
                if slot.term != FIXED {
                    let k = slot.term as usize;
                    let share = weights[pair] * w[other] * z;
                    let rank = self.ranks[k];
                    for (c, covariate) in design.random[k].covariates.iter().enumerate() {
                        by_term[k][c * rank + slot.column as usize] += covariate[record] * share;
                    }
                }
            };
            let (i, j) = (pairs[pair].0 as usize, pairs[pair].1 as usize);
            credit(a, i, b);
            if !one_place {
                credit(b, j, a);
            }
        });
        (by_term, by_pair)
    }
}

/// Walks over every product of slots that R's inverse joins: for one record its lower triangle,
/// for two records every combination. Calls with (pair, slot, slot, whether one record).
fn visit(row_ptr: &[usize], pairs: &[(u32, u32)], mut each: impl FnMut(usize, usize, usize, bool)) {
    for (pair, &(i, j)) in pairs.iter().enumerate() {
        let (i, j) = (i as usize, j as usize);
        for a in row_ptr[i]..row_ptr[i + 1] {
            if i == j {
                for b in row_ptr[i]..=a {
                    each(pair, a, b, true);
                }
            } else {
                for b in row_ptr[j]..row_ptr[j + 1] {
                    each(pair, a, b, false);
                }
            }
        }
    }
}
