//! The animal model's equations for very large pedigrees, by preconditioned conjugate gradients.
//!
//! Memory grows with the plants and records, not with fill-in: about 0.4 GiB for a million plants
//! with a record each. Prediction error variances come one plant at a time
//! ([`LargeAnimalModel::prediction_error_variance`]), each for one more solve.

/// What stands in the way of a solution.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GradientError {
    /// Arrays that do not belong together.
    #[error("{0}")]
    Shape(String),
    /// A value that is not finite, or a variance that is not positive.
    #[error("{what} of {at} is {value}; give a finite{and} number")]
    Value {
        /// What the value is.
        what: &'static str,
        /// Where it stands.
        at: String,
        /// The value as text.
        value: String,
        /// Further demand.
        and: &'static str,
    },
    /// Too slow an approach.
    #[error(
        "the solution did not settle in {iterations} iterations (relative residual {residual:.1e}); check the variances or allow more iterations"
    )]
    NotConverged {
        /// Iterations done.
        iterations: usize,
        /// Norm of the residual over that of the right-hand side.
        residual: f64,
    },
}

/// A symmetric matrix by rows, both triangles.
#[derive(Debug, Clone)]
struct Rows {
    start: Vec<u32>,
    column: Vec<u32>,
    value: Vec<f64>,
}

impl Rows {
    fn from_lower(n: usize, lower: &[(usize, usize, f64)]) -> Self {
        let mut start = vec![0_u32; n + 1];
        for &(i, j, _) in lower {
            start[i + 1] += 1;
            if i != j {
                start[j + 1] += 1;
            }
        }
        for k in 0..n {
            start[k + 1] += start[k];
        }
        let total = start[n] as usize;
        let (mut column, mut value) = (vec![0; total], vec![0.0; total]);
        let mut next = start.clone();
        let mut put = |row: usize, other: usize, v: f64| {
            let at = next[row] as usize;
            column[at] = other as u32;
            value[at] = v;
            next[row] += 1;
        };
        for &(i, j, v) in lower {
            put(i, j, v);
            if i != j {
                put(j, i, v);
            }
        }
        Self {
            start,
            column,
            value,
        }
    }

    fn row(&self, k: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let range = self.start[k] as usize..self.start[k + 1] as usize;
        self.column[range.clone()]
            .iter()
            .map(|&c| c as usize)
            .zip(self.value[range].iter().copied())
    }
}

/// Records and pedigree of a large animal model: y = fixed class effects + covariates + breeding
/// value + (optional) permanent environment + residual.
#[derive(Debug, Clone)]
pub struct LargeAnimalModel {
    plants: usize,
    inverse: Rows,
    y: Vec<f64>,
    plant_of: Vec<u32>,
    /// Class of every record for each fixed factor, numbered over all factors.
    classes: Vec<Vec<u32>>,
    n_classes: usize,
    covariates: Vec<Vec<f64>>,
    permanent: bool,
    /// Residual over additive and residual over permanent variance.
    ratio: f64,
    permanent_ratio: f64,
    residual_variance: f64,
}

/// How far to iterate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effort {
    /// Norm of the residual over that of the right-hand side at which to stop.
    pub tolerance: f64,
    /// Most iterations.
    pub iterations: usize,
}

impl Default for Effort {
    fn default() -> Self {
        Self {
            tolerance: 1e-10,
            iterations: 5000,
        }
    }
}

/// Solution of a [`LargeAnimalModel`].
#[derive(Debug, Clone, PartialEq)]
pub struct LargeSolution {
    /// Effect of every class of every fixed factor. Of several factors only differences within a
    /// factor have a meaning.
    pub class_effects: Vec<Vec<f64>>,
    /// Slope of every covariate.
    pub slopes: Vec<f64>,
    /// Breeding value of every plant of the pedigree.
    pub breeding_values: Vec<f64>,
    /// Permanent environmental effect of every plant; empty without repeated records.
    pub permanent_effects: Vec<f64>,
    /// Iterations done.
    pub iterations: usize,
    /// Relative residual reached.
    pub residual: f64,
}

impl LargeAnimalModel {
    /// Takes the pedigree's relationship inverse (lower triangle, `plants` rows), the records
    /// (value and row of the plant), the class of every record for each fixed factor (at least
    /// one; a single class is the general mean), covariates, and the variances (additive,
    /// permanent environmental if plants have several records, residual).
    ///
    /// # Errors
    /// Arrays of different lengths, rows out of range, values that are not finite, variances that
    /// are not positive.
    #[allow(clippy::too_many_arguments)]
    pub fn new(
        plants: usize,
        inverse_lower: &[(usize, usize, f64)],
        y: Vec<f64>,
        plant_of: Vec<u32>,
        fixed_classes: Vec<Vec<u32>>,
        covariates: Vec<Vec<f64>>,
        variances: super::AnimalVariances,
    ) -> Result<Self, GradientError> {
        let n = y.len();
        let lengths = std::iter::once(plant_of.len())
            .chain(fixed_classes.iter().map(Vec::len))
            .chain(covariates.iter().map(Vec::len));
        if n == 0 || fixed_classes.is_empty() || lengths.into_iter().any(|l| l != n) {
            return Err(GradientError::Shape(format!(
                "give at least one record and one fixed factor, and {n} entries in every column"
            )));
        }
        if let Some(&(i, j, _)) = inverse_lower.iter().find(|e| e.0 >= plants || e.1 > e.0) {
            return Err(GradientError::Shape(format!(
                "entry ({i}, {j}) of the relationship inverse is not in the lower triangle of {plants} plants"
            )));
        }
        if let Some(&p) = plant_of.iter().find(|p| **p as usize >= plants) {
            return Err(GradientError::Shape(format!(
                "plant {p} is not among {plants} plants"
            )));
        }
        let not_finite = |what: &'static str, values: &[f64]| {
            values
                .iter()
                .position(|v| !v.is_finite())
                .map(|k| GradientError::Value {
                    what,
                    at: format!("record {}", k + 1),
                    value: values[k].to_string(),
                    and: "",
                })
        };
        if let Some(fault) = not_finite("the trait", &y)
            .or_else(|| covariates.iter().find_map(|c| not_finite("a covariate", c)))
        {
            return Err(fault);
        }
        let all = [
            Some(variances.additive),
            variances.permanent,
            Some(variances.residual),
        ];
        if let Some(bad) = all
            .into_iter()
            .flatten()
            .find(|v| !(v.is_finite() && *v > 0.0))
        {
            return Err(GradientError::Value {
                what: "a variance",
                at: "the model".to_owned(),
                value: bad.to_string(),
                and: ", positive",
            });
        }
        let mut n_classes = 0;
        let classes = fixed_classes
            .into_iter()
            .map(|factor| {
                let first = n_classes;
                n_classes += factor.iter().max().map_or(0, |m| m + 1);
                factor.into_iter().map(|c| c + first).collect()
            })
            .collect();
        Ok(Self {
            plants,
            inverse: Rows::from_lower(plants, inverse_lower),
            y,
            plant_of,
            classes,
            n_classes: n_classes as usize,
            covariates,
            permanent: variances.permanent.is_some(),
            ratio: variances.residual / variances.additive,
            permanent_ratio: variances.permanent.map_or(0.0, |p| variances.residual / p),
            residual_variance: variances.residual,
        })
    }

    fn n_equations(&self) -> usize {
        let per_plant = 1 + usize::from(self.permanent);
        self.n_classes + self.covariates.len() + per_plant * self.plants
    }

    fn first_plant(&self) -> usize {
        self.n_classes + self.covariates.len()
    }

    fn fitted(&self, x: &[f64], record: usize) -> f64 {
        let plant = self.first_plant() + self.plant_of[record] as usize;
        let mut sum = x[plant];
        if self.permanent {
            sum += x[plant + self.plants];
        }
        sum += self
            .classes
            .iter()
            .map(|c| x[c[record] as usize])
            .sum::<f64>();
        let slopes = self.covariates.iter().enumerate();
        sum + slopes
            .map(|(k, z)| z[record] * x[self.n_classes + k])
            .sum::<f64>()
    }

    fn add_record(&self, into: &mut [f64], record: usize, value: f64) {
        let plant = self.first_plant() + self.plant_of[record] as usize;
        into[plant] += value;
        if self.permanent {
            into[plant + self.plants] += value;
        }
        self.classes
            .iter()
            .for_each(|c| into[c[record] as usize] += value);
        for (k, z) in self.covariates.iter().enumerate() {
            into[self.n_classes + k] += z[record] * value;
        }
    }

    /// The coefficient matrix times x, record by record.
    fn multiply(&self, x: &[f64], product: &mut [f64]) {
        product.fill(0.0);
        for record in 0..self.y.len() {
            self.add_record(product, record, self.fitted(x, record));
        }
        let first = self.first_plant();
        let (own, ratio) = (&x[first..first + self.plants], self.ratio);
        for k in 0..self.plants {
            let sum: f64 = self.inverse.row(k).map(|(c, v)| v * own[c]).sum();
            product[first + k] += ratio * sum;
        }
        if self.permanent {
            for k in first + self.plants..first + 2 * self.plants {
                product[k] += self.permanent_ratio * x[k];
            }
        }
    }

    fn diagonal(&self) -> Vec<f64> {
        let mut diagonal = vec![0.0; self.n_equations()];
        let first = self.first_plant();
        for record in 0..self.y.len() {
            let plant = first + self.plant_of[record] as usize;
            diagonal[plant] += 1.0;
            if self.permanent {
                diagonal[plant + self.plants] += 1.0;
            }
            self.classes
                .iter()
                .for_each(|c| diagonal[c[record] as usize] += 1.0);
            for (k, z) in self.covariates.iter().enumerate() {
                diagonal[self.n_classes + k] += z[record] * z[record];
            }
        }
        for k in 0..self.plants {
            let own = self
                .inverse
                .row(k)
                .find(|(c, _)| *c == k)
                .map_or(0.0, |(_, v)| v);
            diagonal[first + k] += self.ratio * own;
            if self.permanent {
                diagonal[first + self.plants + k] += self.permanent_ratio;
            }
        }
        diagonal
    }

    /// Solves C x = rhs (consistent even where fixed classes are aliased: conjugate gradients
    /// stay within the range of C).
    fn conjugate_gradients(
        &self,
        rhs: &[f64],
        effort: Effort,
    ) -> Result<(Vec<f64>, usize, f64), GradientError> {
        let n = rhs.len();
        let inverse_diagonal: Vec<f64> = self
            .diagonal()
            .into_iter()
            .map(|d| if d > 0.0 { 1.0 / d } else { 0.0 })
            .collect();
        let norm = dot(rhs, rhs).sqrt();
        let mut x = vec![0.0; n];
        if norm == 0.0 {
            return Ok((x, 0, 0.0));
        }
        let mut r = rhs.to_vec();
        let mut z: Vec<f64> = r
            .iter()
            .zip(&inverse_diagonal)
            .map(|(a, b)| a * b)
            .collect();
        let mut direction = z.clone();
        let mut through = vec![0.0; n];
        let mut rz = dot(&r, &z);
        let mut relative = 1.0;
        for iteration in 1..=effort.iterations {
            self.multiply(&direction, &mut through);
            let length = rz / dot(&direction, &through);
            for k in 0..n {
                x[k] += length * direction[k];
                r[k] -= length * through[k];
                z[k] = r[k] * inverse_diagonal[k];
            }
            relative = dot(&r, &r).sqrt() / norm;
            if relative <= effort.tolerance {
                return Ok((x, iteration, relative));
            }
            let next = dot(&r, &z);
            let keep = next / rz;
            rz = next;
            direction
                .iter_mut()
                .zip(&z)
                .for_each(|(d, z)| *d = z + keep * *d);
        }
        Err(GradientError::NotConverged {
            iterations: effort.iterations,
            residual: relative,
        })
    }

    /// Solves the equations for the records.
    ///
    /// # Errors
    /// No convergence within the effort allowed.
    pub fn solve(&self, effort: Effort) -> Result<LargeSolution, GradientError> {
        let mut rhs = vec![0.0; self.n_equations()];
        for (record, &y) in self.y.iter().enumerate() {
            self.add_record(&mut rhs, record, y);
        }
        let (x, iterations, residual) = self.conjugate_gradients(&rhs, effort)?;
        let first = self.first_plant();
        let mut class_effects = Vec::with_capacity(self.classes.len());
        let mut start = 0;
        for factor in &self.classes {
            let end = factor.iter().max().map_or(start, |m| *m as usize + 1);
            class_effects.push(x[start..end].to_vec());
            start = end;
        }
        Ok(LargeSolution {
            class_effects,
            slopes: x[self.n_classes..first].to_vec(),
            breeding_values: x[first..first + self.plants].to_vec(),
            permanent_effects: x[first + self.plants..].to_vec(),
            iterations,
            residual,
        })
    }

    /// Prediction error variance of one plant's breeding value (residual variance times its
    /// diagonal entry of C^-1), by one more solve.
    ///
    /// # Errors
    /// No such plant, or no convergence within the effort allowed.
    pub fn prediction_error_variance(
        &self,
        plant: usize,
        effort: Effort,
    ) -> Result<f64, GradientError> {
        if plant >= self.plants {
            return Err(GradientError::Shape(format!(
                "plant {plant} is not among {} plants",
                self.plants
            )));
        }
        let mut rhs = vec![0.0; self.n_equations()];
        rhs[self.first_plant() + plant] = 1.0;
        let (x, _, _) = self.conjugate_gradients(&rhs, effort)?;
        Ok(x[self.first_plant() + plant] * self.residual_variance)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
