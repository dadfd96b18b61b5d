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
    /// Which variance and correlations it has.
    pub(crate) group: usize,
}

/// Fields that share a variance, which is the parameter of the group's own number, and correlations.
#[derive(Debug, Clone, Default)]
struct FieldGroup {
    /// Plots, missing ones too.
    plots_n: usize,
    /// Neighbours along rows and along columns, each with the parameter of their correlation;
    /// none where no field of the group has any.
    row_joints_n: usize,
    column_joints_n: usize,
    row: Option<usize>,
    column: Option<usize>,
}

impl FieldGroup {
    /// Correlations along rows and columns.
    fn correlations(&self, parameters: &[f64]) -> (f64, f64) {
        let of = |place: Option<usize>| place.map_or(0.0, |k| parameters[k].tanh());
        (of(self.row), of(self.column))
    }
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
        groups: Vec<FieldGroup>,
        /// Group of every pair.
        group_of: Vec<u32>,
        n_parameters: usize,
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

    /// Fields of plots over `n` records, with as many groups as there are `names`.
    pub(crate) fn fields(
        fields: Vec<Field>,
        names: &[String],
        n: usize,
    ) -> Result<Self, ModelError> {
        let (mut pairs, mut kinds, mut group_of) = (Vec::new(), Vec::new(), Vec::new());
        let mut groups = vec![FieldGroup::default(); names.len()];
        for field in &fields {
            let group = &mut groups[field.group];
            group.plots_n += field.cells.len();
            group.row_joints_n += field.n_columns * (field.n_rows - 1);
            group.column_joints_n += field.n_rows * (field.n_columns - 1);
            let at = |r: usize, c: usize| field.cells[r * field.n_columns + c] as u32;
            for r in 0..field.n_rows {
                for c in 0..field.n_columns {
                    let (own_r, own_c) =
                        (Along::own(r, field.n_rows), Along::own(c, field.n_columns));
                    let mut push = |other: u32, kind| {
                        pairs.push((at(r, c), other));
                        kinds.push(kind);
                        group_of.push(field.group as u32);
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
        let mut n_parameters = groups.len();
        for (group, name) in groups.iter_mut().zip(names) {
            if group.row_joints_n + group.column_joints_n == 0 {
                return Err(ModelError::Grid {
                    what: format!(
                        "no field of `{name}` has two plots side by side; use independent residuals"
                    ),
                });
            }
            let mut next = |joints: usize| {
                (joints > 0).then(|| {
                    n_parameters += 1;
                    n_parameters - 1
                })
            };
            group.row = next(group.row_joints_n);
            group.column = next(group.column_joints_n);
        }
        Ok(Self {
            shape: Shape::Fields {
                fields,
                kinds,
                groups,
                group_of,
                n_parameters,
            },
            pairs,
            n,
        })
    }

    pub(crate) fn n_parameters(&self) -> usize {
        match &self.shape {
            Shape::Groups { sizes, .. } => sizes.len(),
            Shape::Fields { n_parameters, .. } => *n_parameters,
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
            Shape::Fields { fields, .. } => {
                let mut own = vec![0.0; self.n];
                for field in fields {
                    let variance = parameters[field.group].exp();
                    field.cells.iter().for_each(|&cell| own[cell] = variance);
                }
                own
            }
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
            Shape::Fields {
                groups,
                n_parameters,
                ..
            } => {
                let mut start = vec![0.3_f64.atanh(); *n_parameters];
                start[..groups.len()].fill(variance.ln());
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
            Shape::Fields { .. } | Shape::Known { .. } => {
                self.own_variances(parameters).iter().sum::<f64>() / self.n as f64
            }
        }
    }

    /// Variances (by group) and, for fields, each group's correlations along rows and columns.
    pub(crate) fn natural(&self, parameters: &[f64]) -> (Vec<f64>, Vec<(f64, f64)>) {
        match &self.shape {
            Shape::Groups { .. } => (parameters.iter().map(|p| p.exp()).collect(), Vec::new()),
            Shape::Fields { groups, .. } => (
                parameters[..groups.len()].iter().map(|p| p.exp()).collect(),
                groups.iter().map(|g| g.correlations(parameters)).collect(),
            ),
            Shape::Known { .. } => (Vec::new(), Vec::new()),
        }
    }

    /// The parameters of given variances and, for fields, correlations of each group; `None` when
    /// their numbers do not fit.
    pub(crate) fn parameters_of(
        &self,
        variances: &[f64],
        correlations: &[(f64, f64)],
    ) -> Option<Vec<f64>> {
        let mut parameters: Vec<f64> = variances.iter().map(|v| v.ln()).collect();
        if let Shape::Fields {
            groups,
            n_parameters,
            ..
        } = &self.shape
        {
            if correlations.len() != groups.len() || variances.len() != groups.len() {
                return None;
            }
            parameters.resize(*n_parameters, 0.0);
            for (group, (rows, columns)) in groups.iter().zip(correlations) {
                for (place, rho) in [(group.row, rows), (group.column, columns)] {
                    if let Some(k) = place {
                        parameters[k] = rho.atanh();
                    }
                }
            }
        }
        (parameters.len() == self.n_parameters()).then_some(parameters)
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
                kinds,
                groups,
                group_of,
                n_parameters,
                ..
            } => {
                let mut weights = Vec::with_capacity(kinds.len());
                let mut derivatives = vec![(vec![0.0; kinds.len()], 0.0); *n_parameters];
                let scales: Vec<(f64, f64, f64)> = groups
                    .iter()
                    .enumerate()
                    .map(|(g, group)| {
                        let (rows, columns) = group.correlations(parameters);
                        ((-parameters[g]).exp(), rows, columns)
                    })
                    .collect();
                for (pair, ((r, c), &g)) in kinds.iter().zip(group_of).enumerate() {
                    let g = g as usize;
                    let (scale, rho_r, rho_c) = scales[g];
                    let ((r, dr), (c, dc)) = (r.entry(rho_r), c.entry(rho_c));
                    let weight = scale * r * c;
                    weights.push(weight);
                    derivatives[g].0[pair] = -weight;
                    // The slope of rho by its parameter.
                    if let Some(k) = groups[g].row {
                        derivatives[k].0[pair] = scale * dr * c * (1.0 - rho_r * rho_r);
                    }
                    if let Some(k) = groups[g].column {
                        derivatives[k].0[pair] = scale * r * dc * (1.0 - rho_c * rho_c);
                    }
                }
                let mut log_determinant = 0.0;
                for (g, (group, (_, rho_r, rho_c))) in groups.iter().zip(&scales).enumerate() {
                    log_determinant += group.plots_n as f64 * parameters[g];
                    derivatives[g].1 = group.plots_n as f64;
                    for (place, joints_n, rho) in [
                        (group.row, group.row_joints_n, rho_r),
                        (group.column, group.column_joints_n, rho_c),
                    ] {
                        log_determinant += joints_n as f64 * (1.0 - rho * rho).ln();
                        if let Some(k) = place {
                            derivatives[k].1 = -2.0 * rho * joints_n as f64;
                        }
                    }
                }
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
            Shape::Fields { fields, groups, .. } => {
                let mut product = vec![0.0; self.n];
                for field in fields {
                    let variance = parameters[field.group].exp();
                    let (rho_r, rho_c) = groups[field.group].correlations(parameters);
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
