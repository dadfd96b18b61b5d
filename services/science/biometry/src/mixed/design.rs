//! From a frame and a model to design matrices.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use faer::prelude::Solve;
use faer::{Mat, Side};

use super::residual::{Field, ResidualStructure};
use super::{Across, BetweenLevels, Model, ModelError, RandomTerm, Relationship, Residual};
use crate::data::{Column, Frame};
use crate::formula::Term;

/// Level of a record that stands for a missing plot.
pub(crate) const NO_LEVEL: u32 = u32::MAX;

/// A variable of the fixed part, over the records used.
#[derive(Debug, Clone)]
pub(crate) enum Variable {
    Factor {
        levels: Vec<String>,
        codes: Vec<u32>,
    },
    Covariate {
        values: Vec<f64>,
        mean: f64,
    },
}

/// One factor or covariate of a fixed column.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Part {
    Level { variable: String, level: u32 },
    Covariate { variable: String },
}

/// One column of X as the formula makes it, before aliased columns are set aside.
#[derive(Debug, Clone)]
pub(crate) struct FixedColumn {
    pub(crate) name: String,
    /// Index of the term, or `None` for the intercept.
    pub(crate) term: Option<usize>,
    pub(crate) parts: Vec<Part>,
}

/// One random term over the records used.
#[derive(Debug, Clone)]
pub(crate) struct RandomDesign {
    pub(crate) name: String,
    pub(crate) coefficients: Vec<String>,
    pub(crate) levels: Vec<String>,
    pub(crate) level_of: Vec<u32>,
    /// Covariate of every coefficient, by record.
    pub(crate) covariates: Vec<Vec<f64>>,
    /// Largest rank of the coefficients' covariance.
    pub(crate) max_rank: usize,
    /// Mean square of every covariate.
    pub(crate) mean_square: Vec<f64>,
    pub(crate) relationship: Option<Arc<Relationship>>,
    /// Whether all coefficients share one variance and no covariance.
    pub(crate) shared: bool,
    /// For a smooth trend: its distinct places and the basis at each.
    pub(crate) smooth: Option<Smooth>,
}

/// Cubic smoothing spline as independent coefficients of one variance.
#[derive(Debug, Clone)]
pub(crate) struct Smooth {
    pub(crate) values: Vec<f64>,
    pub(crate) basis: Vec<Vec<f64>>,
}

/// Most distinct values of a covariate with a smooth trend.
const SMOOTH_PLACES: usize = 60;

impl Smooth {
    /// With second differences Q and their covariance R at the places (Green and Silverman 1994,
    /// from memory), Z = Q (Q'Q)^-1 chol(R); places are scaled to a mean spacing of 1.
    fn new(name: &str, covariate: &[f64]) -> Result<Self, ModelError> {
        let refused = |why: String| ModelError::NotEstimable {
            what: format!("the smooth trend along `{name}`"),
            why,
        };
        let mut values = covariate.to_vec();
        values.sort_by(f64::total_cmp);
        values.dedup();
        let m = values.len();
        if !(4..=SMOOTH_PLACES).contains(&m) {
            return Err(refused(format!(
                "it has {m} distinct values; give 4 to {SMOOTH_PLACES} (round them if need be)"
            )));
        }
        let spacing = (values[m - 1] - values[0]) / (m - 1) as f64;
        let h: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]) / spacing).collect();
        let q = Mat::from_fn(m, m - 2, |i, j| match i.wrapping_sub(j) {
            0 => 1.0 / h[j],
            1 => -1.0 / h[j] - 1.0 / h[j + 1],
            2 => 1.0 / h[j + 1],
            _ => 0.0,
        });
        let r = Mat::from_fn(m - 2, m - 2, |i, j| match i.abs_diff(j) {
            0 => (h[i] + h[i + 1]) / 3.0,
            1 => h[i.max(j)] / 6.0,
            _ => 0.0,
        });
        let tight = || refused("its values lie too close together".to_owned());
        let root = r.llt(Side::Lower).map_err(|_| tight())?;
        let cross = (q.transpose() * &q).llt(Side::Lower).map_err(|_| tight())?;
        let z = &q * cross.solve(root.L());
        let basis = (0..m)
            .map(|i| (0..m - 2).map(|j| z[(i, j)]).collect())
            .collect();
        Ok(Self { values, basis })
    }

    fn at(&self, value: f64) -> &[f64] {
        let place = self.values.partition_point(|v| *v < value);
        &self.basis[place.min(self.values.len() - 1)]
    }
}

/// Everything the equations need.
#[derive(Debug, Clone)]
pub(crate) struct Design {
    pub(crate) response: String,
    pub(crate) y: Vec<f64>,
    /// Position in the frame of every record with a value (missing plots come after these).
    pub(crate) used: Vec<usize>,
    pub(crate) terms: Vec<Term>,
    pub(crate) variables: BTreeMap<String, Variable>,
    pub(crate) columns: Vec<FixedColumn>,
    /// Place of every column among the estimable ones, or `None` when aliased.
    pub(crate) kept: Vec<Option<usize>>,
    /// Aliased columns as combinations of the estimable ones: (column, [(estimable, weight)]).
    pub(crate) aliases: Vec<(usize, Vec<(usize, f64)>)>,
    /// Number of estimable fixed columns.
    pub(crate) n_kept: usize,
    /// Fixed equations: the estimable columns and then one for every missing plot.
    pub(crate) n_fixed: usize,
    pub(crate) x_ptr: Vec<usize>,
    pub(crate) x_entries: Vec<(u32, f64)>,
    pub(crate) random: Vec<RandomDesign>,
    pub(crate) residual: ResidualStructure,
    pub(crate) residual_groups: Vec<String>,
}

impl Design {
    pub(crate) fn n(&self) -> usize {
        self.y.len()
    }

    pub(crate) fn fixed_row(&self, record: usize) -> &[(u32, f64)] {
        &self.x_entries[self.x_ptr[record]..self.x_ptr[record + 1]]
    }

    pub(crate) fn build(frame: &Frame, model: &Model) -> Result<Self, ModelError> {
        let formula = &model.formula;
        let used = used_records(frame, model)?;
        let response = frame.numeric(&formula.response)?;
        let mut y: Vec<f64> = used
            .iter()
            .map(|&k| response[k].unwrap_or_default())
            .collect();

        let mut variables = BTreeMap::new();
        for name in formula.fixed.terms.iter().flat_map(Term::variables) {
            if !variables.contains_key(name) {
                variables.insert(name.clone(), variable(frame, name, &used)?);
            }
        }
        let (columns, rows) = fixed_columns(model, &variables, used.len());
        let Aliasing {
            kept,
            aliases,
            n_kept,
        } = find_aliases(model, &columns, &rows)?;
        if used.len() <= n_kept {
            return Err(ModelError::TooFewRecords {
                records: used.len(),
                coefficients: n_kept,
            });
        }

        let (residual, residual_groups, n_missing) = residual_structure(frame, model, &used)?;
        y.resize(used.len() + n_missing, 0.0);
        let (mut x_ptr, mut x_entries) = (vec![0], Vec::new());
        for row in &rows {
            x_entries.extend(
                row.iter()
                    .filter_map(|&(c, v)| kept[c as usize].map(|k| (k as u32, v))),
            );
            x_ptr.push(x_entries.len());
        }
        for k in 0..n_missing {
            x_entries.push(((n_kept + k) as u32, 1.0));
            x_ptr.push(x_entries.len());
        }

        let mut random = Vec::with_capacity(model.random.len());
        for term in &model.random {
            random.push(random_design(frame, term, &used, n_missing)?);
        }
        Ok(Self {
            response: formula.response.clone(),
            y,
            used,
            terms: formula.fixed.terms.clone(),
            variables,
            columns,
            kept,
            aliases,
            n_kept,
            n_fixed: n_kept + n_missing,
            x_ptr,
            x_entries,
            random,
            residual,
            residual_groups,
        })
    }

    /// Random terms whose variances no data could tell apart.
    ///
    /// # Errors
    /// The first such term, named with what it is confounded with.
    pub(crate) fn check_random(&self) -> Result<(), ModelError> {
        let records = self.used.len();
        let single = |term: &RandomDesign| {
            term.relationship.is_none()
                && term.coefficients.len() == 1
                && term.covariates[0][..records].iter().all(|&z| z == 1.0)
        };
        for (k, term) in self.random.iter().enumerate() {
            if single(term) && term.levels.len() == records && self.residual.is_diagonal() {
                return Err(ModelError::ConfoundedRandom {
                    term: term.name.clone(),
                    with: "the residual, as every level has one record".to_owned(),
                });
            }
            let twin = self.random[..k].iter().find(|other| {
                single(term)
                    && single(other)
                    && other.levels.len() == term.levels.len()
                    && term.level_of[..records]
                        .iter()
                        .zip(&other.level_of[..records])
                        .collect::<BTreeSet<_>>()
                        .len()
                        == term.levels.len()
            });
            if let Some(twin) = twin {
                return Err(ModelError::ConfoundedRandom {
                    term: term.name.clone(),
                    with: format!(
                        "random term `{}`, which groups the records alike",
                        twin.name
                    ),
                });
            }
        }
        Ok(())
    }
}

/// Linear functions of the fixed coefficients that are the adjusted means of a term.
pub(crate) struct MeanRows {
    pub(crate) target: Term,
    /// Weights over the kept coefficients.
    pub(crate) rows: Vec<Vec<f64>>,
    /// Level of each factor of the term, for every row.
    pub(crate) labels: Vec<Vec<String>>,
    pub(crate) not_estimable: Vec<String>,
}

impl Design {
    /// The adjusted means of a fixed factor or combination of factors.
    pub(crate) fn mean_rows(&self, term: &str) -> Result<MeanRows, ModelError> {
        let names: Vec<&str> = term.split(':').map(str::trim).collect();
        let target = Term::of(&names);
        let mut level_names = Vec::with_capacity(names.len());
        for name in target.variables() {
            match self.variables.get(name) {
                Some(Variable::Factor { levels, .. }) => level_names.push(levels),
                _ => {
                    return Err(ModelError::Absent {
                        what: format!("fixed factor `{name}`"),
                    });
                }
            }
        }
        let (mut rows, mut labels, mut not_estimable) = (Vec::new(), Vec::new(), Vec::new());
        for combination in 0..level_names.iter().map(|l| l.len()).product::<usize>() {
            let mut rest = combination;
            let levels: Vec<usize> = level_names
                .iter()
                .map(|names| {
                    let level = rest % names.len();
                    rest /= names.len();
                    level
                })
                .collect();
            let label: Vec<String> = levels
                .iter()
                .zip(&level_names)
                .map(|(&l, names)| names[l].clone())
                .collect();
            let full: Vec<f64> = self
                .columns
                .iter()
                .map(|column| {
                    let weight = |part: &Part| match (part, &self.variables[part.variable()]) {
                        (Part::Level { variable, level }, Variable::Factor { levels: all, .. }) => {
                            match target.variables().iter().position(|v| v == variable) {
                                Some(k) => f64::from(levels[k] == *level as usize),
                                None => 1.0 / all.len() as f64,
                            }
                        }
                        (_, Variable::Covariate { mean, .. }) => *mean,
                        _ => 0.0,
                    };
                    column.parts.iter().map(weight).product()
                })
                .collect();
            match self.estimable(&full) {
                Some(row) => {
                    rows.push(row);
                    labels.push(label);
                }
                None => not_estimable.push(label.join(":")),
            }
        }
        Ok(MeanRows {
            target,
            rows,
            labels,
            not_estimable,
        })
    }

    /// The general mean: factors averaged over their levels, covariates at their means.
    pub(crate) fn general_row(&self) -> Option<Vec<f64>> {
        let weight = |part: &Part| match (part, &self.variables[part.variable()]) {
            (Part::Level { .. }, Variable::Factor { levels, .. }) => 1.0 / levels.len() as f64,
            (_, Variable::Covariate { mean, .. }) => *mean,
            _ => 0.0,
        };
        let full: Vec<f64> = self
            .columns
            .iter()
            .map(|column| column.parts.iter().map(weight).product())
            .collect();
        self.estimable(&full)
    }

    /// Estimable contrasts of a term over the kept coefficients.
    pub(crate) fn term_contrasts(&self, term: &Term) -> Vec<Vec<f64>> {
        let variables = &self.variables;
        let counts: Vec<usize> = term
            .variables()
            .iter()
            .map(|v| match &variables[v] {
                Variable::Factor { levels, .. } => levels.len() - 1,
                Variable::Covariate { .. } => 1,
            })
            .collect();
        let mut rows = Vec::new();
        for combination in 0..counts.iter().product::<usize>() {
            let mut rest = combination;
            let levels: Vec<u32> = counts
                .iter()
                .map(|count| {
                    let level = rest % count + 1;
                    rest /= count;
                    level as u32
                })
                .collect();
            let weight_of = |name: &str, part: Option<&Part>| -> f64 {
                let place = term.variables().iter().position(|v| v == name);
                match (place, part, &variables[name]) {
                    (Some(k), Some(Part::Level { level, .. }), _) => {
                        f64::from(*level == levels[k]) - f64::from(*level == 0)
                    }
                    (Some(_), Some(Part::Covariate { .. }), _) => 1.0,
                    (Some(_), None, _) => 0.0,
                    (None, Some(Part::Covariate { .. }), Variable::Covariate { mean, .. }) => *mean,
                    (None, Some(_), Variable::Factor { levels, .. }) => 1.0 / levels.len() as f64,
                    _ => 1.0,
                }
            };
            let full: Vec<f64> = self
                .columns
                .iter()
                .map(|column| {
                    let mut weight = 1.0;
                    for name in term.variables() {
                        if !column.parts.iter().any(|p| p.variable() == name) {
                            weight *= weight_of(name, None);
                        }
                    }
                    for part in &column.parts {
                        weight *= weight_of(part.variable(), Some(part));
                    }
                    weight
                })
                .collect();
            if let Some(row) = self.estimable(&full) {
                rows.push(row);
            }
        }
        // Contrasts made equal by empty cells count once.
        let mut basis: Vec<Vec<f64>> = Vec::new();
        let mut kept = Vec::new();
        for row in rows {
            let mut rest = row.clone();
            for b in &basis {
                let along: f64 = rest.iter().zip(b).map(|(x, y)| x * y).sum();
                rest.iter_mut().zip(b).for_each(|(x, y)| *x -= along * y);
            }
            let norm = rest.iter().map(|x| x * x).sum::<f64>().sqrt();
            let before = row.iter().map(|x| x * x).sum::<f64>().sqrt();
            if norm > 1e-8 * before {
                basis.push(rest.iter().map(|x| x / norm).collect());
                kept.push(row);
            }
        }
        kept
    }

    /// Weights over all columns as weights over the kept ones, or `None` when an aliased column
    /// makes the function inestimable.
    pub(crate) fn estimable(&self, full: &[f64]) -> Option<Vec<f64>> {
        let mut kept = vec![0.0; self.n_kept];
        for (weight, place) in full.iter().zip(&self.kept) {
            if let Some(k) = place {
                kept[*k] = *weight;
            }
        }
        let consistent = self.aliases.iter().all(|(column, weights)| {
            let implied: f64 = weights.iter().map(|&(k, w)| w * kept[k]).sum();
            (implied - full[*column]).abs() < 1e-6
        });
        consistent.then_some(kept)
    }
}

/// Variables of the model other than the response.
fn explanatory(model: &Model) -> BTreeSet<&str> {
    let mut names: BTreeSet<&str> = BTreeSet::new();
    names.extend(
        model
            .formula
            .fixed
            .terms
            .iter()
            .flat_map(Term::variables)
            .map(String::as_str),
    );
    for term in &model.random {
        names.extend(term.factors.iter().chain(&term.slopes).map(String::as_str));
        if let Across::EachLevel { factor, .. } | Across::OneLevel { factor, .. } = &term.across {
            names.insert(factor);
        }
    }
    match &model.residual {
        Residual::Homogeneous | Residual::Known(_) => {}
        Residual::ByLevel(factor) => {
            names.insert(factor);
        }
        Residual::SeparableAr1 {
            row,
            column,
            section,
            each,
        } => {
            names.extend([row.as_str(), column.as_str()]);
            names.extend(section.as_deref().into_iter().chain(each.as_deref()));
        }
    }
    names
}

fn used_records(frame: &Frame, model: &Model) -> Result<Vec<usize>, ModelError> {
    let response = frame.numeric(&model.formula.response)?;
    let names = explanatory(model);
    let columns: Vec<&Column> = names
        .iter()
        .map(|name| frame.column(name))
        .collect::<Result<_, _>>()?;
    let used: Vec<usize> = (0..frame.n_records())
        .filter(|&k| response[k].is_some() && columns.iter().all(|c| c.is_present(k)))
        .collect();
    if used.is_empty() {
        return Err(ModelError::AllMissing {
            trait_name: model.formula.response.clone(),
            variables: names
                .iter()
                .map(|n| format!("`{n}`"))
                .collect::<Vec<_>>()
                .join(", "),
        });
    }
    Ok(used)
}

/// The levels in use and the code of every record among them.
fn levels_in_use(
    frame: &Frame,
    name: &str,
    used: &[usize],
) -> Result<(Vec<String>, Vec<u32>), ModelError> {
    let factor = frame.factor(name)?;
    let codes: Vec<u32> = used
        .iter()
        .map(|&k| factor.codes()[k].unwrap_or_default())
        .collect();
    let mut new_code = vec![NO_LEVEL; factor.levels().len()];
    codes.iter().for_each(|&c| new_code[c as usize] = 0);
    let mut levels = Vec::new();
    for (code, level) in new_code.iter_mut().zip(factor.levels()) {
        if *code == 0 {
            *code = levels.len() as u32;
            levels.push(level.clone());
        }
    }
    Ok((
        levels,
        codes.into_iter().map(|c| new_code[c as usize]).collect(),
    ))
}

fn variable(frame: &Frame, name: &str, used: &[usize]) -> Result<Variable, ModelError> {
    match frame.column(name)? {
        Column::Factor(_) => {
            let (levels, codes) = levels_in_use(frame, name, used)?;
            if let [level] = levels.as_slice() {
                return Err(ModelError::OneLevel {
                    factor: name.to_owned(),
                    level: level.clone(),
                });
            }
            Ok(Variable::Factor { levels, codes })
        }
        Column::Numeric(values) => {
            let values: Vec<f64> = used
                .iter()
                .map(|&k| values[k].unwrap_or_default())
                .collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            Ok(Variable::Covariate { values, mean })
        }
    }
}

type SparseRows = Vec<Vec<(u32, f64)>>;

/// Treatment contrasts; a factor gets a column for every level where the term without it is not
/// in the model.
fn fixed_columns(
    model: &Model,
    variables: &BTreeMap<String, Variable>,
    n: usize,
) -> (Vec<FixedColumn>, SparseRows) {
    let fixed = &model.formula.fixed;
    let mut columns = Vec::new();
    let mut rows: SparseRows = vec![Vec::new(); n];
    if fixed.intercept {
        columns.push(FixedColumn {
            name: "(Intercept)".to_owned(),
            term: None,
            parts: Vec::new(),
        });
        rows.iter_mut().for_each(|row| row.push((0, 1.0)));
    }
    for (t, term) in fixed.terms.iter().enumerate() {
        let first_column = columns.len();
        let mut first_level = Vec::new();
        for name in term.variables() {
            let rest: Vec<&str> = term
                .variables()
                .iter()
                .filter(|v| *v != name)
                .map(String::as_str)
                .collect();
            let margin = Term::of(&rest);
            let in_model = if rest.is_empty() {
                // Without an intercept the first factor of the model takes its place.
                fixed.intercept || takes_intercept_place(model, variables) != Some(t)
            } else {
                fixed.terms.iter().any(|other| other.is_same(&margin))
            };
            first_level.push(u32::from(in_model));
        }
        let counts: Vec<u32> = term
            .variables()
            .iter()
            .zip(&first_level)
            .map(|(name, first)| match &variables[name] {
                Variable::Factor { levels, .. } => levels.len() as u32 - first,
                Variable::Covariate { .. } => 1,
            })
            .collect();
        for combination in 0..counts.iter().product::<u32>() {
            let (mut rest, mut parts, mut names) = (combination, Vec::new(), Vec::new());
            for ((variable, count), first) in term.variables().iter().zip(&counts).zip(&first_level)
            {
                let offset = rest % count;
                rest /= count;
                match &variables[variable] {
                    Variable::Factor { levels, .. } => {
                        let level = offset + first;
                        names.push(format!("{variable}{}", levels[level as usize]));
                        parts.push(Part::Level {
                            variable: variable.clone(),
                            level,
                        });
                    }
                    Variable::Covariate { .. } => {
                        names.push(variable.clone());
                        parts.push(Part::Covariate {
                            variable: variable.clone(),
                        });
                    }
                }
            }
            columns.push(FixedColumn {
                name: names.join(":"),
                term: Some(t),
                parts,
            });
        }
        for (record, row) in rows.iter_mut().enumerate() {
            let (mut offset, mut stride, mut value) = (0, 1, 1.0);
            let mut baseline = false;
            for ((variable, count), first) in term.variables().iter().zip(&counts).zip(&first_level)
            {
                match &variables[variable] {
                    Variable::Factor { codes, .. } => match codes[record].checked_sub(*first) {
                        Some(code) => offset += code * stride,
                        None => baseline = true,
                    },
                    Variable::Covariate { values, .. } => value *= values[record],
                }
                stride *= count;
            }
            if !baseline && value != 0.0 {
                row.push((first_column as u32 + offset, value));
            }
        }
    }
    (columns, rows)
}

/// The first main effect of a factor, which carries the general mean when there is no intercept.
fn takes_intercept_place(model: &Model, variables: &BTreeMap<String, Variable>) -> Option<usize> {
    model.formula.fixed.terms.iter().position(|term| {
        matches!(term.variables(), [only] if matches!(variables[only], Variable::Factor { .. }))
    })
}

struct Aliasing {
    kept: Vec<Option<usize>>,
    aliases: Vec<(usize, Vec<(usize, f64)>)>,
    n_kept: usize,
}

/// Sets aside columns that are combinations of earlier ones (Cholesky of X'X in column order). A
/// term of which nothing is left is an error, as a breeder must decide which one to keep.
fn find_aliases(
    model: &Model,
    columns: &[FixedColumn],
    rows: &SparseRows,
) -> Result<Aliasing, ModelError> {
    let p = columns.len();
    let mut cross = vec![0.0; p * p];
    for row in rows {
        for &(a, x) in row {
            row.iter()
                .for_each(|&(b, z)| cross[a as usize * p + b as usize] += x * z);
        }
    }
    let scale: Vec<f64> = (0..p).map(|k| cross[k * p + k]).collect();
    // Row-wise Gaussian elimination; zero multipliers, frequent among dummies, cost nothing.
    let mut kept: Vec<Option<usize>> = vec![None; p];
    let mut pivots = Vec::new();
    let mut alias_columns = Vec::new();
    for k in 0..p {
        if scale[k] == 0.0 || cross[k * p + k] <= 1e-10 * scale[k] {
            alias_columns.push(k);
            continue;
        }
        kept[k] = Some(pivots.len());
        pivots.push(k);
        let (upper, lower) = cross.split_at_mut((k + 1) * p);
        let pivot_row = &upper[k * p..];
        let pivot = pivot_row[k];
        for row in lower.chunks_exact_mut(p) {
            if row[k] != 0.0 {
                let multiplier = row[k] / pivot;
                row[k + 1..]
                    .iter_mut()
                    .zip(&pivot_row[k + 1..])
                    .for_each(|(x, u)| *x -= multiplier * u);
            }
        }
    }
    // Back substitution of the eliminated rows gives each aliased column by the kept ones.
    let aliases: Vec<(usize, Vec<(usize, f64)>)> = alias_columns
        .into_iter()
        .map(|column| {
            let mut weights: Vec<(usize, f64)> = Vec::new();
            let mut solution = vec![0.0; pivots.len()];
            for (place, &k) in pivots
                .iter()
                .enumerate()
                .rev()
                .filter(|(_, k)| **k < column)
            {
                let mut value = cross[k * p + column];
                for (later, &j) in pivots.iter().enumerate().skip(place + 1) {
                    value -= cross[k * p + j] * solution[later];
                }
                solution[place] = value / cross[k * p + k];
                if solution[place].abs() > 1e-7 {
                    weights.push((place, solution[place]));
                }
            }
            (column, weights)
        })
        .collect();
    let terms = &model.formula.fixed.terms;
    for (t, term) in terms.iter().enumerate() {
        let of_term = |k: usize| columns[k].term == Some(t);
        if (0..p).any(of_term) && !(0..p).any(|k| of_term(k) && kept[k].is_some()) {
            let mut with = BTreeSet::new();
            for (_, weights) in aliases.iter().filter(|(k, _)| of_term(*k)) {
                for &(place, _) in weights {
                    if let Some(other) = columns[pivots[place]].term {
                        with.insert(format!("`{}`", terms[other]));
                    }
                }
            }
            let with = if with.is_empty() {
                "the general mean".to_owned()
            } else {
                with.into_iter().collect::<Vec<_>>().join(" and ")
            };
            return Err(ModelError::ConfoundedFixed {
                term: term.to_string(),
                with,
            });
        }
    }
    Ok(Aliasing {
        kept,
        aliases,
        n_kept: pivots.len(),
    })
}

fn residual_structure(
    frame: &Frame,
    model: &Model,
    used: &[usize],
) -> Result<(ResidualStructure, Vec<String>, usize), ModelError> {
    match &model.residual {
        Residual::Homogeneous => Ok((
            ResidualStructure::groups(vec![0; used.len()], 1),
            vec!["residual".to_owned()],
            0,
        )),
        Residual::ByLevel(factor) => {
            let (levels, codes) = levels_in_use(frame, factor, used)?;
            Ok((ResidualStructure::groups(codes, levels.len()), levels, 0))
        }
        Residual::Known(errors) => Ok((
            ResidualStructure::known(&errors.blocks, used)?,
            Vec::new(),
            0,
        )),
        Residual::SeparableAr1 {
            row,
            column,
            section,
            each,
        } => {
            let grouped = |factor: &Option<String>| match factor {
                Some(name) => levels_in_use(frame, name, used),
                None => Ok((vec!["residual".to_owned()], vec![0; used.len()])),
            };
            let (sections, section_of) = grouped(section)?;
            let (groups, group_of) = grouped(each)?;
            let rows = positions(frame, row, used)?;
            let columns = positions(frame, column, used)?;
            let mut n = used.len();
            let mut fields = Vec::with_capacity(sections.len());
            for (s, section) in sections.iter().enumerate() {
                let here: Vec<usize> = (0..used.len())
                    .filter(|&k| section_of[k] as usize == s)
                    .collect();
                let group = group_of[here[0]];
                if here.iter().any(|&k| group_of[k] != group) {
                    return Err(ModelError::Grid {
                        what: format!(
                            "`{section}` lies in two levels of `{}`; let every section lie in one",
                            each.as_deref().unwrap_or_default()
                        ),
                    });
                }
                let extent = |at: &[i64]| {
                    let first = here.iter().map(|&k| at[k]).min().unwrap_or(0);
                    let last = here.iter().map(|&k| at[k]).max().unwrap_or(0);
                    (first, (last - first + 1) as usize)
                };
                let ((first_row, n_rows), (first_column, n_columns)) =
                    (extent(&rows), extent(&columns));
                if n_rows.saturating_mul(n_columns) > 20 * here.len() + 100 {
                    return Err(ModelError::Grid {
                        what: format!(
                            "{} plots of `{section}` spread over {n_rows} rows x {n_columns} columns; check the positions",
                            here.len()
                        ),
                    });
                }
                let mut cells = vec![usize::MAX; n_rows * n_columns];
                for &k in &here {
                    let (r, c) = (rows[k] - first_row, columns[k] - first_column);
                    let cell = &mut cells[r as usize * n_columns + c as usize];
                    if *cell != usize::MAX {
                        return Err(ModelError::Grid {
                            what: format!(
                                "two records of `{section}` lie in row {} column {}; give one record per plot",
                                rows[k], columns[k]
                            ),
                        });
                    }
                    *cell = k;
                }
                for cell in cells.iter_mut().filter(|c| **c == usize::MAX) {
                    *cell = n;
                    n += 1;
                }
                fields.push(Field {
                    n_rows,
                    n_columns,
                    cells,
                    group: group as usize,
                });
            }
            let structure = ResidualStructure::fields(fields, &groups, n)?;
            Ok((structure, groups, n - used.len()))
        }
    }
}

/// Whole-number positions from a numeric column or from a factor whose labels are numbers.
fn positions(frame: &Frame, name: &str, used: &[usize]) -> Result<Vec<i64>, ModelError> {
    let whole = |text: String| {
        text.trim()
            .parse::<f64>()
            .ok()
            .filter(|v| v.fract() == 0.0 && v.abs() < 1e9)
            .ok_or_else(|| ModelError::Grid {
                what: format!("`{name}` holds `{text}`; give whole numbers"),
            })
    };
    let column = frame.column(name)?;
    used.iter()
        .map(|&k| {
            let text = match column {
                Column::Numeric(values) => values[k].unwrap_or_default().to_string(),
                Column::Factor(f) => f.levels()[f.codes()[k].unwrap_or_default() as usize].clone(),
            };
            whole(text).map(|v| v as i64)
        })
        .collect()
}

fn random_design(
    frame: &Frame,
    term: &RandomTerm,
    used: &[usize],
    n_missing: usize,
) -> Result<RandomDesign, ModelError> {
    let name = term.name();
    if term.smooth {
        return smooth_design(frame, term, used, n_missing);
    }
    let factors: Vec<_> = term
        .factors
        .iter()
        .map(|f| levels_in_use(frame, f, used))
        .collect::<Result<_, _>>()?;
    let label = |record: usize| {
        factors
            .iter()
            .map(|(levels, codes)| levels[codes[record] as usize].as_str())
            .collect::<Vec<_>>()
            .join(":")
    };
    let (mut levels, mut level_of): (Vec<String>, Vec<u32>) =
        match (&term.relationship, &factors[..]) {
            (Some(relationship), _) => {
                let place: HashMap<&str, u32> = relationship
                    .levels()
                    .iter()
                    .enumerate()
                    .map(|(k, level)| (level.as_str(), k as u32))
                    .collect();
                let codes = (0..used.len())
                    .map(|k| {
                        let level = label(k);
                        place
                            .get(level.as_str())
                            .copied()
                            .ok_or_else(|| ModelError::NotRelated {
                                term: name.clone(),
                                level,
                            })
                    })
                    .collect::<Result<_, _>>()?;
                (relationship.levels().to_vec(), codes)
            }
            (None, [(levels, codes)]) => (levels.clone(), codes.clone()),
            (None, factors) => {
                let key = |k: usize| {
                    factors
                        .iter()
                        .map(|(_, codes)| codes[k])
                        .collect::<Vec<u32>>()
                };
                let mut place: BTreeMap<Vec<u32>, (u32, String)> =
                    (0..used.len()).map(|k| (key(k), (0, label(k)))).collect();
                place
                    .values_mut()
                    .enumerate()
                    .for_each(|(k, value)| value.0 = k as u32);
                let codes = (0..used.len()).map(|k| place[&key(k)].0).collect();
                (place.into_values().map(|(_, label)| label).collect(), codes)
            }
        };
    if let Across::OneLevel { factor, level } = &term.across {
        let is_related = term.relationship.is_some();
        (levels, level_of) =
            at_one_level(frame, (factor, level), used, levels, level_of, is_related)?;
    }
    if let [level] = levels.as_slice() {
        return Err(ModelError::OneLevel {
            factor: name,
            level: level.clone(),
        });
    }
    let (mut coefficients, mut covariates) = (Vec::new(), Vec::<Vec<f64>>::new());
    if term.intercept {
        coefficients.push("(Intercept)".to_owned());
        covariates.push(level_of.iter().map(|l| f64::from(*l != NO_LEVEL)).collect());
    }
    let mut form = BetweenLevels::Full;
    if let Across::EachLevel {
        factor,
        form: asked,
    } = &term.across
    {
        let (names, codes) = levels_in_use(frame, factor, used)?;
        for (code, name) in names.into_iter().enumerate() {
            coefficients.push(name);
            covariates.push(
                codes
                    .iter()
                    .map(|c| f64::from(*c as usize == code))
                    .collect(),
            );
        }
        form = *asked;
    }
    for slope in &term.slopes {
        let values = frame.numeric(slope)?;
        coefficients.push(slope.clone());
        covariates.push(
            used.iter()
                .map(|&k| values[k].unwrap_or_default())
                .collect(),
        );
    }
    if coefficients.is_empty() {
        return Err(ModelError::Absent {
            what: format!("coefficient for random term `{name}`"),
        });
    }
    let concerned = level_of.iter().filter(|l| **l != NO_LEVEL).count();
    let mean_square: Vec<f64> = covariates
        .iter()
        .map(|z| z.iter().map(|v| v * v).sum::<f64>() / concerned as f64)
        .collect();
    if let Some(k) = mean_square.iter().position(|&m| m == 0.0) {
        return Err(ModelError::NotEstimable {
            what: format!("random coefficient `{}` of `{name}`", coefficients[k]),
            why: "its covariate is zero everywhere".to_owned(),
        });
    }
    level_of.resize(used.len() + n_missing, NO_LEVEL);
    covariates
        .iter_mut()
        .for_each(|z| z.resize(used.len() + n_missing, 0.0));
    Ok(RandomDesign {
        name,
        max_rank: match form {
            BetweenLevels::Rank(most) => most.min(coefficients.len()),
            BetweenLevels::Full | BetweenLevels::OneVariance => coefficients.len(),
        },
        shared: form == BetweenLevels::OneVariance,
        coefficients,
        levels,
        level_of,
        covariates,
        mean_square,
        relationship: term.relationship.clone(),
        smooth: None,
    })
}

/// Which of the records used are at one level of a factor.
fn records_at(
    frame: &Frame,
    factor: &str,
    level: &str,
    used: &[usize],
) -> Result<Vec<bool>, ModelError> {
    let (names, codes) = levels_in_use(frame, factor, used)?;
    let here = names
        .iter()
        .position(|name| name == level)
        .ok_or_else(|| ModelError::Absent {
            what: format!("level `{level}` of `{factor}` among the records used"),
        })?;
    Ok(codes.iter().map(|code| *code as usize == here).collect())
}

/// The levels and codes of the records at one level of another factor; the others have none.
/// Related levels all stay, as each is predicted through the others.
fn at_one_level(
    frame: &Frame,
    (factor, level): (&str, &str),
    used: &[usize],
    levels: Vec<String>,
    level_of: Vec<u32>,
    are_related: bool,
) -> Result<(Vec<String>, Vec<u32>), ModelError> {
    let here = records_at(frame, factor, level, used)?;
    if are_related {
        let own = level_of.into_iter().zip(here);
        let level_of = own
            .map(|(own, here)| if here { own } else { NO_LEVEL })
            .collect();
        return Ok((levels, level_of));
    }
    let mut new_code = vec![NO_LEVEL; levels.len()];
    let mut kept = Vec::new();
    let level_of = level_of
        .into_iter()
        .zip(here)
        .map(|(own, here)| {
            if !here {
                return NO_LEVEL;
            }
            let code = &mut new_code[own as usize];
            if *code == NO_LEVEL {
                *code = kept.len() as u32;
                kept.push(levels[own as usize].clone());
            }
            *code
        })
        .collect();
    Ok((kept, level_of))
}

/// One level with a coefficient for every spline function.
fn smooth_design(
    frame: &Frame,
    term: &RandomTerm,
    used: &[usize],
    n_missing: usize,
) -> Result<RandomDesign, ModelError> {
    let covariate = &term.slopes[0];
    let values = frame.numeric(covariate)?;
    let values: Vec<f64> = used
        .iter()
        .map(|&k| values[k].unwrap_or_default())
        .collect();
    let here = match &term.across {
        Across::OneLevel { factor, level } => records_at(frame, factor, level, used)?,
        Across::Nothing | Across::EachLevel { .. } => vec![true; used.len()],
    };
    let inside: Vec<f64> = values
        .iter()
        .zip(&here)
        .filter_map(|(value, here)| here.then_some(*value))
        .collect();
    let smooth = Smooth::new(covariate, &inside)?;
    let functions = smooth.basis[0].len();
    let mut covariates = vec![Vec::with_capacity(used.len() + n_missing); functions];
    for (value, here) in values.iter().zip(&here) {
        let row = smooth.at(*value);
        covariates
            .iter_mut()
            .zip(row)
            .for_each(|(z, b)| z.push(if *here { *b } else { 0.0 }));
    }
    let mean_square = covariates
        .iter()
        .map(|z| z.iter().map(|v| v * v).sum::<f64>() / inside.len() as f64)
        .collect();
    covariates
        .iter_mut()
        .for_each(|z| z.resize(used.len() + n_missing, 0.0));
    let mut level_of: Vec<u32> = here
        .iter()
        .map(|here| if *here { 0 } else { NO_LEVEL })
        .collect();
    level_of.resize(used.len() + n_missing, NO_LEVEL);
    Ok(RandomDesign {
        name: term.name(),
        max_rank: functions,
        coefficients: (0..functions)
            .map(|k| format!("function {}", k + 1))
            .collect(),
        levels: vec![covariate.clone()],
        level_of,
        covariates,
        mean_square,
        relationship: None,
        shared: true,
        smooth: Some(smooth),
    })
}
