//! Entries across sites: how their effects vary and covary from site to site, in one stage from
//! plots or in the second of two stages from adjusted means ([`two_stage`]).
//!
//! ```
//! # use biometry::data::Frame;
//! use biometry::mixed::{Model, Residual};
//! use biometry::sites::{BetweenSites, fit};
//! # let rows: Vec<(usize, usize, usize)> = (0..4)
//! #     .flat_map(|s| (0..2).flat_map(move |b| (0..12).map(move |e| (s, b, e))))
//! #     .collect();
//! # let wave = |k: usize| ((k * 37 % 101) as f64 / 101.0 - 0.5) * 2.0;
//! # let frame = Frame::new()
//! #     .with_factor("site", rows.iter().map(|r| Some(format!("s{}", r.0))))?
//! #     .with_factor("block", rows.iter().map(|r| Some(format!("s{}b{}", r.0, r.1))))?
//! #     .with_factor("entry", rows.iter().map(|r| Some(format!("e{:02}", r.2))))?
//! #     .with_numeric("brix", rows.iter().enumerate().map(|(k, r)| {
//! #         Some(12.0 + wave(r.2) * 2.0 + wave(r.2 * 5 + r.0 * 3) + 0.5 * wave(k * 7 + 1))
//! #     }))?;
//! let base = Model::new("brix ~ site")?
//!     .random("block")?
//!     .residual(Residual::ByLevel("site".into()));
//! let fitted = fit(&frame, &base, "entry", "site", BetweenSites::FactorAnalytic { order: 1 })?;
//! println!("{} {:?}", fitted.structure, fitted.notes);
//! assert_eq!(fitted.correlations.len(), 4);
//! assert_eq!(fitted.entries[0].at_site.len(), 4);
//! # Ok::<(), biometry::mixed::ModelError>(())
//! ```
//!
//! The factor-analytic form (Smith, Cullis and Thompson 2001, from memory) takes an entry's effect
//! at site j as sum_k lambda_jk f_k + delta_j with independent standard scores f and specific
//! variances psi_j: covariance Lambda Lambda' + Psi. It is estimated by residual likelihood with
//! Lambda lower trapezoidal, which fixes its rotation, and shown rotated to its principal axes
//! (Lambda'Lambda diagonal, descending), each signed so that its loadings sum to a positive number:
//! the first factor is the one that explains most.
//!
//! Entries may be related ([`fit_related`]): with the covariance G between sites and the
//! relationship A among entries, all effects together have covariance G x A (Kronecker's product;
//! Oakey and others 2007, from memory), so that relatives inform each other at every site and
//! parents without a record are predicted there too.

#[cfg(test)]
mod tests;
pub mod two_stage;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt;
use std::sync::Arc;

use faer::Mat;

use crate::data::Frame;
use crate::mixed::inference::upper_chi_squared;
use crate::mixed::{self, Across, BetweenLevels, Fit, Model, ModelError, Relationship, Residual};

/// Covariance of an entry's effects between sites.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BetweenSites {
    /// One variance of entries and one of their interaction with sites.
    CompoundSymmetry,
    /// Loadings on `order` factors and a specific variance for each site.
    FactorAnalytic {
        /// Number of factors, 1 or more.
        order: usize,
    },
    /// A variance for each site and a covariance for each pair.
    Unstructured,
}

impl fmt::Display for BetweenSites {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CompoundSymmetry => f.write_str("compound symmetry"),
            Self::FactorAnalytic { order } => write!(f, "factor-analytic of order {order}"),
            Self::Unstructured => f.write_str("unstructured"),
        }
    }
}

impl BetweenSites {
    /// What to try when this one cannot be estimated.
    fn simpler(self) -> Option<Self> {
        match self {
            Self::Unstructured => Some(Self::FactorAnalytic { order: 1 }),
            Self::FactorAnalytic { order: 0 | 1 } => Some(Self::CompoundSymmetry),
            Self::FactorAnalytic { order } => Some(Self::FactorAnalytic { order: order - 1 }),
            Self::CompoundSymmetry => None,
        }
    }
}

/// A predicted effect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// Best linear unbiased prediction.
    pub effect: f64,
    /// Standard error of prediction, taking the variances as known.
    pub se: f64,
}

/// An entry's performance across sites, as deviations from the site means.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryAcrossSites {
    /// The entry.
    pub entry: String,
    /// Factor scores, in the rotation of the loadings; empty without factors.
    pub scores: Vec<f64>,
    /// Overall performance: mean loading on the first factor times its score (Smith and Cullis
    /// 2018, from memory); without factors the entry's mean effect over the sites.
    pub overall: Predicted,
    /// Root mean square, over the sites, of the predicted effect less what the first factor (without
    /// factors, the overall effect) says: the lower, the stabler.
    pub instability: f64,
    /// Effect at each site, all of it (common and specific), in the order of the sites. At a site
    /// without a record of the entry the specific part is zero and its variance adds to the error.
    pub at_site: Vec<Predicted>,
}

/// Entry effects across sites after the fit.
#[derive(Debug)]
pub struct SitesFit {
    /// What was asked for.
    pub asked: BetweenSites,
    /// What was fitted; differs where the asked one could not be estimated.
    pub structure: BetweenSites,
    /// Why a simpler structure was taken, and what else a reader must know.
    pub notes: Vec<String>,
    /// The sites, in the order of all matrices.
    pub sites: Vec<String>,
    /// Covariance of entry effects between sites.
    pub covariance: Vec<Vec<f64>>,
    /// Their correlations; `None` where a site has no variance of entries.
    pub correlations: Vec<Vec<Option<f64>>>,
    /// Rotated loadings, by site and factor; empty without factors.
    pub loadings: Vec<Vec<f64>>,
    /// Specific variance of each site; empty without factors.
    pub specific_variances: Vec<f64>,
    /// Share (%) of each site's variance that each factor explains, by site and factor.
    pub explained_percent: Vec<Vec<f64>>,
    /// Share (%) of the variance of all sites together that the factors explain; `None` without
    /// factors.
    pub explained_total_percent: Option<f64>,
    /// Covariance parameters between sites.
    pub parameters: usize,
    /// Every entry.
    pub entries: Vec<EntryAcrossSites>,
    /// The mixed model: fixed effects, other terms, residuals, likelihood, convergence.
    pub fit: Fit,
}

/// One structure beside others on the same data.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// The structure.
    pub structure: BetweenSites,
    /// Restricted log-likelihood; `None` when it could not be fitted.
    pub log_likelihood: Option<f64>,
    /// Covariance parameters between sites.
    pub parameters: usize,
    /// -2 log-likelihood + 2 parameters (those between sites): the lower, the better.
    pub aic: Option<f64>,
    /// Likelihood-ratio test against the structure before it in the list, when that one is nested
    /// in it: statistic, degrees of freedom, P value (conservative where variances are zero).
    pub against_previous: Option<(f64, usize, f64)>,
    /// Why it could not be fitted.
    pub problem: Option<String>,
}

/// Records with the trait, an entry and a site: records of each cell.
fn cells(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
) -> Result<BTreeMap<(u32, u32), usize>, ModelError> {
    let value = frame.numeric(&base.formula().response)?;
    let (entry, site) = (frame.factor(entry)?, frame.factor(site)?);
    let mut cells = BTreeMap::new();
    for (k, value) in value.iter().enumerate() {
        if let (Some(_), Some(e), Some(s)) = (value, entry.codes()[k], site.codes()[k]) {
            *cells.entry((s, e)).or_insert(0) += 1;
        }
    }
    Ok(cells)
}

/// Fits the base model (response, fixed terms, other random terms, residuals) with entry effects
/// that covary between sites as asked. Where that cannot be estimated, the next simpler structure
/// is taken and the reason noted.
///
/// # Errors
/// As [`crate::mixed::fit`]; also a base model that has the entries among its random terms.
pub fn fit(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
    asked: BetweenSites,
) -> Result<SitesFit, ModelError> {
    or_simpler(asked, |structure| {
        exactly(frame, base, entry, site, structure, None)
    })
}

/// As [`fit`], with entries that are related: variances and covariances are those of the base
/// population, and levels of the relationship without a record are predicted too.
///
/// # Errors
/// As [`fit`]; an entry that the relationship does not hold.
pub fn fit_related(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
    asked: BetweenSites,
    relationship: &Arc<Relationship>,
) -> Result<SitesFit, ModelError> {
    or_simpler(asked, |structure| {
        exactly(frame, base, entry, site, structure, Some(relationship))
    })
}

fn or_simpler(
    asked: BetweenSites,
    fit: impl Fn(BetweenSites) -> Result<SitesFit, ModelError>,
) -> Result<SitesFit, ModelError> {
    let mut notes = Vec::new();
    let mut structure = asked;
    loop {
        match fit(structure) {
            Ok(mut fitted) => {
                fitted.asked = asked;
                notes.append(&mut fitted.notes);
                fitted.notes = notes;
                return Ok(fitted);
            }
            Err(
                error @ (ModelError::NotEstimable { .. }
                | ModelError::NotConverged { .. }
                | ModelError::Singular { .. }
                | ModelError::ConfoundedRandom { .. }),
            ) => {
                let Some(next) = structure.simpler() else {
                    return Err(error);
                };
                notes.push(format!(
                    "{structure} was not fitted: {error}. {next} is taken instead"
                ));
                structure = next;
            }
            Err(error) => return Err(error),
        }
    }
}

/// As [`fit`], without a simpler structure in its place.
///
/// # Errors
/// As [`fit`], and a structure that the sites or the records cannot carry.
pub fn fit_exactly(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
    structure: BetweenSites,
) -> Result<SitesFit, ModelError> {
    exactly(frame, base, entry, site, structure, None)
}

fn exactly(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
    structure: BetweenSites,
    related: Option<&Arc<Relationship>>,
) -> Result<SitesFit, ModelError> {
    let clash = base.random_terms().iter().find(|t| {
        let of = |names: &[&str]| {
            t.factors.len() == names.len() && names.iter().all(|n| t.factors.iter().any(|f| f == n))
        };
        of(&[entry]) || of(&[entry, site])
    });
    if let Some(clash) = clash {
        return Err(ModelError::ConfoundedFixed {
            term: clash.name(),
            with: "the effects of entries at sites; leave it out of the base model".to_owned(),
        });
    }
    let cells = cells(frame, base, entry, site)?;
    let codes: BTreeSet<u32> = cells.keys().map(|k| k.0).collect();
    let levels = frame.factor(site)?.levels();
    let sites: Vec<String> = codes.iter().map(|c| levels[*c as usize].clone()).collect();
    let t = sites.len();
    let cannot = |why: String| ModelError::NotEstimable {
        what: format!("the {structure} covariance between {t} sites"),
        why,
    };
    if t < 2 {
        return Err(ModelError::OneLevel {
            factor: site.to_owned(),
            level: sites.into_iter().next().unwrap_or_default(),
        });
    }
    // Sites where no entry has two records cannot part specific variance from residual, unless
    // relatives stand for each other.
    let is_replicated =
        |code: &u32| related.is_some() || cells.iter().any(|((s, _), n)| s == code && *n > 1);
    let parted: Vec<bool> = match base.residual_structure() {
        Residual::Known(_) => vec![true; t],
        Residual::Homogeneous => vec![codes.iter().any(&is_replicated); t],
        Residual::ByLevel(_) | Residual::SeparableAr1 { .. } => {
            codes.iter().map(is_replicated).collect()
        }
    };
    let first = base.random_terms().len();
    let across = |form| Across::EachLevel {
        factor: site.to_owned(),
        form,
    };
    let mut notes = Vec::new();
    let (model, parameters) = match structure {
        BetweenSites::CompoundSymmetry => {
            if !parted.iter().any(|p| *p) {
                return Err(cannot(
                    "no entry has two records at a site; leave the interaction to the residual"
                        .to_owned(),
                ));
            }
            let own = base.clone().entries(&[entry], Across::Nothing, related);
            let model = match related {
                None => own.entries(&[entry, site], Across::Nothing, None),
                Some(_) => own.entries(&[entry], across(BetweenLevels::OneVariance), related),
            };
            (model, 2)
        }
        BetweenSites::Unstructured => {
            if let Some(k) = parted.iter().position(|p| !p) {
                return Err(cannot(format!(
                    "at `{}` every entry has one record, so that its variance cannot be told from the residual",
                    sites[k]
                )));
            }
            let model = base
                .clone()
                .entries(&[entry], across(BetweenLevels::Full), related);
            (model, t * (t + 1) / 2)
        }
        BetweenSites::FactorAnalytic { order } => {
            // As many free parameters as an unstructured matrix has, or fewer.
            if order == 0 || t <= order || (t - order).pow(2) < t + order {
                return Err(cannot(format!(
                    "{order} factors ask for more parameters than {t} sites have covariances; use fewer factors or more sites"
                )));
            }
            let common = across(BetweenLevels::Rank(order));
            let mut model = base.clone().entries(&[entry], common, related);
            for (name, _) in sites.iter().zip(&parted).filter(|(_, p)| **p) {
                let own = Across::OneLevel {
                    factor: site.to_owned(),
                    level: name.clone(),
                };
                model = model.entries(&[entry], own, related);
            }
            let merged: Vec<&str> = sites
                .iter()
                .zip(&parted)
                .filter(|(_, p)| !**p)
                .map(|(s, _)| s.as_str())
                .collect();
            if !merged.is_empty() {
                notes.push(format!(
                    "every entry has one record at {}: the specific variance is part of the residual there",
                    merged.join(", ")
                ));
            }
            let specific = parted.iter().filter(|p| **p).count();
            (model, t * order - order * (order - 1) / 2 + specific)
        }
    };
    let fit = mixed::fit(frame, &model)?;
    let mut fitted = match structure {
        BetweenSites::FactorAnalytic { .. } => factors(fit, first, &sites, &parted),
        BetweenSites::Unstructured => unstructured(fit, first),
        BetweenSites::CompoundSymmetry => compound(fit, first, &sites, related.is_some()),
    };
    fitted.structure = structure;
    fitted.asked = structure;
    fitted.parameters = parameters;
    for (k, site) in sites.iter().enumerate() {
        if parted[k] && fitted.specific_variances.get(k) == Some(&0.0) {
            notes.push(format!("the specific variance of `{site}` is at zero"));
        }
    }
    fitted.notes = notes;
    fitted.sites = sites;
    fitted.correlations = correlations(&fitted.covariance);
    Ok(fitted)
}

/// Fits several structures to the same data, simplest first, and compares them.
///
/// # Errors
/// Faults of the data or the base model; a structure that cannot be estimated is reported in its
/// row.
pub fn compare(
    frame: &Frame,
    base: &Model,
    entry: &str,
    site: &str,
    structures: &[BetweenSites],
) -> Result<Vec<Comparison>, ModelError> {
    let mut rows: Vec<Comparison> = Vec::with_capacity(structures.len());
    for &structure in structures {
        let row = match fit_exactly(frame, base, entry, site, structure) {
            Ok(fitted) => {
                let log_likelihood = fitted.fit.log_likelihood();
                let against_previous = rows.last().and_then(|before| {
                    let nested = is_nested(before.structure, structure);
                    let df = fitted.parameters.checked_sub(before.parameters)?;
                    let statistic = 2.0 * (log_likelihood - before.log_likelihood?);
                    (nested && df > 0).then(|| {
                        let statistic = statistic.max(0.0);
                        (statistic, df, upper_chi_squared(statistic, df))
                    })
                });
                Comparison {
                    structure,
                    log_likelihood: Some(log_likelihood),
                    parameters: fitted.parameters,
                    aic: Some(-2.0 * log_likelihood + 2.0 * fitted.parameters as f64),
                    against_previous,
                    problem: None,
                }
            }
            Err(
                error @ (ModelError::NotEstimable { .. }
                | ModelError::NotConverged { .. }
                | ModelError::Singular { .. }
                | ModelError::ConfoundedRandom { .. }),
            ) => Comparison {
                structure,
                log_likelihood: None,
                parameters: 0,
                aic: None,
                against_previous: None,
                problem: Some(error.to_string()),
            },
            Err(error) => return Err(error),
        };
        rows.push(row);
    }
    Ok(rows)
}

fn is_nested(inner: BetweenSites, outer: BetweenSites) -> bool {
    match (inner, outer) {
        (BetweenSites::CompoundSymmetry, other) => other != BetweenSites::CompoundSymmetry,
        (BetweenSites::FactorAnalytic { order }, BetweenSites::FactorAnalytic { order: more }) => {
            order < more
        }
        (BetweenSites::FactorAnalytic { .. }, BetweenSites::Unstructured) => true,
        _ => false,
    }
}

fn correlations(covariance: &[Vec<f64>]) -> Vec<Vec<Option<f64>>> {
    let pair = |a: usize, b: usize| {
        let size = covariance[a][a] * covariance[b][b];
        (size > 0.0).then(|| covariance[a][b] / size.sqrt())
    };
    (0..covariance.len())
        .map(|a| (0..covariance.len()).map(|b| pair(a, b)).collect())
        .collect()
}

/// A sum of scaled effects, by equation, with further variance of what no record informs.
#[derive(Default, Clone)]
struct Sum {
    parts: Vec<(usize, f64)>,
    unseen: f64,
}

impl Sum {
    fn predicted(&self, fit: &Fit) -> Predicted {
        let (effect, variance) = fit.sum_of_effects(&self.parts);
        Predicted {
            effect,
            se: (variance + self.unseen).max(0.0).sqrt(),
        }
    }
}

/// How predictions of entries are put together from scaled effects.
trait Parts {
    /// Overall performance of an entry.
    fn overall(&self, entry: usize) -> Sum;
    /// Effect of an entry at a site.
    fn at_site(&self, entry: usize, site: usize) -> Sum;
    /// Factor scores of an entry; none without factors.
    fn scores(&self, _entry: usize) -> Vec<f64> {
        Vec::new()
    }
    /// Loading of a site on the first factor; asked for only with scores.
    fn first_loading(&self, _site: usize) -> f64 {
        0.0
    }
}

/// Every entry's predictions overall and at `t` sites.
fn predicted(fit: &Fit, term: usize, t: usize, parts: &impl Parts) -> Vec<EntryAcrossSites> {
    let levels = fit.random()[term].levels.iter().enumerate();
    levels
        .map(|(e, level)| {
            let overall = parts.overall(e).predicted(fit);
            let scores = parts.scores(e);
            let at_site: Vec<Predicted> = (0..t)
                .map(|site| parts.at_site(e, site).predicted(fit))
                .collect();
            let expected = |site: usize| match scores.first() {
                Some(score) => parts.first_loading(site) * score,
                None => overall.effect,
            };
            EntryAcrossSites {
                entry: level.level.clone(),
                instability: root_mean_square(
                    at_site
                        .iter()
                        .enumerate()
                        .map(|(site, p)| p.effect - expected(site)),
                ),
                overall,
                scores,
                at_site,
            }
        })
        .collect()
}

/// The part of a sum that is a level's effect in a term of one coefficient.
fn own_part(fit: &Fit, term: usize, level: usize, column: usize) -> Option<(usize, f64)> {
    let equation = fit.equation(term, level, column)?;
    Some((equation, fit.loading(term).at(column, column)))
}

/// Where every level of a term stands.
fn places(fit: &Fit, term: usize) -> HashMap<&str, usize> {
    let levels = fit.random()[term].levels.iter().enumerate();
    levels.map(|(k, l)| (l.level.as_str(), k)).collect()
}

fn root_mean_square(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    (values.map(|v| v * v).sum::<f64>() / n).sqrt()
}

fn empty(fit: Fit, covariance: Vec<Vec<f64>>) -> SitesFit {
    SitesFit {
        asked: BetweenSites::CompoundSymmetry,
        structure: BetweenSites::CompoundSymmetry,
        notes: Vec::new(),
        sites: Vec::new(),
        covariance,
        correlations: Vec::new(),
        loadings: Vec::new(),
        specific_variances: Vec::new(),
        explained_percent: Vec::new(),
        explained_total_percent: None,
        parameters: 0,
        entries: Vec::new(),
        fit,
    }
}

/// Loadings to principal axes: Lambda R with (Lambda R)'(Lambda R) diagonal, descending, each
/// column with a positive sum; also R.
fn principal(loadings: &Mat<f64>) -> (Mat<f64>, Mat<f64>) {
    let r = loadings.ncols();
    let unrotated = || (loadings.clone(), Mat::identity(r, r));
    let cross = loadings.transpose() * loadings;
    let Ok(eigen) = cross.self_adjoint_eigen(faer::Side::Lower) else {
        return unrotated();
    };
    let mut rotation = Mat::from_fn(r, r, |i, j| eigen.U()[(i, r - 1 - j)]);
    let rotated = loadings * &rotation;
    for k in 0..r {
        if (0..rotated.nrows()).map(|j| rotated[(j, k)]).sum::<f64>() < 0.0 {
            (0..r).for_each(|i| rotation[(i, k)] = -rotation[(i, k)]);
        }
    }
    (loadings * &rotation, rotation)
}

/// Common factors with a specific part at each site.
struct Factored<'a> {
    fit: &'a Fit,
    first: usize,
    unrotated: &'a Mat<f64>,
    rotated: &'a Mat<f64>,
    rotation: &'a Mat<f64>,
    mean_loading: f64,
    /// Every site's specific effects; none where they are part of the residual.
    specific: Vec<Option<Specific<'a>>>,
    variances: &'a [f64],
}

/// The term of a site's specific effects with the places of its levels.
struct Specific<'a> {
    term: usize,
    places: HashMap<&'a str, usize>,
}

impl Factored<'_> {
    fn rank(&self) -> usize {
        self.unrotated.ncols()
    }

    /// A rotated score as weights on the scaled effects.
    fn score(&self, entry: usize, factor: usize, weight: f64) -> Vec<(usize, f64)> {
        (0..self.rank())
            .filter_map(|s| {
                let equation = self.fit.equation(self.first, entry, s)?;
                Some((equation, weight * self.rotation[(s, factor)]))
            })
            .collect()
    }
}

impl Parts for Factored<'_> {
    fn overall(&self, entry: usize) -> Sum {
        Sum {
            parts: match self.rank() {
                0 => Vec::new(),
                _ => self.score(entry, 0, self.mean_loading),
            },
            unseen: 0.0,
        }
    }

    fn at_site(&self, entry: usize, site: usize) -> Sum {
        let common = (0..self.rank()).filter_map(|s| {
            let equation = self.fit.equation(self.first, entry, s)?;
            Some((equation, self.unrotated[(site, s)]))
        });
        let mut sum = Sum {
            parts: common.collect(),
            unseen: 0.0,
        };
        let level = &self.fit.random()[self.first].levels[entry].level;
        let own = self.specific[site]
            .as_ref()
            .and_then(|of| own_part(self.fit, of.term, *of.places.get(level.as_str())?, 0));
        match own {
            Some(part) => sum.parts.push(part),
            None => sum.unseen = self.variances[site],
        }
        sum
    }

    fn scores(&self, entry: usize) -> Vec<f64> {
        (0..self.rank())
            .map(|k| self.fit.sum_of_effects(&self.score(entry, k, 1.0)).0)
            .collect()
    }

    fn first_loading(&self, site: usize) -> f64 {
        self.rotated[(site, 0)]
    }
}

fn factors(fit: Fit, first: usize, sites: &[String], parted: &[bool]) -> SitesFit {
    let t = sites.len();
    let rank = fit.loading(first).rank;
    let unrotated = Mat::from_fn(t, rank, |j, k| fit.loading(first).at(j, k));
    let (rotated, rotation) = principal(&unrotated);
    let mut next = first;
    let terms: Vec<Option<usize>> = parted
        .iter()
        .map(|p| {
            p.then(|| {
                next += 1;
                next
            })
        })
        .collect();
    let specific_variances: Vec<f64> = terms
        .iter()
        .map(|k| k.map_or(0.0, |k| fit.random()[k].variance()))
        .collect();
    let covariance: Vec<Vec<f64>> = (0..t)
        .map(|a| {
            (0..t)
                .map(|b| {
                    let common: f64 = (0..rank).map(|k| rotated[(a, k)] * rotated[(b, k)]).sum();
                    common + if a == b { specific_variances[a] } else { 0.0 }
                })
                .collect()
        })
        .collect();
    let mean_loading = if rank == 0 {
        0.0
    } else {
        (0..t).map(|j| rotated[(j, 0)]).sum::<f64>() / t as f64
    };
    let factored = Factored {
        fit: &fit,
        first,
        unrotated: &unrotated,
        rotated: &rotated,
        rotation: &rotation,
        mean_loading,
        specific: terms
            .iter()
            .map(|term| {
                term.map(|term| Specific {
                    term,
                    places: places(&fit, term),
                })
            })
            .collect(),
        variances: &specific_variances,
    };
    let entries = predicted(&fit, first, t, &factored);
    let percent = |part: f64, whole: f64| {
        if whole > 0.0 {
            100.0 * part / whole
        } else {
            0.0
        }
    };
    let explained_percent = (0..t)
        .map(|j| {
            (0..rank)
                .map(|k| percent(rotated[(j, k)].powi(2), covariance[j][j]))
                .collect()
        })
        .collect();
    let whole: f64 = (0..t).map(|j| covariance[j][j]).sum();
    let common: f64 = whole - specific_variances.iter().sum::<f64>();
    SitesFit {
        loadings: (0..t)
            .map(|j| (0..rank).map(|k| rotated[(j, k)]).collect())
            .collect(),
        specific_variances,
        explained_percent,
        explained_total_percent: Some(percent(common, whole)),
        entries,
        ..empty(fit, covariance)
    }
}

/// A coefficient for each site with any covariance.
struct Free<'a> {
    fit: &'a Fit,
    term: usize,
    sites_n: usize,
}

impl Free<'_> {
    fn weighted(&self, entry: usize, weight: impl Fn(usize) -> f64) -> Sum {
        let loading = self.fit.loading(self.term);
        let parts = (0..loading.rank).filter_map(|s| {
            let loaded = (0..self.sites_n)
                .map(|j| weight(j) * loading.at(j, s))
                .sum();
            Some((self.fit.equation(self.term, entry, s)?, loaded))
        });
        Sum {
            parts: parts.collect(),
            unseen: 0.0,
        }
    }
}

impl Parts for Free<'_> {
    fn overall(&self, entry: usize) -> Sum {
        self.weighted(entry, |_| 1.0 / self.sites_n as f64)
    }

    fn at_site(&self, entry: usize, site: usize) -> Sum {
        self.weighted(entry, |j| f64::from(j == site))
    }
}

fn unstructured(fit: Fit, first: usize) -> SitesFit {
    let covariance = fit.random()[first].covariance.clone();
    let parts = Free {
        fit: &fit,
        term: first,
        sites_n: covariance.len(),
    };
    let entries = predicted(&fit, first, covariance.len(), &parts);
    SitesFit {
        entries,
        ..empty(fit, covariance)
    }
}

/// One effect of an entry and one of its interaction with each site.
struct Compound<'a> {
    fit: &'a Fit,
    first: usize,
    sites: &'a [String],
    /// Places of the levels of the interaction; none when it has a coefficient for each site.
    combined: Option<HashMap<&'a str, usize>>,
    interaction_variance: f64,
}

impl Parts for Compound<'_> {
    fn overall(&self, entry: usize) -> Sum {
        Sum {
            parts: own_part(self.fit, self.first, entry, 0)
                .into_iter()
                .collect(),
            unseen: 0.0,
        }
    }

    fn at_site(&self, entry: usize, site: usize) -> Sum {
        let mut sum = self.overall(entry);
        let interaction = self.first + 1;
        let own = match &self.combined {
            None => own_part(self.fit, interaction, entry, site),
            Some(places) => {
                let level = &self.fit.random()[self.first].levels[entry].level;
                let key = format!("{level}:{}", self.sites[site]);
                let place = places.get(key.as_str());
                place.and_then(|level| own_part(self.fit, interaction, *level, 0))
            }
        };
        match own {
            Some(part) => sum.parts.push(part),
            None => sum.unseen = self.interaction_variance,
        }
        sum
    }
}

fn compound(fit: Fit, first: usize, sites: &[String], are_related: bool) -> SitesFit {
    let (main, at) = (
        fit.random()[first].variance(),
        fit.random()[first + 1].variance(),
    );
    let t = sites.len();
    let covariance: Vec<Vec<f64>> = (0..t)
        .map(|a| {
            (0..t)
                .map(|b| main + if a == b { at } else { 0.0 })
                .collect()
        })
        .collect();
    let parts = Compound {
        fit: &fit,
        first,
        sites,
        combined: (!are_related).then(|| places(&fit, first + 1)),
        interaction_variance: at,
    };
    let entries = predicted(&fit, first, t, &parts);
    SitesFit {
        entries,
        ..empty(fit, covariance)
    }
}
