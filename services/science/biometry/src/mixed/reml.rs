//! Residual maximum likelihood by average information (Gilmour, Thompson and Cullis 1995, from
//! memory) with a line search, expectation-maximisation steps where it fails, and components at
//! the boundary held at zero by lowering the rank of their covariance.

use faer::prelude::Solve;
use faer::{Mat, Side};

use super::ModelError;
use super::design::{Design, NO_LEVEL};
use super::equations::{Loading, Solved, System};
use super::sparse::Pattern;

/// Variances and correlations in the form in which they are searched.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Parameters {
    pub(crate) loadings: Vec<Loading>,
    pub(crate) residual: Vec<f64>,
}

/// One free parameter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Free {
    Loading {
        term: usize,
        coefficient: usize,
        column: usize,
    },
    Residual(usize),
}

impl Parameters {
    /// Whether a parameter is a pivot of a square L, which must keep its sign. Loadings of lower
    /// rank may change theirs.
    fn is_pivot(&self, free: Free) -> bool {
        matches!(free, Free::Loading { term, coefficient, column } if coefficient == column
            && self.loadings[term].rank == self.loadings[term].n_coefficients)
    }

    pub(crate) fn value(&self, free: Free) -> f64 {
        match free {
            Free::Loading {
                term,
                coefficient,
                column,
            } => self.loadings[term].at(coefficient, column),
            Free::Residual(k) => self.residual[k],
        }
    }

    pub(crate) fn ranks(&self) -> Vec<usize> {
        self.loadings.iter().map(|l| l.rank).collect()
    }

    pub(crate) fn free(&self) -> Vec<Free> {
        let mut free = Vec::new();
        for (term, loading) in self.loadings.iter().enumerate() {
            if loading.shared && loading.rank > 0 {
                free.push(Free::Loading {
                    term,
                    coefficient: 0,
                    column: 0,
                });
                continue;
            }
            for column in 0..loading.rank {
                free.extend(
                    (column..loading.n_coefficients).map(|coefficient| Free::Loading {
                        term,
                        coefficient,
                        column,
                    }),
                );
            }
        }
        free.extend((0..self.residual.len()).map(Free::Residual));
        free
    }

    /// Places (coefficient, column) of a loading that a parameter stands for.
    pub(crate) fn entries(&self, free: Free) -> Vec<(usize, usize)> {
        match free {
            Free::Loading { term, .. } if self.loadings[term].shared => {
                (0..self.loadings[term].rank).map(|s| (s, s)).collect()
            }
            Free::Loading {
                coefficient,
                column,
                ..
            } => vec![(coefficient, column)],
            Free::Residual(_) => Vec::new(),
        }
    }

    pub(crate) fn set(&mut self, free: Free, value: f64) {
        match free {
            Free::Loading {
                term,
                coefficient,
                column,
            } => {
                let loading = &mut self.loadings[term];
                let rank = loading.rank;
                if loading.shared {
                    (0..rank).for_each(|s| loading.values[s * rank + s] = value);
                } else {
                    loading.values[coefficient * rank + column] = value;
                }
            }
            Free::Residual(k) => self.residual[k] = value,
        }
    }

    /// The parameters a share of the way along a step; the pivots of L and the correlations keep
    /// within their domain.
    fn along(&self, free: &[Free], step: &[f64], share: f64) -> Self {
        let mut moved = self.clone();
        for (&which, delta) in free.iter().zip(step) {
            let is_pivot = self.is_pivot(which);
            let value = self.value(which);
            let target = value + share * delta;
            let kept = match which {
                Free::Residual(_) => value.clamp(-700.0, 700.0) + (share * delta).clamp(-3.0, 3.0),
                Free::Loading { .. } if is_pivot => {
                    let size = value.abs();
                    (target * value.signum()).clamp(0.1 * size, 10.0 * size) * value.signum()
                }
                Free::Loading { .. } => target,
            };
            moved.set(which, kept);
        }
        moved
    }
}

/// Score, average information and the expectation-maximisation update at solved equations.
pub(crate) struct Derivatives {
    pub(crate) free: Vec<Free>,
    pub(crate) score: Vec<f64>,
    pub(crate) information: Mat<f64>,
    /// The information with the curvature that squaring L adds where the likelihood falls with
    /// the covariance, which keeps steps near the boundary of a sensible size.
    ascent: Mat<f64>,
    update: Option<Parameters>,
    /// Share of every random term's design left once the fixed terms are fitted.
    distinct: Vec<f64>,
}

/// Outcome of the search.
pub(crate) struct Optimum {
    pub(crate) parameters: Parameters,
    pub(crate) system: System,
    pub(crate) solved: Solved,
    pub(crate) derivatives: Derivatives,
    pub(crate) inverse: Vec<f64>,
    pub(crate) iterations: usize,
    pub(crate) gradient: f64,
    /// Log-likelihood at the start of every iteration.
    pub(crate) trace: Vec<f64>,
}

/// Scaled random effects of one column of a term, by level.
fn scaled_effects(
    system: &System,
    solution: &[f64],
    term: usize,
    levels: usize,
    s: usize,
) -> Vec<f64> {
    let (first, rank) = (system.first[term], system.ranks[term]);
    (0..levels)
        .map(|l| solution[first + l * rank + s])
        .collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// A Z'Py of a term, one vector per coefficient: from the effects when L is square, otherwise by
/// solving with the relationship inverse.
fn related_scores(
    design: &Design,
    term: usize,
    loading: &Loading,
    scores: &[Vec<f64>],
    effects: &[Vec<f64>],
) -> Vec<Vec<f64>> {
    let t = loading.n_coefficients;
    if loading.rank == t {
        let mut m = effects.to_vec();
        for s in (0..t).rev() {
            for a in s + 1..t {
                let (head, tail) = m.split_at_mut(a);
                let weight = loading.at(a, s);
                head[s]
                    .iter_mut()
                    .zip(&tail[0])
                    .for_each(|(x, y)| *x -= weight * y);
            }
            let pivot = loading.at(s, s);
            m[s].iter_mut().for_each(|x| *x /= pivot);
        }
        return m;
    }
    let Some(relationship) = &design.random[term].relationship else {
        return scores.to_vec();
    };
    let places = relationship
        .lower()
        .iter()
        .map(|&(i, j, _)| (i as u32, j as u32))
        .collect();
    let pattern = Pattern::new(relationship.levels().len(), places);
    let mut values = vec![0.0; pattern.len()];
    relationship
        .lower()
        .iter()
        .for_each(|&(i, j, v)| values[pattern.position(i, j)] += v);
    let mut solved = scores.to_vec();
    if let Some(factor) = pattern.factorise(&values) {
        solved.iter_mut().for_each(|x| pattern.solve(&factor, x));
    }
    solved
}

pub(crate) fn derivatives(
    design: &Design,
    system: &System,
    solved: &Solved,
    parameters: &Parameters,
    inverse: &[f64],
) -> Derivatives {
    let free = parameters.free();
    let weights = &solved.residual.weights;
    let (ml, by_pair) = system.traces(design, &solved.w, weights, inverse);
    let projected = design.residual.apply(weights, &solved.residuals);
    let mut score = Vec::with_capacity(free.len());
    // Working vectors q = dV Py and R^-1 q.
    let (mut q, mut g) = (
        Vec::with_capacity(free.len()),
        Vec::with_capacity(free.len()),
    );
    let mut update = Some(parameters.clone());
    let mut distinct = Vec::with_capacity(design.random.len());
    let mut bends: Vec<(usize, usize, f64)> = Vec::new();
    for (k, term) in design.random.iter().enumerate() {
        let loading = &parameters.loadings[k];
        let (t, r, levels) = (loading.n_coefficients, loading.rank, term.levels.len());
        if r == 0 {
            distinct.push(1.0);
            continue;
        }
        let scores: Vec<Vec<f64>> = term
            .covariates
            .iter()
            .map(|z| {
                let mut h = vec![0.0; levels];
                for (i, &l) in term
                    .level_of
                    .iter()
                    .enumerate()
                    .filter(|(_, l)| **l != NO_LEVEL)
                {
                    h[l as usize] += z[i] * projected[i];
                }
                h
            })
            .collect();
        let effects: Vec<Vec<f64>> = (0..r)
            .map(|s| scaled_effects(system, &solved.solution, k, levels, s))
            .collect();
        let m = related_scores(design, k, loading, &scores, &effects);
        let (mut common_score, mut common) = (0.0, vec![0.0; design.n()]);
        let first_free = score.len();
        for s in 0..r {
            let scaled: Vec<f64> = (0..design.n())
                .map(|i| {
                    (0..t)
                        .map(|a| term.covariates[a][i] * loading.at(a, s))
                        .sum()
                })
                .collect();
            let last = if loading.shared { s + 1 } else { t };
            for a in s..last {
                let own_score = dot(&scores[a], &effects[s]) - ml[k][a * r + s];
                let working: Vec<f64> = term
                    .level_of
                    .iter()
                    .enumerate()
                    .map(|(i, &l)| {
                        if l == NO_LEVEL {
                            0.0
                        } else {
                            let l = l as usize;
                            term.covariates[a][i] * effects[s][l] + scaled[i] * m[a][l]
                        }
                    })
                    .collect();
                if loading.shared {
                    common_score += own_score;
                    common.iter_mut().zip(&working).for_each(|(c, w)| *c += w);
                    continue;
                }
                score.push(own_score);
                g.push(design.residual.apply(weights, &working));
                q.push(working);
            }
        }
        if loading.shared {
            score.push(common_score);
            g.push(design.residual.apply(weights, &common));
            q.push(common);
            let slope = (common_score / loading.at(0, 0)).min(0.0);
            bends.push((first_free, first_free, -slope));
        } else {
            let slope_of_l =
                Mat::from_fn(t, r, |a, s| dot(&scores[a], &effects[s]) - ml[k][a * r + s]);
            let bend = falling_curvature(loading, &term.mean_square, &slope_of_l);
            let mut start = first_free;
            for s in 0..r {
                for a in s..t {
                    for b in s..t {
                        bends.push((start + a - s, start + b - s, bend[(a, b)]));
                    }
                }
                start += t - s;
            }
        }
        // L'(Z'PZ)L traced by relationship, and L'h, give E(v'A^-1 v) = vv + levels - N.
        let through = |s: usize, u: usize| -> f64 {
            (0..t).map(|a| loading.at(a, s) * ml[k][a * r + u]).sum()
        };
        let mut total = 0.0;
        let expected = Mat::from_fn(r, r, |s, u| {
            let lh: f64 = (0..t)
                .map(|a| loading.at(a, u) * dot(&scores[a], &effects[s]))
                .sum();
            let identity = if s == u { levels as f64 } else { 0.0 };
            (lh + identity - 0.5 * (through(s, u) + through(u, s))) / levels as f64
        });
        let mut before = 0.0;
        for s in 0..r {
            total += through(s, s);
            before += (0..t)
                .map(|a| loading.at(a, s).powi(2) * term.mean_square[a])
                .sum::<f64>();
        }
        let mean_weight = weights.iter().sum::<f64>() / weights.len() as f64;
        distinct.push(total / (before * mean_weight * design.used.len() as f64));
        update = update.and_then(|mut u| {
            if loading.shared {
                let mean = (0..r).map(|s| expected[(s, s)]).sum::<f64>() / r as f64;
                let deviation = loading.at(0, 0) * mean.max(0.0).sqrt();
                u.loadings[k] = Loading::diagonal(&vec![deviation; t], true);
                return Some(u);
            }
            let root = expected.llt(Side::Lower).ok()?;
            let root = root.L();
            let mut values = vec![0.0; t * r];
            for a in 0..t {
                for s in 0..r {
                    values[a * r + s] = (s..r).map(|c| loading.at(a, c) * root[(c, s)]).sum();
                }
            }
            u.loadings[k].values = values;
            Some(u)
        });
    }
    for (k, (d_weights, d_log)) in solved.residual.derivatives.iter().enumerate() {
        let pulled = design.residual.apply(d_weights, &solved.residuals);
        let trace: f64 = dot(d_weights, &by_pair);
        score.push(-0.5 * (d_log + trace + dot(&pulled, &solved.residuals)));
        let minus: Vec<f64> = pulled.iter().map(|x| -x).collect();
        q.push(
            design
                .residual
                .covariance_times(&parameters.residual, &minus),
        );
        g.push(minus);
        if let (Some(groups), Some(update)) = (design.residual.group_of(), &mut update) {
            let of_group = |i: &usize| groups[*i] as usize == k;
            let sum: f64 = (0..design.n())
                .filter(of_group)
                .map(|i| solved.residuals[i].powi(2) + by_pair[i])
                .sum();
            let n = (0..design.n()).filter(of_group).count() as f64;
            update.residual[k] = (sum / n).ln();
        }
    }
    let through: Vec<(Vec<f64>, Vec<f64>)> = g
        .iter()
        .map(|own| {
            let right = system.transposed_times(&solved.w, own);
            let mut left = right.clone();
            system.pattern.solve(&solved.factor, &mut left);
            (right, left)
        })
        .collect();
    let information = Mat::from_fn(free.len(), free.len(), |a, b| {
        0.25 * (dot(&q[a], &g[b]) + dot(&q[b], &g[a])
            - dot(&through[a].0, &through[b].1)
            - dot(&through[b].0, &through[a].1))
    });
    let mut ascent = information.clone();
    bends
        .iter()
        .for_each(|&(i, j, bend)| ascent[(i, j)] += bend);
    Derivatives {
        ascent,
        free,
        score,
        information,
        update,
        distinct,
    }
}

/// -2 S_, with S the slope of the likelihood by the covariance L L' and S_ its negative part:
/// minus the second derivative of the likelihood by a column of L that the average information
/// leaves out. `slope_of_l` is 2 S L; where L has not full rank, S is completed as
/// K + K' - P K from K = S L L^+ and P = L L^+.
fn falling_curvature(loading: &Loading, mean_square: &[f64], slope_of_l: &Mat<f64>) -> Mat<f64> {
    let (t, r) = (loading.n_coefficients, loading.rank);
    let unit = |a: usize| mean_square[a].sqrt();
    let l = Mat::from_fn(t, r, |a, s| unit(a) * loading.at(a, s));
    let slope = Mat::from_fn(t, r, |a, s| 0.5 * slope_of_l[(a, s)] / unit(a));
    let none = Mat::zeros(t, t);
    let Ok(cross) = (l.transpose() * &l).llt(Side::Lower) else {
        return none;
    };
    let pseudo_inverse = cross.solve(l.transpose());
    let k = &slope * &pseudo_inverse;
    let projection = &l * &pseudo_inverse;
    let whole = &k + k.transpose() - &projection * &k;
    let symmetric = faer::Scale(0.5) * (&whole + whole.transpose());
    let Ok(eigen) = symmetric.self_adjoint_eigen(Side::Lower) else {
        return none;
    };
    Mat::from_fn(t, t, |a, b| {
        let falling: f64 = (0..t)
            .map(|m| {
                let value = eigen.S().column_vector()[m].min(0.0);
                value * eigen.U()[(a, m)] * eigen.U()[(b, m)]
            })
            .sum();
        -2.0 * falling * unit(a) * unit(b)
    })
}

/// Derivative of the equations' solution by every free parameter: from C s = W'R^-1 y,
/// C ds = dW'R^-1 e - W'R^-1 dW s for a loading and W' d(R^-1) e for a residual parameter.
pub(crate) fn solution_slopes(design: &Design, optimum: &Optimum) -> Vec<Vec<f64>> {
    let (system, solved) = (&optimum.system, &optimum.solved);
    let weights = &solved.residual.weights;
    let projected = design.residual.apply(weights, &solved.residuals);
    let slope_of = |free: &Free| {
        let mut slope = match *free {
            Free::Loading { term, .. } => {
                let random = &design.random[term];
                let (first, rank) = (system.first[term], system.ranks[term]);
                let mut moved = vec![0.0; design.n()];
                let mut right = vec![0.0; system.n_equations];
                for (coefficient, column) in optimum.parameters.entries(*free) {
                    for (i, &l) in random
                        .level_of
                        .iter()
                        .enumerate()
                        .filter(|(_, l)| **l != NO_LEVEL)
                    {
                        let equation = first + l as usize * rank + column;
                        let z = random.covariates[coefficient][i];
                        moved[i] += z * solved.solution[equation];
                        right[equation] += z * projected[i];
                    }
                }
                let back =
                    system.transposed_times(&solved.w, &design.residual.apply(weights, &moved));
                right.iter_mut().zip(&back).for_each(|(r, b)| *r -= b);
                right
            }
            Free::Residual(k) => {
                let pulled = design
                    .residual
                    .apply(&solved.residual.derivatives[k].0, &solved.residuals);
                system.transposed_times(&solved.w, &pulled)
            }
        };
        system.pattern.solve(&solved.factor, &mut slope);
        slope
    };
    optimum.derivatives.free.iter().map(slope_of).collect()
}

/// The ascent step of the average information, with its diagonal raised as far as it must be for
/// the matrix to be positive definite.
fn newton_step(information: &Mat<f64>, score: &[f64]) -> Vec<f64> {
    let n = score.len();
    let rhs = Mat::from_fn(n, 1, |i, _| score[i]);
    let mut ridge = 0.0;
    loop {
        let raised = Mat::from_fn(n, n, |i, j| {
            information[(i, j)]
                + if i == j {
                    ridge * (information[(i, i)].abs() + 1e-12)
                } else {
                    0.0
                }
        });
        if let Ok(factor) = raised.llt(Side::Lower) {
            let pivots = factor.L();
            let sound = (0..n).all(|k| pivots[(k, k)].powi(2) > 1e-12 * raised[(k, k)]);
            if sound {
                let step = factor.solve(&rhs);
                return (0..n).map(|k| step[(k, 0)]).collect();
            }
        }
        ridge = if ridge == 0.0 { 1e-6 } else { ridge * 10.0 };
        if ridge > 1e6 {
            return score.to_vec();
        }
    }
}

/// The step of the average information with pivots of L kept from falling by more than nine
/// tenths at once; the other parameters move as is best beside the pivots so held. Also the
/// decrement s' I^-1 s over the parameters that moved freely, plus the gain of the held ones.
fn bounded_step(parameters: &Parameters, here: &Derivatives) -> (Vec<f64>, f64) {
    const DEEPEST: f64 = -0.9;
    let n = here.free.len();
    let mut held: Vec<Option<f64>> = vec![None; n];
    loop {
        let moving: Vec<usize> = (0..n).filter(|&k| held[k].is_none()).collect();
        let information = Mat::from_fn(moving.len(), moving.len(), |i, j| {
            here.ascent[(moving[i], moving[j])]
        });
        let score: Vec<f64> = moving
            .iter()
            .map(|&i| {
                let pulled: f64 = (0..n)
                    .filter_map(|j| held[j].map(|step| here.ascent[(i, j)] * step))
                    .sum();
                here.score[i] - pulled
            })
            .collect();
        let part = newton_step(&information, &score);
        let mut step: Vec<f64> = held.iter().map(|h| h.unwrap_or(0.0)).collect();
        moving
            .iter()
            .zip(&part)
            .for_each(|(&k, value)| step[k] = *value);
        let sinking: Vec<usize> = moving
            .iter()
            .copied()
            .filter(|&k| {
                let value = parameters.value(here.free[k]);
                parameters.is_pivot(here.free[k])
                    && step[k] * value.signum() < DEEPEST * value.abs() * 1.000_001
            })
            .collect();
        if sinking.is_empty() {
            let gain: f64 = held
                .iter()
                .zip(&here.score)
                .filter_map(|(h, s)| h.map(|h| h * s))
                .sum();
            return (step, dot(&part, &score) + gain.abs());
        }
        for k in sinking {
            held[k] = Some(DEEPEST * parameters.value(here.free[k]));
        }
    }
}

/// What to try when the full step does not gain what it promised: shorter steps, steps nearer to
/// steepest ascent, the expectation-maximisation update, and sinking covariances scaled down as
/// a whole.
fn cautious_steps(parameters: &Parameters, here: &Derivatives, step: &[f64]) -> Vec<Parameters> {
    let mut candidates: Vec<Parameters> = (0..8)
        .map(|k| parameters.along(&here.free, step, 0.5_f64.powi(k)))
        .collect();
    let n = here.free.len();
    for ridge in [0.01, 0.1, 1.0, 10.0] {
        let raised = Mat::from_fn(n, n, |i, j| {
            here.ascent[(i, j)] * if i == j { 1.0 + ridge } else { 1.0 }
        });
        let damped = newton_step(&raised, &here.score);
        candidates.extend([1.0, 0.3].map(|share| parameters.along(&here.free, &damped, share)));
    }
    for (k, loading) in parameters.loadings.iter().enumerate() {
        let of_term = |f: &Free| matches!(f, Free::Loading { term, .. } if *term == k);
        let outward: f64 = (here.free.iter().zip(&here.score))
            .filter(|(f, _)| of_term(f))
            .map(|(f, s)| s * parameters.value(*f))
            .sum();
        if loading.rank > 0 && outward < 0.0 {
            for scale in [0.1, 0.5] {
                let mut sunk = parameters.clone();
                sunk.loadings[k].values.iter_mut().for_each(|v| *v *= scale);
                candidates.push(sunk);
            }
        }
    }
    candidates.extend(here.update.clone());
    candidates
}

/// L of the nearest covariance of lower rank, when the least eigenvalue (covariates scaled to unit
/// mean square) has become negligible beside the residual variance.
fn lowered(loading: &Loading, mean_square: &[f64], residual_variance: f64) -> Option<Loading> {
    let (t, r) = (loading.n_coefficients, loading.rank);
    if r == 0 {
        return None;
    }
    if loading.shared {
        let size = loading.at(0, 0).powi(2) * mean_square.iter().sum::<f64>();
        return (size < 1e-7 * residual_variance).then(|| Loading::zero(t, true));
    }
    let scaled =
        |a: usize, b: usize| loading.covariance(a, b) * (mean_square[a] * mean_square[b]).sqrt();
    if t == 1 {
        return (scaled(0, 0) < 1e-7 * residual_variance).then(|| Loading::zero(1, false));
    }
    let eigen = Mat::from_fn(t, t, scaled)
        .self_adjoint_eigen(Side::Lower)
        .ok()?;
    let values: Vec<f64> = (0..t).map(|k| eigen.S().column_vector()[k]).collect();
    let new_rank = values
        .iter()
        .filter(|v| **v >= 1e-7 * residual_variance)
        .count();
    if new_rank >= r {
        return None;
    }
    if new_rank == 0 {
        return Some(Loading::zero(t, false));
    }
    let root = Mat::from_fn(t, new_rank, |a, s| {
        let k = t - 1 - s;
        eigen.U()[(a, k)] * values[k].max(0.0).sqrt() / mean_square[a].sqrt()
    });
    Some(trapezoidal(&root))
}

/// Rotates a loading (coefficients x rank) to lower trapezoidal form with positive pivots.
fn trapezoidal(root: &Mat<f64>) -> Loading {
    let (t, r) = (root.nrows(), root.ncols());
    let qr = root.transpose().to_owned().qr();
    let upper = qr.R();
    let mut values = vec![0.0; t * r];
    for s in 0..r {
        let sign = if upper[(s, s)] < 0.0 { -1.0 } else { 1.0 };
        for a in s..t {
            values[a * r + s] = sign * upper[(s, a)];
        }
    }
    Loading {
        n_coefficients: t,
        rank: r,
        values,
        shared: false,
    }
}

/// L of a given covariance matrix, which may be singular.
pub(crate) fn loading_of(covariance: &[Vec<f64>]) -> Option<Loading> {
    let t = covariance.len();
    let matrix = Mat::from_fn(t, t, |a, b| covariance[a][b]);
    let eigen = matrix.self_adjoint_eigen(Side::Lower).ok()?;
    let values: Vec<f64> = (0..t).map(|k| eigen.S().column_vector()[k]).collect();
    let largest = values[t - 1];
    if values[0] < -1e-8 * largest.abs() || largest < 0.0 {
        return None;
    }
    let rank = values.iter().filter(|v| **v > 1e-12 * largest).count();
    if rank == 0 {
        return Some(Loading::zero(t, false));
    }
    let root = Mat::from_fn(t, rank, |a, s| {
        eigen.U()[(a, t - 1 - s)] * values[t - 1 - s].sqrt()
    });
    Some(trapezoidal(&root))
}

/// Starting values: the variance left by the fixed terms, shared out equally.
fn start(design: &Design) -> Result<Parameters, ModelError> {
    let none: Vec<Loading> = design
        .random
        .iter()
        .map(|t| Loading::zero(t.coefficients.len(), t.shared))
        .collect();
    // Variances of 1 and no correlations, by their logarithms and inverse hyperbolic tangents.
    let independent = vec![0.0; design.residual.n_parameters()];
    let system = System::new(design, &vec![0; none.len()]);
    let solved = system.solve(design, &none, &independent)?;
    let free = (design.used.len() - design.n_kept) as f64;
    let rest = solved.residuals.iter().map(|e| e * e).sum::<f64>() / free;
    let total = design.y[..design.used.len()]
        .iter()
        .map(|y| y * y)
        .sum::<f64>();
    if rest * free <= 1e-20 * total || rest == 0.0 {
        return Err(ModelError::NoVariation(design.response.clone()));
    }
    let share = rest / (design.random.len() + 1) as f64;
    let loadings = design
        .random
        .iter()
        .map(|term| {
            let t = term.coefficients.len();
            let equal = |size: f64| (share / (t as f64 * size)).sqrt();
            if term.shared {
                let size = term.mean_square.iter().sum::<f64>() / t as f64;
                return Loading::diagonal(&vec![equal(size); t], true);
            }
            if term.max_rank < t {
                return low_rank_start(term, &solved.residuals, share);
            }
            let deviations: Vec<f64> = term.mean_square.iter().map(|m| equal(*m)).collect();
            Loading::diagonal(&deviations, false)
        })
        .collect();
    Ok(Parameters {
        loadings,
        residual: design.residual.start(share),
    })
}

/// Starting loadings of a covariance of low rank between the levels of a factor: principal
/// factors of the covariances between the levels' mean residuals, each coefficient keeping at
/// least a tenth of its variance for what is its own.
fn low_rank_start(term: &super::design::RandomDesign, residuals: &[f64], share: f64) -> Loading {
    let (t, r, levels) = (term.coefficients.len(), term.max_rank, term.levels.len());
    let mut sums = vec![vec![(0.0, 0.0); t]; levels];
    for (i, &level) in term.level_of.iter().enumerate() {
        if level == NO_LEVEL {
            continue;
        }
        for (a, z) in term
            .covariates
            .iter()
            .enumerate()
            .filter(|(_, z)| z[i] != 0.0)
        {
            let cell = &mut sums[level as usize][a];
            cell.0 += residuals[i] * z[i];
            cell.1 += z[i] * z[i];
        }
    }
    let mean = |cell: (f64, f64)| (cell.1 > 0.0).then(|| cell.0 / cell.1);
    let covariance = |a: usize, b: usize| {
        let products = sums
            .iter()
            .filter_map(|row| Some(mean(row[a])? * mean(row[b])?));
        let (n, sum) = products.fold((0.0, 0.0), |(n, sum), p| (n + 1.0, sum + p));
        if n > 0.0 { sum / n } else { 0.0 }
    };
    let whole = Mat::from_fn(t, t, covariance);
    // Communalities: the largest covariance of each coefficient.
    let reduced = Mat::from_fn(t, t, |a, b| {
        if a != b {
            return whole[(a, b)];
        }
        let largest = (0..t)
            .filter(|c| *c != a)
            .map(|c| whole[(a, c)].abs())
            .fold(0.0, f64::max);
        largest.min(0.9 * whole[(a, a)]).max(0.05 * whole[(a, a)])
    });
    let Ok(eigen) = reduced.self_adjoint_eigen(Side::Lower) else {
        return Loading::diagonal(&vec![share.sqrt(); t], false);
    };
    let mean_own = (0..t).map(|a| whole[(a, a)]).sum::<f64>() / t as f64;
    let mut root = Mat::from_fn(t, r, |a, s| {
        let k = t - 1 - s;
        let size = eigen.S().column_vector()[k].max(0.05 * mean_own);
        eigen.U()[(a, k)] * size.sqrt()
    });
    for a in 0..t {
        let common: f64 = (0..r).map(|s| root[(a, s)].powi(2)).sum();
        let most = 0.9 * whole[(a, a)].max(1e-6 * mean_own);
        if common > most {
            let scale = (most / common).sqrt();
            (0..r).for_each(|s| root[(a, s)] *= scale);
        }
    }
    trapezoidal(&root)
}

/// Evaluates the model at given parameters, without a search.
pub(crate) fn at(design: &Design, parameters: Parameters) -> Result<Optimum, ModelError> {
    let system = System::new(design, &parameters.ranks());
    let solved = system.solve(design, &parameters.loadings, &parameters.residual)?;
    let inverse = system.pattern.selected_inverse(&solved.factor);
    let derivatives = derivatives(design, &system, &solved, &parameters, &inverse);
    let trace = vec![solved.log_likelihood];
    Ok(Optimum {
        parameters,
        system,
        solved,
        derivatives,
        inverse,
        iterations: 0,
        gradient: f64::NAN,
        trace,
    })
}

/// A component held at zero whose likelihood would rise away from it, and the value to try.
fn release(design: &Design, parameters: &Parameters) -> Result<Option<Parameters>, ModelError> {
    let residual_variance = design.residual.mean_variance(&parameters.residual);
    for (k, term) in design.random.iter().enumerate() {
        let loading = &parameters.loadings[k];
        let (t, r) = (loading.n_coefficients, loading.rank);
        let rows = match (loading.shared, r < term.max_rank) {
            (_, false) => 0..0,
            (true, true) => 0..1,
            (false, true) => r..t,
        };
        for row in rows {
            let widened = |pivot: f64| {
                let mut trial = parameters.clone();
                if loading.shared {
                    trial.loadings[k] = Loading::diagonal(&vec![pivot; t], true);
                    return trial;
                }
                let mut values = vec![0.0; t * (r + 1)];
                for a in 0..t {
                    for s in 0..r {
                        values[a * (r + 1) + s] = loading.at(a, s);
                    }
                }
                values[row * (r + 1) + r] = pivot;
                trial.loadings[k] = Loading {
                    n_coefficients: t,
                    rank: r + 1,
                    values,
                    shared: false,
                };
                trial
            };
            let size: f64 = if loading.shared {
                term.mean_square.iter().sum()
            } else {
                term.mean_square[row]
            };
            let small = 1e-3 * (residual_variance / size).sqrt();
            let trial = at(design, widened(small))?;
            let place = trial.derivatives.free.iter().position(|f| {
                *f == Free::Loading {
                    term: k,
                    coefficient: row,
                    column: r,
                }
            });
            let Some(place) = place else { continue };
            // By the variance (the square of the pivot) rather than by the pivot.
            let slope = trial.derivatives.score[place] / (2.0 * small);
            let curvature = trial.derivatives.information[(place, place)] / (4.0 * small * small);
            if slope > 0.0 && slope * slope > 2e-6 * curvature {
                let variance = (slope / curvature).max(1e-4 * small * small);
                return Ok(Some(widened(variance.sqrt())));
            }
        }
    }
    Ok(None)
}

/// Maximises the restricted likelihood.
pub(crate) fn maximise(design: &Design, max_iterations: usize) -> Result<Optimum, ModelError> {
    let mut parameters = start(design)?;
    let mut system = System::new(design, &parameters.ranks());
    let mut solved = system.solve(design, &parameters.loadings, &parameters.residual)?;
    let mut trace = Vec::new();
    let mut releases_left = 4;
    let mut gradient = f64::INFINITY;
    for iteration in 1..=max_iterations {
        trace.push(solved.log_likelihood);
        let inverse = system.pattern.selected_inverse(&solved.factor);
        let here = derivatives(design, &system, &solved, &parameters, &inverse);
        if iteration == 1
            && let Some(k) = here.distinct.iter().position(|share| *share < 1e-8)
        {
            return Err(ModelError::ConfoundedRandom {
                term: design.random[k].name.clone(),
                with: "the fixed terms, which already describe all its levels".to_owned(),
            });
        }
        let (step, decrement) = bounded_step(&parameters, &here);
        gradient = decrement.max(0.0).sqrt();
        let slack = 1e-11 * (1.0 + solved.log_likelihood.abs());
        let mut next = None;
        // Steps that no longer gain anything worth the name: within a thousandth of a standard
        // error of the optimum.
        let gain_since = |back: usize| match trace.len().checked_sub(back + 1) {
            Some(then) => solved.log_likelihood - trace[then],
            None => f64::INFINITY,
        };
        let stalled = (gradient < 1e-4 && gain_since(2) <= 2.0 * slack)
            || (gradient < 1e-3 && gain_since(10) <= 1e-6);
        if gradient > 1e-6 && !stalled {
            let evaluate = |candidate: Parameters| {
                let there = system
                    .solve(design, &candidate.loadings, &candidate.residual)
                    .ok()?;
                Some((candidate, there))
            };
            // A full step promises half the squared gradient; a fifth of that must come.
            let promised = 0.1 * gradient * gradient;
            let worthwhile = if promised > 10.0 * slack {
                promised
            } else {
                -slack
            };
            next = evaluate(parameters.along(&here.free, &step, 1.0))
                .filter(|(_, there)| there.log_likelihood >= solved.log_likelihood + worthwhile);
            if next.is_none() {
                next = cautious_steps(&parameters, &here, &step)
                    .into_iter()
                    .filter_map(evaluate)
                    .max_by(|a, b| a.1.log_likelihood.total_cmp(&b.1.log_likelihood))
                    .filter(|(_, there)| there.log_likelihood >= solved.log_likelihood - slack);
            }
        }
        let Some((candidate, there)) = next else {
            // Nothing higher is in reach: the optimum, unless the gradient says otherwise or a
            // component held at zero wants to leave it.
            if gradient > 1e-3 {
                return Err(ModelError::NotConverged {
                    iterations: iteration,
                    gradient,
                });
            }
            let freed = if releases_left > 0 {
                release(design, &parameters)?
            } else {
                None
            };
            let Some(freed) = freed else {
                return Ok(Optimum {
                    parameters,
                    system,
                    solved,
                    derivatives: here,
                    inverse,
                    iterations: iteration,
                    gradient,
                    trace,
                });
            };
            releases_left -= 1;
            parameters = freed;
            system = System::new(design, &parameters.ranks());
            solved = system.solve(design, &parameters.loadings, &parameters.residual)?;
            continue;
        };
        parameters = candidate;
        solved = there;
        let residual_variance = design.residual.mean_variance(&parameters.residual);
        let before = parameters.ranks();
        for (loading, term) in parameters.loadings.iter_mut().zip(&design.random) {
            if let Some(lower) = lowered(loading, &term.mean_square, residual_variance) {
                *loading = lower;
            }
        }
        if parameters.ranks() != before {
            system = System::new(design, &parameters.ranks());
            solved = system.solve(design, &parameters.loadings, &parameters.residual)?;
        }
    }
    Err(ModelError::NotConverged {
        iterations: max_iterations,
        gradient,
    })
}
