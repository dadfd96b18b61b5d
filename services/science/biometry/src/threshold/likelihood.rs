//! The likelihood of a threshold model with the random effects integrated out by Laplace's
//! approximation, and its exact gradient.

use crate::mixed::design::Design;
use crate::mixed::equations::{Loading, System};
use crate::mixed::sparse::Factor;

use super::link::{Bound, Link, Local};

/// Records in the form the likelihood needs.
pub(crate) struct Problem {
    /// The random part alone.
    pub(crate) design: Design,
    pub(crate) link: Link,
    /// Category of every record, from 0.
    pub(crate) category: Vec<u32>,
    pub(crate) n_categories: usize,
    /// How many observations each record stands for.
    pub(crate) count: Vec<f64>,
    pub(crate) n_slopes: usize,
    pub(crate) x_ptr: Vec<usize>,
    pub(crate) x_entries: Vec<(u32, f64)>,
}

/// Values of all parameters.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Point {
    /// Ascending cut points between the categories.
    pub(crate) cuts: Vec<f64>,
    pub(crate) slopes: Vec<f64>,
    /// Standard deviation of every random term (of either sign, which does not matter); `None`
    /// where it is held at zero.
    pub(crate) deviations: Vec<Option<f64>>,
}

impl Point {
    pub(crate) fn is_ordered(&self) -> bool {
        self.cuts.windows(2).all(|w| w[0] < w[1])
    }

    /// Cut points, slopes, and the deviations not held.
    pub(crate) fn free(&self) -> Vec<f64> {
        let deviations = self.deviations.iter().flatten();
        self.cuts
            .iter()
            .chain(&self.slopes)
            .chain(deviations)
            .copied()
            .collect()
    }

    pub(crate) fn moved(&self, free: &[f64]) -> Self {
        let (cuts, rest) = free.split_at(self.cuts.len());
        let (slopes, rest) = rest.split_at(self.slopes.len());
        let mut rest = rest.iter();
        Self {
            cuts: cuts.to_vec(),
            slopes: slopes.to_vec(),
            deviations: self
                .deviations
                .iter()
                .map(|d| d.and_then(|_| rest.next().copied()))
                .collect(),
        }
    }

    /// Place of a term's deviation among the free parameters.
    pub(crate) fn place_of(&self, term: usize) -> Option<usize> {
        self.deviations[term]?;
        let before = self.deviations[..term].iter().flatten().count();
        Some(self.cuts.len() + self.slopes.len() + before)
    }
}

impl Problem {
    pub(crate) fn n(&self) -> usize {
        self.category.len()
    }

    pub(crate) fn x_row(&self, record: usize) -> &[(u32, f64)] {
        &self.x_entries[self.x_ptr[record]..self.x_ptr[record + 1]]
    }

    pub(crate) fn fixed_predictors(&self, slopes: &[f64]) -> Vec<f64> {
        (0..self.n())
            .map(|i| {
                self.x_row(i)
                    .iter()
                    .map(|&(k, x)| x * slopes[k as usize])
                    .sum()
            })
            .collect()
    }

    /// Bounds of the residual of a record whose liability has the given mean.
    pub(crate) fn bounds(&self, point: &Point, record: usize, mean: f64) -> (f64, f64) {
        let c = self.category[record] as usize;
        let upper = point.cuts.get(c).map_or(f64::INFINITY, |cut| cut - mean);
        let lower = match c.checked_sub(1) {
            Some(below) => point.cuts[below] - mean,
            None => f64::NEG_INFINITY,
        };
        (upper, lower)
    }

    /// Adds a record's share to the slopes by its cut points.
    pub(crate) fn add_cut_slopes(
        &self,
        record: usize,
        weight: f64,
        local: &Local,
        part: impl Fn(&Bound) -> f64,
        into: &mut [f64],
    ) {
        let c = self.category[record] as usize;
        if c + 1 < self.n_categories {
            into[c] += weight * part(&local.upper);
        }
        if c > 0 {
            into[c - 1] += weight * part(&local.lower);
        }
    }
}

/// The Laplace approximation for a set of terms that are not held at zero.
pub(crate) struct Laplace<'a> {
    problem: &'a Problem,
    system: Option<System>,
}

/// The approximation at one point.
pub(crate) struct State {
    pub(crate) log_likelihood: f64,
    pub(crate) gradient: Vec<f64>,
    /// Scaled effects at the mode, by equation.
    pub(crate) effects: Vec<f64>,
    locals: Vec<Local>,
    w: Vec<f64>,
    factor: Option<Factor>,
    /// Inverse of the information on the effects, on its pattern.
    inverse: Vec<f64>,
}

impl<'a> Laplace<'a> {
    pub(crate) fn new(problem: &'a Problem, active: &[bool]) -> Self {
        let ranks: Vec<usize> = active.iter().map(|a| usize::from(*a)).collect();
        let system = ranks
            .iter()
            .any(|r| *r > 0)
            .then(|| System::new(&problem.design, &ranks));
        Self { problem, system }
    }

    pub(crate) fn n_effects(&self) -> usize {
        self.system.as_ref().map_or(0, |s| s.n_equations)
    }

    /// Equation of a level of an active term.
    pub(crate) fn equation(&self, term: usize, level: usize) -> Option<usize> {
        let system = self.system.as_ref()?;
        (system.ranks[term] > 0).then(|| system.first[term] + level)
    }

    fn locals(&self, point: &Point, means: &[f64]) -> Vec<Local> {
        let p = self.problem;
        means
            .iter()
            .enumerate()
            .map(|(i, &mean)| {
                let (upper, lower) = p.bounds(point, i, mean);
                p.link.local(upper, lower)
            })
            .collect()
    }

    /// The approximation at a point, the search for the mode of the effects starting from
    /// `start`; `None` where the likelihood is not finite.
    pub(crate) fn evaluate(&self, point: &Point, start: &[f64]) -> Option<State> {
        if !point.is_ordered() {
            return None;
        }
        let p = self.problem;
        let fixed = p.fixed_predictors(&point.slopes);
        let Some(system) = &self.system else {
            return self.without_effects(point, &fixed);
        };
        let loadings: Vec<Loading> = point
            .deviations
            .iter()
            .map(|d| {
                d.map_or_else(
                    || Loading::zero(1, false),
                    |d| Loading::diagonal(&[d], false),
                )
            })
            .collect();
        let w = system.slot_values(&p.design, &loadings);
        let means_at = |v: &[f64]| -> Vec<f64> {
            let random = system.times(&w, v);
            fixed.iter().zip(&random).map(|(a, b)| a + b).collect()
        };
        let joint = |v: &[f64]| -> f64 {
            let data: f64 = means_at(v)
                .iter()
                .enumerate()
                .map(|(i, &mean)| {
                    let (upper, lower) = p.bounds(point, i, mean);
                    p.count[i] * p.link.between(upper, lower).ln()
                })
                .sum();
            data - 0.5 * dot(v, &system.penalty_times(&p.design, v))
        };
        let mut v = start.to_vec();
        let mut value = joint(&v);
        if !value.is_finite() {
            v.fill(0.0);
            value = joint(&v);
            if !value.is_finite() {
                return None;
            }
        }
        let mut rounds = 0;
        let (locals, factor, weights) = loop {
            let locals = self.locals(point, &means_at(&v));
            let weights: Vec<f64> = locals
                .iter()
                .zip(&p.count)
                .map(|(l, c)| c * l.weight)
                .collect();
            let pulls: Vec<f64> = locals
                .iter()
                .zip(&p.count)
                .map(|(l, c)| c * l.first)
                .collect();
            let mut slope = system.transposed_times(&w, &pulls);
            let pulled = system.penalty_times(&p.design, &v);
            slope.iter_mut().zip(&pulled).for_each(|(s, q)| *s -= q);
            let factor = system.assemble(&p.design, &w, &weights)?;
            let mut step = slope.clone();
            system.pattern.solve(&factor, &mut step);
            let decrement = dot(&slope, &step);
            if !decrement.is_finite() || rounds > 80 {
                return None;
            }
            if decrement < 1e-15 {
                break (locals, factor, weights);
            }
            rounds += 1;
            let mut share = 1.0;
            loop {
                let trial: Vec<f64> = v.iter().zip(&step).map(|(x, s)| x + share * s).collect();
                let there = joint(&trial);
                if there >= value - 1e-13 * (1.0 + value.abs()) {
                    (v, value) = (trial, there);
                    break;
                }
                share *= 0.5;
                if share < 1e-9 {
                    return None;
                }
            }
        };
        let log_likelihood = value - 0.5 * (system.log_relationship + factor.log_determinant);
        let inverse = system.pattern.selected_inverse(&factor);
        let gradient = self.gradient(system, point, &v, &w, &locals, &weights, &factor, &inverse);
        (log_likelihood.is_finite() && gradient.iter().all(|g| g.is_finite())).then_some(State {
            log_likelihood,
            gradient,
            effects: v,
            locals,
            w,
            factor: Some(factor),
            inverse,
        })
    }

    fn without_effects(&self, point: &Point, fixed: &[f64]) -> Option<State> {
        let p = self.problem;
        let locals = self.locals(point, fixed);
        let log_likelihood: f64 = locals.iter().zip(&p.count).map(|(l, c)| c * l.value).sum();
        let mut gradient = vec![0.0; point.cuts.len() + point.slopes.len()];
        for (i, local) in locals.iter().enumerate() {
            p.add_cut_slopes(i, p.count[i], local, |b| b.value, &mut gradient);
            for &(k, x) in p.x_row(i) {
                gradient[point.cuts.len() + k as usize] += p.count[i] * local.first * x;
            }
        }
        log_likelihood.is_finite().then_some(State {
            log_likelihood,
            gradient,
            effects: Vec::new(),
            locals,
            w: Vec::new(),
            factor: None,
            inverse: Vec::new(),
        })
    }

    /// Slope of the approximation by every free parameter. With H the information on the effects,
    /// d = w'H^-1 w of each record and h = H^-1 sum(w d dW/dmean), the mode's own motion is
    /// accounted for through h.
    #[allow(clippy::too_many_arguments)]
    fn gradient(
        &self,
        system: &System,
        point: &Point,
        v: &[f64],
        w: &[f64],
        locals: &[Local],
        weights: &[f64],
        factor: &Factor,
        inverse: &[f64],
    ) -> Vec<f64> {
        let p = self.problem;
        let (by_term, d) = system.traces(&p.design, w, weights, inverse);
        let bends: Vec<f64> = (0..p.n())
            .map(|i| p.count[i] * d[i] * locals[i].slope)
            .collect();
        let mut h = system.transposed_times(w, &bends);
        system.pattern.solve(factor, &mut h);
        let through = system.times(w, &h);
        let n_cuts = point.cuts.len();
        let mut gradient = vec![0.0; point.free().len()];
        for (i, local) in locals.iter().enumerate() {
            let share = |b: &Bound| b.value - 0.5 * (d[i] * b.weight + b.first * through[i]);
            p.add_cut_slopes(i, p.count[i], local, share, &mut gradient);
            let by_mean = p.count[i] * local.first - 0.5 * (bends[i] - weights[i] * through[i]);
            for &(k, x) in p.x_row(i) {
                gradient[n_cuts + k as usize] += by_mean * x;
            }
        }
        for (term, random) in p.design.random.iter().enumerate() {
            let Some(place) = point.place_of(term) else {
                continue;
            };
            let mut sum = -by_term[term][0];
            for (i, local) in locals.iter().enumerate() {
                let equation = system.first[term] + random.level_of[i] as usize;
                let by_mean = p.count[i] * local.first - 0.5 * (bends[i] - weights[i] * through[i]);
                sum += by_mean * v[equation] - 0.5 * p.count[i] * local.first * h[equation];
            }
            gradient[place] = sum;
        }
        gradient
    }

    /// Variance of a scaled effect given the parameters.
    pub(crate) fn conditional_variance(&self, state: &State, equation: usize) -> f64 {
        self.system.as_ref().map_or(0.0, |system| {
            state.inverse[system.pattern.position(equation, equation)]
        })
    }

    /// Slopes of the mode of the scaled effects by every free parameter.
    pub(crate) fn effect_slopes(&self, point: &Point, state: &State) -> Vec<Vec<f64>> {
        let (Some(system), Some(factor)) = (&self.system, &state.factor) else {
            return vec![Vec::new(); point.free().len()];
        };
        let p = self.problem;
        let (n_cuts, n_slopes) = (point.cuts.len(), point.slopes.len());
        // Motion of each record's pull by each parameter.
        let mut pulls = vec![vec![0.0; p.n()]; point.free().len()];
        let mut direct = vec![Vec::new(); point.free().len()];
        let mut one = vec![0.0; n_cuts];
        for (i, local) in state.locals.iter().enumerate() {
            one.fill(0.0);
            p.add_cut_slopes(i, p.count[i], local, |b| b.first, &mut one);
            (0..n_cuts).for_each(|m| pulls[m][i] = one[m]);
            for &(k, x) in p.x_row(i) {
                pulls[n_cuts + k as usize][i] = -p.count[i] * local.weight * x;
            }
        }
        for (term, random) in p.design.random.iter().enumerate() {
            let Some(place) = point.place_of(term) else {
                continue;
            };
            let mut own = vec![0.0; system.n_equations];
            for (i, local) in state.locals.iter().enumerate() {
                let equation = system.first[term] + random.level_of[i] as usize;
                own[equation] += p.count[i] * local.first;
                pulls[place][i] = -p.count[i] * local.weight * state.effects[equation];
            }
            direct[place] = own;
        }
        debug_assert!(pulls.len() >= n_cuts + n_slopes);
        pulls
            .iter()
            .zip(&direct)
            .map(|(pull, own)| {
                let mut slope = system.transposed_times(&state.w, pull);
                slope.iter_mut().zip(own).for_each(|(s, o)| *s += o);
                system.pattern.solve(factor, &mut slope);
                slope
            })
            .collect()
    }
}

pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
