//! Gauss-Hermite quadrature, and the likelihood of a model with one independent random factor by
//! adaptive quadrature: nodes about the mode of every level (Liu and Pierce 1994, Pinheiro and
//! Bates 1995, from memory).

use faer::{Mat, Side};

use super::likelihood::{Point, Problem};

/// Nodes and weights for the integral of f(x) exp(-x^2).
#[derive(Debug, Clone, PartialEq)]
pub struct GaussHermite {
    /// Nodes in ascending order.
    pub nodes: Vec<f64>,
    /// Weights, which sum to the square root of pi.
    pub weights: Vec<f64>,
}

impl GaussHermite {
    /// The rule with `n` nodes (1 to 60), exact for polynomials to degree 2 n - 1, from the
    /// eigenvalues of the recurrence matrix (Golub and Welsch 1969, from memory).
    #[must_use]
    pub fn new(n: usize) -> Self {
        let n = n.clamp(1, 60);
        let jacobi = Mat::from_fn(n, n, |i, j| {
            if i.abs_diff(j) == 1 {
                (i.max(j) as f64 / 2.0).sqrt()
            } else {
                0.0
            }
        });
        let root_pi = std::f64::consts::PI.sqrt();
        let Ok(eigen) = jacobi.self_adjoint_eigen(Side::Lower) else {
            return Self {
                nodes: vec![0.0],
                weights: vec![root_pi],
            };
        };
        let mut pairs: Vec<(f64, f64)> = (0..n)
            .map(|k| {
                (
                    eigen.S().column_vector()[k],
                    root_pi * eigen.U()[(0, k)].powi(2),
                )
            })
            .collect();
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The rule is symmetric about zero.
        let symmetric = |k: usize| {
            let (a, b) = (pairs[k], pairs[n - 1 - k]);
            (0.5 * (a.0 - b.0), 0.5 * (a.1 + b.1))
        };
        let (nodes, weights) = (0..n).map(symmetric).unzip();
        Self { nodes, weights }
    }

    /// Mean of f over a normal distribution.
    pub fn normal_mean(&self, mean: f64, variance: f64, f: impl Fn(f64) -> f64) -> f64 {
        let scale = (2.0 * variance).sqrt();
        let sum: f64 = self
            .nodes
            .iter()
            .zip(&self.weights)
            .map(|(x, w)| w * f(mean + scale * x))
            .sum();
        sum / std::f64::consts::PI.sqrt()
    }
}

/// The likelihood by levels of one factor.
pub(crate) struct ByLevel<'a> {
    problem: &'a Problem,
    /// The one active term.
    term: usize,
    rule: GaussHermite,
    records_of: Vec<Vec<u32>>,
}

/// Value, gradient by the free parameters, and each level's posterior of the scaled effect.
pub(crate) struct Integrated {
    pub(crate) log_likelihood: f64,
    pub(crate) gradient: Vec<f64>,
    pub(crate) modes: Vec<f64>,
    pub(crate) means: Vec<f64>,
    pub(crate) variances: Vec<f64>,
}

impl<'a> ByLevel<'a> {
    pub(crate) fn new(problem: &'a Problem, term: usize, points: usize) -> Self {
        let random = &problem.design.random[term];
        let mut records_of = vec![Vec::new(); random.levels.len()];
        for (record, &level) in random.level_of.iter().enumerate() {
            records_of[level as usize].push(record as u32);
        }
        Self {
            problem,
            term,
            rule: GaussHermite::new(points),
            records_of,
        }
    }

    /// The log-likelihood at a point. The gradient is the posterior mean of the complete-data
    /// score (Fisher's identity), integrated by the same rule.
    pub(crate) fn evaluate(&self, point: &Point, start: &[f64]) -> Option<Integrated> {
        if !point.is_ordered() {
            return None;
        }
        let p = self.problem;
        let deviation = point.deviations[self.term]?;
        let fixed = p.fixed_predictors(&point.slopes);
        let (n_cuts, n_slopes) = (point.cuts.len(), point.slopes.len());
        let mut gradient = vec![0.0; n_cuts + n_slopes + 1];
        let levels = self.records_of.len();
        let mut out = Integrated {
            log_likelihood: 0.0,
            gradient: Vec::new(),
            modes: Vec::with_capacity(levels),
            means: Vec::with_capacity(levels),
            variances: Vec::with_capacity(levels),
        };
        let root_two = std::f64::consts::SQRT_2;
        for (level, records) in self.records_of.iter().enumerate() {
            let joint = |v: f64| -> f64 {
                let sum: f64 = records
                    .iter()
                    .map(|&i| {
                        let i = i as usize;
                        let (upper, lower) = p.bounds(point, i, fixed[i] + deviation * v);
                        p.count[i] * p.link.between(upper, lower).ln()
                    })
                    .sum();
                sum - 0.5 * v * v
            };
            let (mut v, mut information) = (start[level], 1.0);
            let mut value = joint(v);
            if !value.is_finite() {
                v = 0.0;
                value = joint(v);
            }
            for _ in 0..60 {
                let (mut slope, mut bend) = (-v, 1.0);
                for &i in records {
                    let i = i as usize;
                    let (upper, lower) = p.bounds(point, i, fixed[i] + deviation * v);
                    let local = p.link.local(upper, lower);
                    slope += p.count[i] * deviation * local.first;
                    bend += p.count[i] * deviation * deviation * local.weight;
                }
                information = bend;
                let step = slope / bend;
                if !step.is_finite() {
                    return None;
                }
                if step * slope < 1e-16 {
                    break;
                }
                let mut share = 1.0;
                loop {
                    let there = joint(v + share * step);
                    if there >= value - 1e-13 * (1.0 + value.abs()) {
                        v += share * step;
                        value = there;
                        break;
                    }
                    share *= 0.5;
                    if share < 1e-9 {
                        return None;
                    }
                }
            }
            let scale = 1.0 / information.sqrt();
            let nodes: Vec<f64> = self
                .rule
                .nodes
                .iter()
                .map(|x| v + root_two * scale * x)
                .collect();
            let terms: Vec<f64> = nodes
                .iter()
                .zip(self.rule.nodes.iter().zip(&self.rule.weights))
                .map(|(&node, (x, w))| w * (x * x + joint(node) - value).exp())
                .collect();
            let total: f64 = terms.iter().sum();
            out.log_likelihood += value + (scale * total / std::f64::consts::PI.sqrt()).ln();
            let (mut mean, mut square) = (0.0, 0.0);
            for (&node, term) in nodes.iter().zip(&terms) {
                let share = term / total;
                mean += share * node;
                square += share * node * node;
                if share < 1e-15 {
                    continue;
                }
                for &i in records {
                    let i = i as usize;
                    let (upper, lower) = p.bounds(point, i, fixed[i] + deviation * node);
                    let local = p.link.local(upper, lower);
                    let weight = share * p.count[i];
                    p.add_cut_slopes(i, weight, &local, |b| b.value, &mut gradient);
                    for &(k, x) in p.x_row(i) {
                        gradient[n_cuts + k as usize] += weight * local.first * x;
                    }
                    gradient[n_cuts + n_slopes] += weight * local.first * node;
                }
            }
            out.modes.push(v);
            out.means.push(mean);
            out.variances.push((square - mean * mean).max(0.0));
        }
        out.gradient = gradient;
        (out.log_likelihood.is_finite() && out.gradient.iter().all(|g| g.is_finite()))
            .then_some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rule_integrates_polynomials_exactly() {
        for n in [1, 2, 5, 15, 30] {
            let rule = GaussHermite::new(n);
            // Moments of exp(-x^2): sqrt(pi) (2m - 1)!! / 2^m.
            let mut expected = std::f64::consts::PI.sqrt();
            for m in 0..n.min(12) {
                let found: f64 = rule
                    .nodes
                    .iter()
                    .zip(&rule.weights)
                    .map(|(x, w)| w * x.powi(2 * m as i32))
                    .sum();
                assert!(
                    (found / expected - 1.0).abs() < 1e-10,
                    "{n} {m}: {found} {expected}"
                );
                expected *= (2 * m + 1) as f64 / 2.0;
            }
        }
    }

    #[test]
    fn a_logistic_normal_mean_agrees_with_a_fine_sum() {
        let f = |x: f64| 1.0 / (1.0 + (-x).exp());
        let (mean, variance) = (0.7_f64, 2.0_f64);
        let step = 1e-3;
        let sum: f64 = (-12_000..=12_000)
            .map(|k| {
                let z = f64::from(k) * step;
                f(mean + variance.sqrt() * z) * (-0.5 * z * z).exp()
            })
            .sum();
        let fine = sum * step / (2.0 * std::f64::consts::PI).sqrt();
        let found = GaussHermite::new(40).normal_mean(mean, variance, f);
        assert!((found - fine).abs() < 1e-9, "{found} {fine}");
    }
}
