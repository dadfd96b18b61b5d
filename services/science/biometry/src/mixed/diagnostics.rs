//! Residuals, influence and connectedness.

use std::collections::BTreeMap;

use super::{Fit, ModelError, inverse};
use crate::data::Frame;

/// How one record stands to the model.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordDiagnostics {
    /// Position of the record in the frame, from 0.
    pub record: usize,
    /// Fitted value with the random effects in.
    pub fitted: f64,
    /// Observed minus fitted.
    pub residual: f64,
    /// Residual over its own standard error.
    pub standardised: f64,
    /// Share of the record in its own fitted value.
    pub leverage: f64,
    /// Cook's distance: move of all fixed effects when the record is left out, at the same
    /// variances; `None` with autocorrelated residuals or when the table would be too large.
    pub cook: Option<f64>,
}

/// Largest records x coefficients^2 for which Cook's distances are computed.
const COOK_WORK: f64 = 2e9;

impl Fit {
    /// Residuals and influence of every record used. With ê = R P y, var ê = R - W C^-1 W'
    /// (conditional residuals).
    #[must_use]
    pub fn record_diagnostics(&self) -> Vec<RecordDiagnostics> {
        let (design, system, solved) = (&self.design, &self.optimum.system, &self.optimum.solved);
        let (_, by_pair) = system.traces(
            design,
            &solved.w,
            &solved.residual.weights,
            &self.optimum.inverse,
        );
        let mut spread = vec![0.0; design.n()];
        let mut weight = vec![0.0; design.n()];
        for ((&(i, j), s), w) in design
            .residual
            .pairs
            .iter()
            .zip(&by_pair)
            .zip(&solved.residual.weights)
        {
            if i == j {
                spread[i as usize] = *s;
                weight[i as usize] = *w;
            }
        }
        let variances = design
            .residual
            .own_variances(&self.optimum.parameters.residual);
        let cook = self.cook(&spread, &weight);
        design
            .used
            .iter()
            .enumerate()
            .map(|(i, &record)| {
                let residual = solved.residuals[i];
                let own = variances[i];
                RecordDiagnostics {
                    record,
                    fitted: design.y[i] - residual,
                    residual,
                    standardised: residual / (own - spread[i]).max(1e-12 * own).sqrt(),
                    leverage: spread[i] / own,
                    cook: cook.as_ref().map(|c| c[i]),
                }
            })
            .collect()
    }

    /// (Py)_i^2 / P_ii^2 times x_i' V^-1 Phi V^-1 x_i over the number of coefficients.
    fn cook(&self, spread: &[f64], weight: &[f64]) -> Option<Vec<f64>> {
        let (design, system, solved) = (&self.design, &self.optimum.system, &self.optimum.solved);
        let (n, p) = (design.n(), design.n_kept);
        if !design.residual.is_diagonal() || n as f64 * (p * p) as f64 > COOK_WORK {
            return None;
        }
        let information = inverse(&self.fixed_covariance)?;
        let mut moves = vec![vec![0.0; p]; n];
        for j in 0..p {
            let mut h = vec![0.0; system.n_equations];
            h[j] = 1.0;
            system.pattern.solve(&solved.factor, &mut h);
            for (i, value) in system.times(&solved.w, &h).into_iter().enumerate() {
                moves[i][j] = weight[i] * value;
            }
        }
        let distance = |i: usize| {
            let own = weight[i] * (1.0 - weight[i] * spread[i]);
            let pull = weight[i] * solved.residuals[i] / own.max(1e-12 * weight[i]);
            let mut sum = 0.0;
            for (a, x) in moves[i].iter().enumerate() {
                for (b, y) in moves[i].iter().enumerate() {
                    sum += x * y * information[(a, b)];
                }
            }
            pull * pull * sum / p as f64
        };
        Some((0..n).map(distance).collect())
    }
}

/// Sets of levels that no chain of shared levels of the other factor joins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Connectedness {
    /// Levels of the first factor, set by set; one set means that all can be compared.
    pub sets: Vec<Vec<String>>,
}

impl Connectedness {
    /// Whether all levels can be compared.
    #[must_use]
    pub fn is_connected(&self) -> bool {
        self.sets.len() == 1
    }
}

/// Which levels of `entries` can be compared within levels of `environments` (blocks, sites),
/// counting records that have the trait.
///
/// # Errors
/// Columns that are missing or of the wrong kind.
pub fn connectedness(
    frame: &Frame,
    trait_name: &str,
    entries: &str,
    environments: &str,
) -> Result<Connectedness, ModelError> {
    let (value, entry, environment) = (
        frame.numeric(trait_name)?,
        frame.factor(entries)?,
        frame.factor(environments)?,
    );
    let cells: Vec<(usize, usize)> = (0..frame.n_records())
        .filter(|&k| value[k].is_some())
        .filter_map(|k| Some((entry.codes()[k]? as usize, environment.codes()[k]? as usize)))
        .collect();
    let sets =
        crate::designs::connected_sets(&cells, entry.levels().len(), environment.levels().len());
    let mut named: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    let mut present = vec![false; entry.levels().len()];
    cells.iter().for_each(|&(e, _)| present[e] = true);
    for (k, set) in sets.iter().enumerate().filter(|(k, _)| present[*k]) {
        named
            .entry(*set)
            .or_default()
            .push(entry.levels()[k].clone());
    }
    Ok(Connectedness {
        sets: named.into_values().collect(),
    })
}
