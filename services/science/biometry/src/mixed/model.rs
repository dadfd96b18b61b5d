//! What is to be fitted.

use std::sync::Arc;

use super::{ModelError, Relationship};
use crate::formula::{Formula, Terms};

/// One random term: a factor or an interaction of factors, with an intercept or with coefficients
/// that vary and covary among its levels.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomTerm {
    /// Factors whose combinations are the levels.
    pub factors: Vec<String>,
    /// Whether each level has an intercept.
    pub intercept: bool,
    /// Covariates with a slope per level, correlated with each other and with the intercept.
    pub slopes: Vec<String>,
    /// Relationship of the levels; independent when absent.
    pub relationship: Option<Arc<Relationship>>,
    /// Whether the term is the smooth part of the trend along its one covariate (in `slopes`).
    pub smooth: bool,
    /// Whether the levels' effects differ between the levels of another factor.
    pub across: Across,
}

/// How the effects of a random term's levels depend on another factor.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Across {
    /// They do not: the coefficients are the intercept and the slopes.
    #[default]
    Nothing,
    /// One coefficient for each level of the factor.
    EachLevel {
        /// The other factor.
        factor: String,
        /// How the coefficients covary.
        form: BetweenLevels,
    },
    /// Effects only in the records at one level of the factor.
    OneLevel {
        /// The other factor.
        factor: String,
        /// Its level.
        level: String,
    },
}

/// Covariance of the coefficients that a level has, one for each level of another factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BetweenLevels {
    /// Any covariance matrix.
    Full,
    /// One of this rank at most.
    Rank(usize),
    /// One variance and no covariance.
    OneVariance,
}

impl RandomTerm {
    /// The factors joined by `:`, or `smooth(covariate)`, `entry across site`, `entry at site north`.
    #[must_use]
    pub fn name(&self) -> String {
        let factors = self.factors.join(":");
        match &self.across {
            Across::OneLevel { factor, level } if self.smooth => {
                format!("smooth({}) at {factor} {level}", self.slopes.join(", "))
            }
            _ if self.smooth => format!("smooth({})", self.slopes.join(", ")),
            Across::Nothing => factors,
            Across::EachLevel {
                factor,
                form: BetweenLevels::OneVariance,
            } => format!("{factors}:{factor}"),
            Across::EachLevel { factor, .. } => format!("{factors} across {factor}"),
            Across::OneLevel { factor, level } => format!("{factors} at {factor} {level}"),
        }
    }
}

/// How residuals vary and covary.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Residual {
    /// One variance, independent.
    #[default]
    Homogeneous,
    /// One variance for every level of a factor, independent.
    ByLevel(String),
    /// Separable first-order autoregressive errors along rows and columns of plots (Cullis and
    /// Gleeson 1991, from memory): covariance s2 * rho_row^|rows apart| * rho_col^|columns apart|.
    SeparableAr1 {
        /// Column with whole-number row positions.
        row: String,
        /// Column with whole-number column positions.
        column: String,
        /// Factor (site, field) within which plots are correlated; all one field when absent.
        section: Option<String>,
        /// Factor (site) of which every level has a variance and correlations of its own, each
        /// section lying within one level; one set for all when absent.
        each: Option<String>,
    },
    /// Errors whose variances and covariances are known, as those of adjusted means.
    Known(Arc<KnownErrors>),
}

/// Known covariance of the errors of records, block by block.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownErrors {
    pub(crate) blocks: Vec<(Vec<usize>, Vec<Vec<f64>>)>,
}

impl KnownErrors {
    /// Takes for each block the positions of its records in the frame and their covariance
    /// matrix; blocks are independent of each other.
    ///
    /// # Errors
    /// A record in two blocks, or a matrix that is not square, symmetric and finite with positive
    /// variances.
    pub fn new(blocks: Vec<(Vec<usize>, Vec<Vec<f64>>)>) -> Result<Self, ModelError> {
        let fault = |what: String| ModelError::Variances { what };
        let mut seen = std::collections::HashSet::new();
        for (records, covariance) in &blocks {
            if let Some(twice) = records.iter().find(|r| !seen.insert(**r)) {
                return Err(fault(format!(
                    "record {} stands in two blocks of known errors",
                    twice + 1
                )));
            }
            let n = records.len();
            let sound = covariance.len() == n
                && covariance.iter().enumerate().all(|(i, row)| {
                    row.len() == n
                        && row[i] > 0.0
                        && row.iter().enumerate().all(|(j, v)| {
                            let other = covariance[j].get(i).copied().unwrap_or(f64::NAN);
                            v.is_finite() && (v - other).abs() <= 1e-8 * (v.abs() + other.abs())
                        })
                });
            if !sound {
                return Err(fault(format!(
                    "a block of {n} records needs a symmetric {n} x {n} matrix with positive variances"
                )));
            }
        }
        Ok(Self { blocks })
    }
}

/// A linear mixed model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    pub(crate) formula: Formula,
    pub(crate) random: Vec<RandomTerm>,
    pub(crate) residual: Residual,
    pub(crate) max_iterations: usize,
}

impl Model {
    /// A model with the given response and fixed terms, `yield ~ site * variety`; see
    /// [`crate::formula`].
    ///
    /// # Errors
    /// A formula that cannot be read.
    pub fn new(formula: &str) -> Result<Self, ModelError> {
        Ok(Self {
            formula: Formula::parse(formula)?,
            random: Vec::new(),
            residual: Residual::Homogeneous,
            max_iterations: 100,
        })
    }

    /// Adds random terms, independent of each other, one variance component each:
    /// `block + block:variety` or `site/block`.
    ///
    /// # Errors
    /// A formula that cannot be read.
    pub fn random(mut self, terms: &str) -> Result<Self, ModelError> {
        for term in Terms::parse(terms)?.terms {
            self.random.push(RandomTerm {
                factors: term.variables().to_vec(),
                intercept: true,
                slopes: Vec::new(),
                relationship: None,
                smooth: false,
                across: Across::Nothing,
            });
        }
        Ok(self)
    }

    /// Adds one random term whose levels each have the coefficients of `coefficients`
    /// (`1 + days`, or `0 + days` for a slope alone) with an unstructured covariance matrix.
    ///
    /// # Errors
    /// A formula that cannot be read, or an interaction among the coefficients.
    pub fn random_coefficients(
        mut self,
        factors: &str,
        coefficients: &str,
    ) -> Result<Self, ModelError> {
        let coefficients = Terms::parse(coefficients)?;
        if let Some(term) = coefficients.terms.iter().find(|t| t.variables().len() > 1) {
            return Err(ModelError::Absent {
                what: format!("random coefficient `{term}`; give single covariates"),
            });
        }
        let slopes: Vec<String> = coefficients
            .terms
            .iter()
            .map(|t| t.variables()[0].clone())
            .collect();
        for term in Terms::parse(factors)?.terms {
            self.random.push(RandomTerm {
                factors: term.variables().to_vec(),
                intercept: coefficients.intercept,
                slopes: slopes.clone(),
                relationship: None,
                smooth: false,
                across: Across::Nothing,
            });
        }
        Ok(self)
    }

    /// Adds a random term whose levels are related.
    ///
    /// # Errors
    /// A name that cannot be read.
    pub fn random_related(
        mut self,
        factor: &str,
        relationship: Arc<Relationship>,
    ) -> Result<Self, ModelError> {
        let before = self.random.len();
        self = self.random(factor)?;
        for term in &mut self.random[before..] {
            term.relationship = Some(relationship.clone());
        }
        Ok(self)
    }

    /// Adds the smooth part of the trend along a numeric covariate (row, column, day) as a cubic
    /// smoothing spline whose smoothness the likelihood decides (Verbyla and others 1999, from
    /// memory). Have the covariate itself among the fixed terms: it is the straight part.
    #[must_use]
    pub fn smooth(self, covariate: &str) -> Self {
        self.with_smooth(covariate, Across::Nothing)
    }

    /// As [`Model::smooth`], in the records at one level of a factor (the field at one site) only.
    #[must_use]
    pub fn smooth_at(self, covariate: &str, factor: &str, level: &str) -> Self {
        let across = Across::OneLevel {
            factor: factor.to_owned(),
            level: level.to_owned(),
        };
        self.with_smooth(covariate, across)
    }

    fn with_smooth(mut self, covariate: &str, across: Across) -> Self {
        self.random.push(RandomTerm {
            factors: Vec::new(),
            intercept: false,
            slopes: vec![covariate.to_owned()],
            relationship: None,
            smooth: true,
            across,
        });
        self
    }

    /// Adds a random term of entries, related as given.
    pub(crate) fn entries(
        mut self,
        factors: &[&str],
        across: Across,
        relationship: Option<&Arc<Relationship>>,
    ) -> Self {
        self.random.push(RandomTerm {
            factors: factors.iter().map(|f| (*f).to_owned()).collect(),
            intercept: !matches!(across, Across::EachLevel { .. }),
            slopes: Vec::new(),
            relationship: relationship.cloned(),
            smooth: false,
            across,
        });
        self
    }

    /// The residual structure.
    pub(crate) fn residual_structure(&self) -> &Residual {
        &self.residual
    }

    /// Sets how residuals vary and covary.
    #[must_use]
    pub fn residual(mut self, residual: Residual) -> Self {
        self.residual = residual;
        self
    }

    /// Sets the most iterations before an analysis counts as not converged (100 unless told).
    #[must_use]
    pub fn max_iterations(mut self, iterations: usize) -> Self {
        self.max_iterations = iterations;
        self
    }

    /// The response and fixed terms.
    #[must_use]
    pub fn formula(&self) -> &Formula {
        &self.formula
    }

    /// The random terms, in the order added.
    #[must_use]
    pub fn random_terms(&self) -> &[RandomTerm] {
        &self.random
    }

    /// The same model without one of its random terms (by position).
    #[must_use]
    pub(crate) fn without_random(&self, term: usize) -> Self {
        let mut reduced = self.clone();
        reduced.random.remove(term);
        reduced
    }
}
