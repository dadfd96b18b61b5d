//! Residual covariance R through its sparse inverse.

use std::collections::HashMap;

use faer::linalg::solvers::DenseSolveCore;
use faer::{Mat, Side};

use super::ModelError;

/// A place along an autoregressive line, as the inverse correlation matrix sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Along {
    Alone,
    End,
    Inner,
    Neighbour,
}

impl Along {
    fn own(position: usize, length: usize) -> Self {
        match (position, length) {
            (_, 1) => Self::Alone,
            (p, n) if p == 0 || p + 1 == n => Self::End,
            _ => Self::Inner,
        }
    }

    /// Entry of the inverse correlation matrix and its derivative by rho.
    fn entry(self, rho: f64) -> (f64, f64) {
        let d = 1.0 - rho * rho;
        match self {
            Self::Alone => (1.0, 0.0),
            Self::End => (1.0 / d, 2.0 * rho / (d * d)),
            Self::Inner => ((1.0 + rho * rho) / d, 4.0 * rho / (d * d)),
            Self::Neighbour => (-rho / d, -(1.0 + rho * rho) / (d * d)),
        }
    }
}

/// One field of plots, every cell held by a record.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub(crate) n_rows: usize,
    pub(crate) n_columns: usize,
    /// Record in each cell, row by row.
    pub(crate) cells: Vec<usize>,
}

#[derive(Debug, Clone)]
enum Shape {
    Groups {
        group_of: Vec<u32>,
        sizes: Vec<usize>,
    },
    Fields {
        fields: Vec<Field>,
        kinds: Vec<(Along, Along)>,
        along_rows: bool,
        along_columns: bool,
    },
    Known {
        blocks: Vec<KnownBlock>,
        weights: Vec<f64>,
        log_determinant: f64,
    },
}

/// Records (by their place among those used) and the covariance of their errors.
#[derive(Debug, Clone)]
struct KnownBlock {
    records: Vec<usize>,
    covariance: Mat<f64>,
}

/// The structure of R: which pairs of records its inverse joins, and its parameters.
#[derive(Debug, Clone)]
pub(crate) struct ResidualStructure {
    shape: Shape,
    pub(crate) pairs: Vec<(u32, u32)>,
    n: usize,
}

/// R at given parameters.
#[derive(Debug, Clone)]
pub(crate) struct ResidualState {
    /// Entry of R's inverse for every pair.
    pub(crate) weights: Vec<f64>,
    pub(crate) log_determinant: f64,
    /// For every parameter: derivative of the weights and of the log determinant.
    pub(crate) derivatives: Vec<(Vec<f64>, f64)>,
}

impl ResidualStructure {
    pub(crate) fn groups(group_of: Vec<u32>, n_groups: usize) -> Self {
        let mut sizes = vec![0; n_groups];
        group_of.iter().for_each(|&g| sizes[g as usize] += 1);
        let n = group_of.len();
        let pairs = (0..n as u32).map(|k| (k, k)).collect();
        Self {
            shape: Shape::Groups { group_of, sizes },
            pairs,
            n,
        }
    }

    /// Known covariances, of which those of the records used are taken. Positions are those of
    /// the frame.
    pub(crate) fn known(
        blocks: &[(Vec<usize>, Vec<Vec<f64>>)],
        used: &[usize],
    ) -> Result<Self, ModelError> {
        let place: HashMap<usize, usize> = used
            .iter()
            .enumerate()
            .map(|(k, &record)| (record, k))
            .collect();
        let fault = |what: String| ModelError::Variances { what };
        let (mut pairs, mut weights, mut log_determinant) = (Vec::new(), Vec::new(), 0.0);
        let mut kept = Vec::with_capacity(blocks.len());
        let mut covered = 0;
        for (records, covariance) in blocks {
            let (own, records): (Vec<usize>, Vec<usize>) = records
                .iter()
                .enumerate()
                .filter_map(|(k, record)| place.get(record).map(|at| (k, *at)))
                .unzip();
            if records.is_empty() {
                continue;
            }
            covered += records.len();
            let n = records.len();
            let covariance = Mat::from_fn(n, n, |i, j| covariance[own[i]][own[j]]);
            let factor = covariance.llt(Side::Lower).map_err(|_| {
                fault("a block of known errors is not positive definite".to_owned())
            })?;
            log_determinant += (0..n).map(|k| 2.0 * factor.L()[(k, k)].ln()).sum::<f64>();
            let inverse = factor.inverse();
            for i in 0..n {
                for j in 0..=i {
                    if i == j
                        || inverse[(i, j)].abs()
                            > 1e-14 * (inverse[(i, i)] * inverse[(j, j)]).sqrt()
                    {
                        pairs.push((records[i] as u32, records[j] as u32));
                        weights.push(inverse[(i, j)]);
                    }
                }
            }
            kept.push(KnownBlock {
                records,
                covariance,
            });
        }
        if covered != used.len() {
            return Err(fault(format!(
                "known errors are given for {covered} of the {} records used; give them for all",
                used.len()
            )));
        }
        Ok(Self {
            shape: Shape::Known {
                blocks: kept,
                weights,
                log_determinant,
            },
            pairs,
            n: used.len(),
        })
    }

    pub(crate) fn fields(fields: Vec<Field>, n: usize) -> Result<Self, ModelError> {
        let (mut pairs, mut kinds) = (Vec::new(), Vec::new());
        for field in &fields {
            let at = |r: usize, c: usize| field.cells[r * field.n_columns + c] as u32;
            for r in 0..field.n_rows {
                for c in 0..field.n_columns {
                    let (own_r, own_c) =
                        (Along::own(r, field.n_rows), Along::own(c, field.n_columns));
                    let mut push = |other: u32, kind| {
                        pairs.push((at(r, c), other));
                        kinds.push(kind);
                    };
                    push(at(r, c), (own_r, own_c));
                    if c + 1 < field.n_columns {
                        push(at(r, c + 1), (own_r, Along::Neighbour));
                    }
                    if r + 1 < field.n_rows {
                        push(at(r + 1, c), (Along::Neighbour, own_c));
                        if c + 1 < field.n_columns {
                            push(at(r + 1, c + 1), (Along::Neighbour, Along::Neighbour));
                        }
                        if c > 0 {
                            push(at(r + 1, c - 1), (Along::Neighbour, Along::Neighbour));
                        }
                    }
                }
            }
        }
        let along_rows = fields.iter().any(|f| f.n_rows > 1);
        let along_columns = fields.iter().any(|f| f.n_columns > 1);
        if !along_rows && !along_columns {
            return Err(ModelError::Grid {
                what: "no field has two plots side by side; use independent residuals".to_owned(),
            });
        }
        Ok(Self {
            shape: Shape::Fields {
                fields,
                kinds,
                along_rows,
                along_columns,
            },
            pairs,
            n,
        })
    }

    pub(crate) fn n_parameters(&self) -> usize {
        match &self.shape {
            Shape::Groups { sizes, .. } => sizes.len(),
            Shape::Fields {
                along_rows,
                along_columns,
                ..
            } => 1 + usize::from(*along_rows) + usize::from(*along_columns),
            Shape::Known { .. } => 0,
        }
    }

    /// Whether all residuals are independent (R diagonal).
    pub(crate) fn is_diagonal(&self) -> bool {
        matches!(self.shape, Shape::Groups { .. })
    }

    /// Group of a record when R is diagonal.
    pub(crate) fn group_of(&self) -> Option<&[u32]> {
        match &self.shape {
            Shape::Groups { group_of, .. } => Some(group_of),
            Shape::Fields { .. } | Shape::Known { .. } => None,
        }
    }

    /// Variance of every record's residual.
    pub(crate) fn own_variances(&self, parameters: &[f64]) -> Vec<f64> {
        match &self.shape {
            Shape::Groups { group_of, .. } => group_of
                .iter()
                .map(|g| parameters[*g as usize].exp())
                .collect(),
            Shape::Fields { .. } => vec![parameters[0].exp(); self.n],
            Shape::Known { blocks, .. } => {
                let mut own = vec![0.0; self.n];
                for block in blocks {
                    for (k, &record) in block.records.iter().enumerate() {
                        own[record] = block.covariance[(k, k)];
                    }
                }
                own
            }
        }
    }

    /// Parameters (log variances, then atanh of the correlations) from a common variance.
    pub(crate) fn start(&self, variance: f64) -> Vec<f64> {
        match &self.shape {
            Shape::Groups { sizes, .. } => vec![variance.ln(); sizes.len()],
            Shape::Fields { .. } => {
                let mut start = vec![0.3_f64.atanh(); self.n_parameters()];
                start[0] = variance.ln();
                start
            }
            Shape::Known { .. } => Vec::new(),
        }
    }

    /// Mean residual variance.
    pub(crate) fn mean_variance(&self, parameters: &[f64]) -> f64 {
        match &self.shape {
            Shape::Groups { sizes, .. } => {
                let total: f64 = sizes
                    .iter()
                    .zip(parameters)
                    .map(|(&s, p)| s as f64 * p.exp())
                    .sum();
                total / self.n as f64
            }
            Shape::Fields { .. } => parameters[0].exp(),
            Shape::Known { .. } => {
                self.own_variances(parameters).iter().sum::<f64>() / self.n as f64
            }
        }
    }

    /// Variances (by group) and, for fields, the correlations along rows and columns.
    pub(crate) fn natural(&self, parameters: &[f64]) -> (Vec<f64>, Option<(f64, f64)>) {
        match &self.shape {
            Shape::Groups { .. } => (parameters.iter().map(|p| p.exp()).collect(), None),
            Shape::Fields { .. } => {
                let (rows, columns) = self.correlations(parameters);
                (vec![parameters[0].exp()], Some((rows, columns)))
            }
            Shape::Known { .. } => (Vec::new(), None),
        }
    }

    fn correlations(&self, parameters: &[f64]) -> (f64, f64) {
        let Shape::Fields {
            along_rows,
            along_columns,
            ..
        } = &self.shape
        else {
            return (0.0, 0.0);
        };
        let rows = if *along_rows {
            parameters[1].tanh()
        } else {
            0.0
        };
        let columns = if *along_columns {
            parameters[1 + usize::from(*along_rows)].tanh()
        } else {
            0.0
        };
        (rows, columns)
    }

    pub(crate) fn state(&self, parameters: &[f64]) -> ResidualState {
        match &self.shape {
            Shape::Groups { group_of, sizes } => {
                let inverse: Vec<f64> = parameters.iter().map(|p| (-p).exp()).collect();
                let weights: Vec<f64> = group_of.iter().map(|&g| inverse[g as usize]).collect();
                let derivatives = (0..sizes.len())
                    .map(|g| {
                        let d = group_of
                            .iter()
                            .zip(&weights)
                            .map(|(&own, w)| if own as usize == g { -w } else { 0.0 })
                            .collect();
                        (d, sizes[g] as f64)
                    })
                    .collect();
                let log_determinant = sizes
                    .iter()
                    .zip(parameters)
                    .map(|(&s, p)| s as f64 * p)
                    .sum();
                ResidualState {
                    weights,
                    log_determinant,
                    derivatives,
                }
            }
            Shape::Fields {
                fields,
                kinds,
                along_rows,
                along_columns,
            } => {
                let scale = (-parameters[0]).exp();
                let (rho_r, rho_c) = self.correlations(parameters);
                let (slope_r, slope_c) = (1.0 - rho_r * rho_r, 1.0 - rho_c * rho_c);
                let n = kinds.len();
                let mut weights = Vec::with_capacity(n);
                let (mut by_row, mut by_column) = (Vec::with_capacity(n), Vec::with_capacity(n));
                for (r, c) in kinds {
                    let ((r, dr), (c, dc)) = (r.entry(rho_r), c.entry(rho_c));
                    weights.push(scale * r * c);
                    by_row.push(scale * dr * c * slope_r);
                    by_column.push(scale * r * dc * slope_c);
                }
                let (mut joints_r, mut joints_c) = (0.0, 0.0);
                for field in fields {
                    joints_r += (field.n_columns * (field.n_rows - 1)) as f64;
                    joints_c += (field.n_rows * (field.n_columns - 1)) as f64;
                }
                let mut derivatives = vec![(weights.iter().map(|w| -w).collect(), self.n as f64)];
                if *along_rows {
                    derivatives.push((by_row, -2.0 * rho_r * joints_r));
                }
                if *along_columns {
                    derivatives.push((by_column, -2.0 * rho_c * joints_c));
                }
                let log_determinant = self.n as f64 * parameters[0]
                    + joints_r * slope_r.ln()
                    + joints_c * slope_c.ln();
                ResidualState {
                    weights,
                    log_determinant,
                    derivatives,
                }
            }
            Shape::Known {
                weights,
                log_determinant,
                ..
            } => ResidualState {
                weights: weights.clone(),
                log_determinant: *log_determinant,
                derivatives: Vec::new(),
            },
        }
    }

    /// The symmetric matrix with the given pair weights times a vector.
    pub(crate) fn apply(&self, weights: &[f64], x: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; self.n];
        for (&(i, j), &w) in self.pairs.iter().zip(weights) {
            let (i, j) = (i as usize, j as usize);
            product[i] += w * x[j];
            if i != j {
                product[j] += w * x[i];
            }
        }
        product
    }

    /// R times a vector.
    pub(crate) fn covariance_times(&self, parameters: &[f64], x: &[f64]) -> Vec<f64> {
        match &self.shape {
            Shape::Groups { group_of, .. } => group_of
                .iter()
                .zip(x)
                .map(|(&g, value)| parameters[g as usize].exp() * value)
                .collect(),
            Shape::Fields { fields, .. } => {
                let variance = parameters[0].exp();
                let (rho_r, rho_c) = self.correlations(parameters);
                let mut product = vec![0.0; self.n];
                for field in fields {
                    let (rows, columns) = (field.n_rows, field.n_columns);
                    let mut half = vec![0.0; rows * columns];
                    for r in 0..rows {
                        for c in 0..columns {
                            half[r * columns + c] = (0..columns)
                                .map(|d| {
                                    rho_c.powi(c.abs_diff(d) as i32)
                                        * x[field.cells[r * columns + d]]
                                })
                                .sum();
                        }
                    }
                    for r in 0..rows {
                        for c in 0..columns {
                            let sum: f64 = (0..rows)
                                .map(|s| rho_r.powi(r.abs_diff(s) as i32) * half[s * columns + c])
                                .sum();
                            product[field.cells[r * columns + c]] = variance * sum;
                        }
                    }
                }
                product
            }
            Shape::Known { blocks, .. } => {
                let mut product = vec![0.0; self.n];
                for block in blocks {
                    for (i, &record) in block.records.iter().enumerate() {
                        product[record] = block
                            .records
                            .iter()
                            .enumerate()
                            .map(|(j, &other)| block.covariance[(i, j)] * x[other])
                            .sum();
                    }
                }
                product
            }
        }
    }
}
