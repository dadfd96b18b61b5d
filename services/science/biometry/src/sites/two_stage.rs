//! Trial series in two stages: adjusted means of entries at each site with the covariance of their
//! errors, then a mixed model of those means in which that covariance is known.
//!
//! With the full covariance the second stage is the one-stage analysis when both stand on the same
//! variances of plots (Piepho and others 2012, from memory); with weights (the diagonal of the
//! inverse covariance; Smith, Cullis and Gilmour 2001, from memory) it approximates it at less
//! cost. Where the first stage estimates the plot variances, it takes them as known afterwards.
//!
//! ```
//! # use biometry::data::Frame;
//! use biometry::mixed::Model;
//! use biometry::sites::BetweenSites;
//! use biometry::sites::two_stage::{TwoStageModel, Weighting, fit};
//! # let rows: Vec<(usize, usize, usize)> = (0..3)
//! #     .flat_map(|s| (0..3).flat_map(move |b| (0..8).map(move |e| (s, b, e))))
//! #     .collect();
//! # let wave = |k: usize| (k * 37 % 101) as f64 / 101.0;
//! # let frame = Frame::new()
//! #     .with_factor("site", rows.iter().map(|r| Some(format!("s{}", r.0))))?
//! #     .with_factor("block", rows.iter().map(|r| Some(format!("s{}b{}", r.0, r.1))))?
//! #     .with_factor("entry", rows.iter().map(|r| Some(format!("e{}", r.2))))?
//! #     .with_numeric("brix", rows.iter().enumerate().map(|(k, r)| {
//! #         Some(12.0 + 3.0 * wave(r.2) + 2.0 * wave(r.2 * 7 + r.0 * 11) + wave(k * 13))
//! #     }))?;
//! // What the plots of one site call for; entries are added as fixed.
//! let plots = Model::new("brix ~ 1")?.random("block")?;
//! let model = TwoStageModel::new(plots, "entry", "site")
//!     .between(BetweenSites::CompoundSymmetry)
//!     .weighting(Weighting::FullCovariance);
//! let fitted = fit(&frame, &model)?;
//! assert_eq!(fitted.site_means.len(), 3);
//! assert_eq!(fitted.sites.entries.len(), 8);
//! # Ok::<(), biometry::mixed::ModelError>(())
//! ```

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use faer::linalg::solvers::DenseSolveCore;
use faer::{Mat, Side};

use super::{BetweenSites, SitesFit};
use crate::data::Frame;
use crate::formula::Term;
use crate::mixed::{self, Fit, KnownErrors, Model, ModelError, Relationship, Residual};

/// How the first stage is analysed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FirstStage {
    /// Each site by itself, with its own variances.
    #[default]
    EachSite,
    /// All sites in one model of plots, which pools what its residual structure pools.
    Pooled,
}

/// What the second stage knows of the errors of the means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Weighting {
    /// Their full covariance matrix.
    #[default]
    FullCovariance,
    /// A weight for each mean: the diagonal of the inverse covariance.
    Weights,
}

/// Most means of a pooled first stage, as it takes dense matrices of that size.
const POOLED_MEANS: usize = 3000;
/// The name of the response of the second stage.
const RESPONSE: &str = "adjusted mean";
/// The name of the factor of all cells of a pooled first stage.
const CELL: &str = "(entry at site)";

/// A trial series to analyse in two stages.
#[derive(Debug, Clone, PartialEq)]
pub struct TwoStageModel {
    plots: Model,
    entry: String,
    site: String,
    first: FirstStage,
    weighting: Weighting,
    between: BetweenSites,
    relationship: Option<Arc<Relationship>>,
}

impl TwoStageModel {
    /// `plots` is the model of the plots of a site without its entries: response, covariates,
    /// blocks, residuals. Terms and residuals that name the site are fitting for a pooled first
    /// stage and are left out site by site.
    #[must_use]
    pub fn new(plots: Model, entry: &str, site: &str) -> Self {
        Self {
            plots,
            entry: entry.to_owned(),
            site: site.to_owned(),
            first: FirstStage::default(),
            weighting: Weighting::default(),
            between: BetweenSites::CompoundSymmetry,
            relationship: None,
        }
    }

    /// Relationship of the entries (independent unless told); it enters the second stage.
    #[must_use]
    pub fn related(mut self, relationship: Arc<Relationship>) -> Self {
        self.relationship = Some(relationship);
        self
    }

    /// How the first stage is analysed (each site by itself unless told).
    #[must_use]
    pub fn first(mut self, first: FirstStage) -> Self {
        self.first = first;
        self
    }

    /// What the second stage knows of the errors (their full covariance unless told).
    #[must_use]
    pub fn weighting(mut self, weighting: Weighting) -> Self {
        self.weighting = weighting;
        self
    }

    /// Covariance of entries between sites (compound symmetry unless told).
    #[must_use]
    pub fn between(mut self, between: BetweenSites) -> Self {
        self.between = between;
        self
    }
}

/// Adjusted means of the entries at one site, or at all of them when pooled.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteMeans {
    /// The site of each mean.
    pub sites: Vec<String>,
    /// The entry of each mean.
    pub entries: Vec<String>,
    /// Adjusted means (BLUE).
    pub means: Vec<f64>,
    /// Covariance of their errors.
    pub covariance: Vec<Vec<f64>>,
    /// Diagonal of the inverse covariance.
    pub weights: Vec<f64>,
    /// Entries whose mean cannot be estimated there.
    pub not_estimable_n: usize,
    /// Mean residual variance of the plots.
    pub residual_variance: Option<f64>,
    /// Records used.
    pub records_n: usize,
    /// What was left out of the model and why.
    pub notes: Vec<String>,
}

/// Both stages after the fit.
#[derive(Debug)]
pub struct TwoStageFit {
    /// First stage: a set of means for each site, or one for all when pooled.
    pub site_means: Vec<SiteMeans>,
    /// Second stage: entries across sites.
    pub sites: SitesFit,
}

/// Both stages.
///
/// # Errors
/// As [`mixed::fit`], with the site named where a site's model cannot be fitted.
pub fn fit(frame: &Frame, model: &TwoStageModel) -> Result<TwoStageFit, ModelError> {
    let site_means = first_stage(frame, model)?;
    let sites = second_stage(&site_means, model)?;
    Ok(TwoStageFit { site_means, sites })
}

/// Adjusted means and their error covariances.
///
/// # Errors
/// As [`fit`].
pub fn first_stage(frame: &Frame, model: &TwoStageModel) -> Result<Vec<SiteMeans>, ModelError> {
    let clash = model
        .plots
        .random_terms()
        .iter()
        .map(|t| (t.name(), t.factors.contains(&model.entry)))
        .chain(
            model
                .plots
                .formula()
                .fixed
                .terms
                .iter()
                .map(|t| (t.to_string(), t.variables().contains(&model.entry))),
        )
        .find(|(_, has_entry)| *has_entry);
    if let Some((term, _)) = clash {
        return Err(ModelError::ConfoundedFixed {
            term,
            with: "the adjusted means of entries; leave it out of the model of plots".to_owned(),
        });
    }
    let value = frame.numeric(&model.plots.formula().response)?;
    let site = frame.factor(&model.site)?;
    let mut records_of: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (k, value) in value.iter().enumerate() {
        if let (Some(_), Some(s)) = (value, site.codes()[k]) {
            records_of.entry(s).or_default().push(k);
        }
    }
    match model.first {
        FirstStage::Pooled => Ok(vec![pooled(frame, model)?]),
        FirstStage::EachSite => records_of
            .iter()
            .map(|(code, records)| {
                let name = &site.levels()[*code as usize];
                at_site(&frame.subset(records), model, name).map_err(|problem| match problem {
                    ModelError::Data(error) => ModelError::Data(error),
                    problem => ModelError::AtSite {
                        site: name.clone(),
                        problem: Box::new(problem),
                    },
                })
            })
            .collect(),
    }
}

fn at_site(frame: &Frame, model: &TwoStageModel, site: &str) -> Result<SiteMeans, ModelError> {
    let mut plots = model.plots.clone();
    let mut notes = Vec::new();
    let fixed = &mut plots.formula.fixed;
    fixed.terms.retain(|t| !t.variables().contains(&model.site));
    fixed.terms.insert(0, Term::of(&[model.entry.as_str()]));
    let mut kept = Vec::new();
    for mut term in std::mem::take(&mut plots.random) {
        term.factors.retain(|f| *f != model.site);
        let levels = levels_n(frame, &term.factors)?;
        if levels > 1 || term.smooth {
            kept.push(term);
        } else {
            notes.push(format!(
                "{site}: `{}` has one level and was left out",
                term.name()
            ));
        }
    }
    plots.random = kept;
    if matches!(&plots.residual, Residual::ByLevel(factor) if *factor == model.site) {
        plots.residual = Residual::Homogeneous;
    }
    if let Residual::SeparableAr1 { each, .. } = &mut plots.residual {
        each.take_if(|factor| *factor == model.site);
    }
    let fit = mixed::fit(frame, &plots)?;
    let (labels, means, covariance) = fit.mean_covariance(&model.entry)?;
    let entries: Vec<String> = labels.into_iter().flatten().collect();
    let wanted = levels_n(frame, std::slice::from_ref(&model.entry))?;
    SiteMeans::new(
        vec![site.to_owned(); entries.len()],
        entries,
        means,
        &covariance,
        wanted,
        &fit,
        notes,
    )
}

/// Levels of the combinations of factors among the records of a frame.
fn levels_n(frame: &Frame, factors: &[String]) -> Result<usize, ModelError> {
    let columns: Vec<_> = factors
        .iter()
        .map(|f| frame.factor(f))
        .collect::<Result<_, _>>()?;
    let combinations: BTreeSet<Vec<u32>> = (0..frame.n_records())
        .filter_map(|k| columns.iter().map(|c| c.codes()[k]).collect())
        .collect();
    Ok(combinations.len())
}

fn pooled(frame: &Frame, model: &TwoStageModel) -> Result<SiteMeans, ModelError> {
    let (entry, site) = (frame.factor(&model.entry)?, frame.factor(&model.site)?);
    let value = frame.numeric(&model.plots.formula().response)?;
    let key = |k: usize| -> Option<(u32, u32)> {
        value[k].and(Some((site.codes()[k]?, entry.codes()[k]?)))
    };
    let cells: BTreeSet<(u32, u32)> = (0..frame.n_records()).filter_map(key).collect();
    if cells.len() > POOLED_MEANS {
        return Err(ModelError::NotEstimable {
            what: "a pooled first stage".to_owned(),
            why: format!(
                "{} means are more than {POOLED_MEANS}; analyse each site by itself",
                cells.len()
            ),
        });
    }
    let place: BTreeMap<(u32, u32), usize> = cells
        .iter()
        .enumerate()
        .map(|(k, cell)| (*cell, k))
        .collect();
    let labels = (0..frame.n_records()).map(|k| key(k).map(|cell| format!("{:06}", place[&cell])));
    let with_cells = frame.clone().with_factor(CELL, labels)?;
    let mut plots = model.plots.clone();
    let fixed = &mut plots.formula.fixed;
    fixed.intercept = false;
    fixed
        .terms
        .retain(|t| t.variables().iter().any(|v| *v != model.site));
    fixed.terms.insert(0, Term::of(&[CELL]));
    let fit = mixed::fit(&with_cells, &plots)?;
    let (labels, means, covariance) = fit.mean_covariance(CELL)?;
    let cells: Vec<(u32, u32)> = cells.into_iter().collect();
    let (mut sites, mut entries) = (Vec::new(), Vec::new());
    for label in labels.iter().flatten() {
        let (s, e) = cells[label.parse::<usize>().unwrap_or_default()];
        sites.push(site.levels()[s as usize].clone());
        entries.push(entry.levels()[e as usize].clone());
    }
    let wanted = cells.len();
    SiteMeans::new(sites, entries, means, &covariance, wanted, &fit, Vec::new())
}

impl SiteMeans {
    fn new(
        sites: Vec<String>,
        entries: Vec<String>,
        means: Vec<f64>,
        covariance: &Mat<f64>,
        wanted: usize,
        fit: &Fit,
        notes: Vec<String>,
    ) -> Result<Self, ModelError> {
        let n = means.len();
        let symmetric = Mat::from_fn(n, n, |i, j| 0.5 * (covariance[(i, j)] + covariance[(j, i)]));
        let inverse = symmetric
            .llt(Side::Lower)
            .map_err(|_| ModelError::Singular {
                what: "the covariance of the adjusted means is not positive definite".into(),
            })?
            .inverse();
        let variances = &fit.residual().variances;
        Ok(Self {
            sites,
            not_estimable_n: wanted.saturating_sub(n),
            entries,
            means,
            covariance: (0..n)
                .map(|i| (0..n).map(|j| symmetric[(i, j)]).collect())
                .collect(),
            weights: (0..n).map(|k| inverse[(k, k)]).collect(),
            residual_variance: (!variances.is_empty()).then(|| {
                variances.iter().map(|v| v.variance).sum::<f64>() / variances.len() as f64
            }),
            records_n: fit.n_records(),
            notes,
        })
    }
}

/// The mixed model of means with known errors: sites fixed, entries covarying between sites.
///
/// # Errors
/// As [`super::fit`].
pub fn second_stage(
    site_means: &[SiteMeans],
    model: &TwoStageModel,
) -> Result<SitesFit, ModelError> {
    let (entry, site) = (model.entry.as_str(), model.site.as_str());
    let (frame, base) = second_stage_model(site_means, entry, site, model.weighting)?;
    match &model.relationship {
        None => super::fit(&frame, &base, entry, site, model.between),
        Some(known) => super::fit_related(&frame, &base, entry, site, model.between, known),
    }
}

/// The means as records, and the model of sites and known errors.
pub(super) fn second_stage_model(
    site_means: &[SiteMeans],
    entry: &str,
    site: &str,
    weighting: Weighting,
) -> Result<(Frame, Model), ModelError> {
    let all = |of: fn(&SiteMeans) -> &Vec<String>| -> Vec<String> {
        site_means.iter().flat_map(|m| of(m).clone()).collect()
    };
    let frame = Frame::new()
        .with_factor(site, all(|m| &m.sites).iter().map(Some))?
        .with_factor(entry, all(|m| &m.entries).iter().map(Some))?
        .with_numeric(
            RESPONSE,
            site_means
                .iter()
                .flat_map(|m| m.means.iter().copied().map(Some)),
        )?;
    let mut start = 0;
    let mut blocks = Vec::new();
    for means in site_means {
        let records: Vec<usize> = (start..start + means.means.len()).collect();
        start += records.len();
        match weighting {
            Weighting::FullCovariance => blocks.push((records, means.covariance.clone())),
            Weighting::Weights => blocks.extend(
                records
                    .into_iter()
                    .zip(&means.weights)
                    .map(|(record, weight)| (vec![record], vec![vec![1.0 / weight]])),
            ),
        }
    }
    let base = Model::new(&format!("\"{RESPONSE}\" ~ \"{site}\""))?
        .residual(Residual::Known(Arc::new(KnownErrors::new(blocks)?)));
    Ok((frame, base))
}
