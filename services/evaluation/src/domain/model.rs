//! Mixed models as they are asked for, fitted and told.

use std::collections::BTreeMap;
use std::sync::Arc;

use biometry::data::Frame;
use biometry::heritability;
use biometry::mixed::{
    self, DenominatorDf, Fit, Model, ModelError, Relationship, Residual, connectedness,
};
use biometry::sites::BetweenSites;
use biometry::trial::{self, Chosen};
use contract::evaluation::{
    Analysis, AnalysisDiagnostics, AnalysisResiduals, AnalysisTest, FixedEffect, InfluentialRecord,
    RandomLevel, SiteCorrelations, VarianceComponent,
};
use platform::fields::Words as _;

mod across;
mod threshold;

use super::figures::{self, FigureError, Figures, GroundTree, TreeYear};
use super::residuals;
use super::traits::{FACTORS, State};

platform::words! {
    /// How residuals are taken to vary.
    #[derive(Default)]
    pub enum ResidualWord {
        /// One variance.
        #[default]
        Equal = "equal",
        /// One variance for each site.
        BySite = "by_site",
        /// First-order autoregression along rows and columns within each site and year.
        RowColumn = "row_column",
        /// The same with a variance and correlations of each site's own.
        RowColumnBySite = "row_column_by_site",
    }
}

platform::words! {
    /// What kind of model it is.
    #[derive(Default)]
    pub enum Method {
        /// A linear mixed model.
        #[default]
        Linear = "linear",
        /// A threshold model of an ordinal trait or one of two states.
        Threshold = "threshold",
        /// Adjusted means of each site, then entries across sites.
        TwoStage = "two_stage",
    }
}

platform::words! {
    /// How entries covary between sites.
    pub enum BetweenWord {
        /// One variance of entries and one of their interaction with sites.
        CompoundSymmetry = "compound_symmetry",
        /// Loadings on a few factors and a specific variance for each site.
        FactorAnalytic = "factor_analytic",
        /// Every variance and covariance.
        Unstructured = "unstructured",
    }
}

platform::words! {
    /// What small-sample tests do with variance components estimated at zero.
    #[derive(Default)]
    pub enum AtZeroWord {
        /// As if the model had no such term.
        #[default]
        LeftOut = "left_out",
        /// Their uncertainty counts.
        Kept = "kept",
    }
}

platform::words! {
    /// Along what a trend over the ground is smooth.
    pub enum SmoothWord {
        /// Along the rows' numbers.
        Row = "row",
        /// Along the places in a row.
        Column = "column",
    }
}

impl SmoothWord {
    /// The covariate of the frame.
    fn covariate(self) -> &'static str {
        match self {
            Self::Row => "row_trend",
            Self::Column => "column_trend",
        }
    }

    fn position(self, of: &Observation) -> f64 {
        match self {
            Self::Row => of.row,
            Self::Column => of.column,
        }
    }
}

impl BetweenWord {
    /// The structure, with so many factors where it has any.
    pub fn with_factors(self, order: usize) -> BetweenSites {
        match self {
            Self::CompoundSymmetry => BetweenSites::CompoundSymmetry,
            Self::FactorAnalytic => BetweenSites::FactorAnalytic { order },
            Self::Unstructured => BetweenSites::Unstructured,
        }
    }
}

/// A model over the factors of trials.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// What kind of model.
    pub method: Method,
    /// How entries covary between sites, when they are told apart from the random terms.
    pub between: Option<BetweenSites>,
    /// States of an ordinal trait or one of two states; none for others.
    pub states: Vec<State>,
    /// Fixed terms.
    pub fixed: Vec<String>,
    /// Random terms.
    pub random: Vec<String>,
    /// Residuals.
    pub residual: ResidualWord,
    /// Smooth trends over the ground of each site.
    pub smooth: Vec<SmoothWord>,
    /// What small-sample tests do with components at zero.
    pub at_zero: AtZeroWord,
}

/// What a term may name.
fn is_factor(name: &str) -> bool {
    FACTORS.contains(&name) || name == "kind"
}

/// The variables of a term: factors joined by `:`.
pub fn variables(term: &str) -> impl Iterator<Item = &str> {
    term.split(':').map(str::trim)
}

/// What is wrong with a term, given whether a name is a trait with numbers.
pub fn term_fault(term: &str, random: bool, is_trait: impl Fn(&str) -> bool) -> Option<String> {
    if term.trim().is_empty() {
        return Some("is empty; name a factor, as entry".to_owned());
    }
    variables(term).find_map(|name| {
        if is_factor(name) {
            None
        } else if is_trait(name) {
            (random).then(|| format!("{name} is a trait; covariates are fixed"))
        } else {
            Some(format!(
                "{name:?} is not known; use {}, kind, or a trait's code as a covariate, joined by `:`",
                FACTORS.join(", ")
            ))
        }
    })
}

/// One value with the factors it stands under, as labels.
#[derive(Debug, Clone)]
pub struct Observation {
    /// Value.
    pub value: f64,
    /// Label of each factor.
    pub factors: BTreeMap<&'static str, String>,
    /// Covariates, in the order of the model's traits.
    pub covariates: Vec<Option<f64>>,
    /// Row at the site.
    pub row: f64,
    /// Column at the site.
    pub column: f64,
    /// Site and year.
    pub section: String,
    /// Year.
    pub year: i16,
    /// Id of the tree.
    pub tree_id: String,
    /// Number of the tree.
    pub number: String,
}

/// Sets of entries apart from the largest that are named, at most.
const NAMED_SETS: usize = 5;
/// Entries of such a set that are named, at most.
const NAMED_ENTRIES: usize = 5;
/// Residuals that stand out, at most.
const INFLUENTIAL: usize = 10;
/// Records up to which random terms are tested by fitting the model anew without each.
const TESTED_RECORDS: usize = 5000;
/// Records up to which the small-sample method of tests is worth its dense matrices.
const SMALL_RECORDS: usize = 400;
/// Records up to which every residual is looked at.
const DIAGNOSED_RECORDS: usize = 50_000;

/// Places along which a trend is smoothed at most.
const TREND_PLACES: f64 = 60.0;
/// Places that a site needs for a trend that is more than straight.
const FEWEST_PLACES: usize = 4;

fn frame(
    asked: &Asked,
    observations: &[Observation],
    covariates: &[String],
) -> Result<Frame, ModelError> {
    let mut frame =
        Frame::new().with_numeric("value", observations.iter().map(|o| Some(o.value)))?;
    let mut names: Vec<&str> = asked
        .fixed
        .iter()
        .chain(&asked.random)
        .flat_map(|term| variables(term))
        .filter(|name| is_factor(name))
        .chain(["site", "entry"])
        .collect();
    names.sort_unstable();
    names.dedup();
    for name in names {
        let labels = observations
            .iter()
            .map(|o| o.factors.get(name).map(String::as_str));
        frame = frame.with_factor(name, labels)?;
    }
    for (place, code) in covariates.iter().enumerate() {
        frame = frame.with_numeric(code, observations.iter().map(|o| o.covariates[place]))?;
    }
    for trend in &asked.smooth {
        let largest = observations
            .iter()
            .map(|o| trend.position(o))
            .fold(1.0, f64::max);
        // Neighbouring rows of a large ground share a place.
        let width = (largest / TREND_PLACES).ceil();
        let place = |o: &Observation| ((trend.position(o) - 1.0) / width).floor() * width + 1.0;
        frame = frame.with_numeric(
            trend.covariate(),
            observations.iter().map(|o| Some(place(o))),
        )?;
    }
    frame
        .with_numeric("row_position", observations.iter().map(|o| Some(o.row)))?
        .with_numeric(
            "column_position",
            observations.iter().map(|o| Some(o.column)),
        )?
        .with_factor(
            "section",
            observations.iter().map(|o| Some(o.section.as_str())),
        )
        .map_err(ModelError::from)
}

/// The sites with so many places along a trend that it can be smoothed there.
fn smoothed_sites(frame: &Frame, trend: SmoothWord) -> Result<Vec<String>, ModelError> {
    let site = frame.factor("site")?;
    let places = frame.numeric(trend.covariate())?;
    let mut of: BTreeMap<u32, std::collections::BTreeSet<u64>> = BTreeMap::new();
    for (code, place) in site.codes().iter().zip(places) {
        if let (Some(code), Some(place)) = (code, place) {
            of.entry(*code).or_default().insert(place.to_bits());
        }
    }
    Ok(of
        .into_iter()
        .filter(|(_, places)| places.len() >= FEWEST_PLACES)
        .map(|(code, _)| site.levels()[code as usize].clone())
        .collect())
}

fn model(
    asked: &Asked,
    frame: &Frame,
    relationship: Option<Arc<Relationship>>,
) -> Result<Model, ModelError> {
    let mut fixed = asked.fixed.clone();
    let mut trends = Vec::new();
    for trend in &asked.smooth {
        let covariate = trend.covariate();
        fixed.push(match frame.factor("site")?.levels().len() {
            1 => covariate.to_owned(),
            _ => format!("site:{covariate}"),
        });
        let sites = smoothed_sites(frame, *trend)?;
        if sites.is_empty() {
            return Err(ModelError::NotEstimable {
                what: format!("a smooth trend along {}", trend.word()),
                why: format!("no site has {FEWEST_PLACES} places"),
            });
        }
        trends.extend(sites.into_iter().map(|site| (covariate, site)));
    }
    let fixed = if fixed.is_empty() {
        "1".to_owned()
    } else {
        fixed.join(" + ")
    };
    let mut model = Model::new(&format!("value ~ {fixed}"))?;
    for (covariate, site) in &trends {
        model = model.smooth_at(covariate, "site", site);
    }
    for term in &asked.random {
        if relationship.is_none() || term != "entry" {
            model = model.random(term)?;
        }
    }
    if let Some(relationship) = relationship {
        model = model.random_related("entry", relationship)?;
    }
    Ok(model.residual(match asked.residual {
        ResidualWord::Equal => Residual::Homogeneous,
        ResidualWord::BySite => Residual::ByLevel("site".to_owned()),
        ResidualWord::RowColumn | ResidualWord::RowColumnBySite => Residual::SeparableAr1 {
            row: "row_position".to_owned(),
            column: "column_position".to_owned(),
            section: Some("section".to_owned()),
            each: (asked.residual == ResidualWord::RowColumnBySite).then(|| "site".to_owned()),
        },
    }))
}

/// What came of a model.
#[derive(Debug, Default)]
pub struct Told {
    /// Its results.
    pub analysis: Analysis,
    /// Its residuals; none when it did not converge or the records are too many.
    pub residuals: AnalysisResiduals,
}

impl Told {
    /// What is told of a search that found no maximum: why, and no effects to rank by.
    fn not_converged(error: &ModelError, records_n: usize) -> Self {
        Self {
            analysis: Analysis {
                problem: error.to_string(),
                records_n: records_n as u32,
                ..Analysis::default()
            },
            residuals: AnalysisResiduals {
                notes: vec![format!("the analysis did not converge: {error}")],
                ..AnalysisResiduals::default()
            },
        }
    }
}

/// Fits a model and tells what came of it. An analysis that did not converge has no effects and
/// says so in `problem`.
///
/// # Errors
/// Why the model cannot be fitted, naming the term.
pub fn analyse(
    asked: &Asked,
    observations: &[Observation],
    covariates: &[String],
    relationship: Option<Arc<Relationship>>,
    label_of: &BTreeMap<String, String>,
) -> Result<Told, ModelError> {
    if asked.method == Method::Threshold {
        return threshold::analyse(asked, observations, covariates, relationship, label_of);
    }
    if let Some(between) = asked.between {
        return across::analyse(
            asked,
            between,
            observations,
            covariates,
            relationship,
            label_of,
        );
    }
    let frame = frame(asked, observations, covariates)?;
    let related = relationship.is_some();
    let model = model(asked, &frame, relationship)?;
    let fit = match mixed::fit(&frame, &model) {
        Ok(fit) => fit,
        Err(error @ ModelError::NotConverged { .. }) => {
            return Ok(Told::not_converged(&error, observations.len()));
        }
        Err(error) => return Err(error),
    };
    let genetic = fit
        .random()
        .iter()
        .find(|term| term.name == "entry")
        .map(|term| term.variance());
    let of_entries = genetic.and_then(|_| heritability::of_entries(&fit, "entry").ok());
    let residual = fit.residual();
    let mean_residual = residual.variances.iter().map(|v| v.variance).sum::<f64>()
        / residual.variances.len() as f64;
    // What an entry does at one place or in one year, and what is lasting of one tree, differ from
    // record to record of a single tree as its error does.
    let interactions: f64 = fit
        .random()
        .iter()
        .filter(|term| {
            let of_tree = |name: &str| name == "entry" || name == "tree";
            term.name != "entry" && term.name.split(':').any(of_tree)
        })
        .map(|term| term.variance())
        .sum();
    let (diagnostics, residuals) = diagnostics(&fit, &frame, observations, label_of);
    let analysis = Analysis {
        converged: true,
        components: components(&fit),
        fixed: fixed_effects(&fit, asked.at_zero, related),
        random: levels(&fit, label_of),
        heritability: of_entries
            .and_then(|of| of.cullis)
            .filter(|h| h.is_finite()),
        tree_heritability: genetic
            .map(|g| g / (g + interactions + mean_residual))
            .filter(|h| h.is_finite()),
        log_likelihood: Some(fit.log_likelihood()),
        tests: tests(&fit, &frame, &model, (asked.at_zero, related)),
        diagnostics: Some(diagnostics),
        records_n: fit.n_records() as u32,
        ..Analysis::default()
    };
    Ok(Told {
        analysis,
        residuals,
    })
}

/// The figures of a trial by a model that a person chose, on tree means; `levels` are those of the
/// entries in the model, by place.
///
/// # Errors
/// A model that cannot be fitted, or that has no random term of entries.
pub fn figures_of(
    asked: &Asked,
    observations: &[Observation],
    covariates: &[String],
    relationship: Option<Arc<Relationship>>,
    levels: &[String],
    (trees, values, is_check): (&[GroundTree], &[TreeYear], &[bool]),
) -> Result<Figures, FigureError> {
    let told = |error: ModelError| FigureError::Trial(error.into());
    let frame = frame(asked, observations, covariates).map_err(told)?;
    let model = model(asked, &frame, relationship).map_err(told)?;
    let words = in_words(asked);
    let chosen = Chosen {
        frame: &frame,
        model: &model,
        entries: "entry",
        trees: asked
            .random
            .iter()
            .any(|term| term == "tree")
            .then_some("tree"),
        words: &words,
        level_of: levels,
    };
    figures::figure_by(trees, values, is_check, |trial, seed| {
        trial::figures_of(&chosen, trial, seed)
    })
}

/// A model in the words of its terms.
fn in_words(asked: &Asked) -> String {
    let or_none = |terms: &[String]| {
        if terms.is_empty() {
            "nothing".to_owned()
        } else {
            terms.join(", ")
        }
    };
    let mut words = format!(
        "random: {}; fixed: {}; residual {}",
        or_none(&asked.random),
        or_none(&asked.fixed),
        asked.residual.word().replace('_', " ")
    );
    for trend in &asked.smooth {
        words.push_str(&format!("; smooth along {}s", trend.word()));
    }
    words
}

/// Half the width of a 95 % interval in standard errors, by the normal distribution.
const NORMAL_95: f64 = 1.959_963_984_540_054;

/// The 95 % interval; none without a standard error.
fn interval(estimate: f64, se: f64) -> (Option<f64>, Option<f64>) {
    let half = NORMAL_95 * se;
    if half.is_finite() {
        (Some(estimate - half), Some(estimate + half))
    } else {
        (None, None)
    }
}

fn fixed_effect(name: String, estimate: f64, se: f64) -> FixedEffect {
    let (low, high) = interval(estimate, se);
    FixedEffect {
        name,
        estimate,
        se,
        low,
        high,
        ..FixedEffect::default()
    }
}

/// Coefficients up to which each has degrees of freedom of its own.
const TESTED_COEFFICIENTS: usize = 300;

/// How denominators of tests are found: by the small-sample method where it is worth its dense
/// matrices.
fn df_method(fit: &Fit, at_zero: AtZeroWord, related: bool) -> DenominatorDf {
    if fit.n_records() > SMALL_RECORDS || related {
        return DenominatorDf::Satterthwaite;
    }
    match at_zero {
        AtZeroWord::LeftOut => DenominatorDf::KenwardRoger,
        AtZeroWord::Kept => DenominatorDf::KenwardRogerWithZeros,
    }
}

/// Fixed effects with intervals by t, or by the normal distribution where they are very many.
fn fixed_effects(fit: &Fit, at_zero: AtZeroWord, related: bool) -> Vec<FixedEffect> {
    let inference = (fit.fixed().len() <= TESTED_COEFFICIENTS)
        .then(|| {
            fit.fixed_inference(df_method(fit, at_zero, related))
                .or_else(|_| fit.fixed_inference(DenominatorDf::Satterthwaite))
                .ok()
        })
        .flatten();
    let Some(inference) = inference else {
        let coefficients = fit.fixed().iter();
        return coefficients
            .map(|c| fixed_effect(c.name.clone(), c.estimate, c.se))
            .collect();
    };
    let finite = |x: f64| x.is_finite().then_some(x);
    inference
        .into_iter()
        .map(|c| FixedEffect {
            name: c.name,
            estimate: c.estimate,
            se: c.se,
            low: finite(c.interval.0),
            high: finite(c.interval.1),
            df: finite(c.df),
            p: finite(c.p),
        })
        .collect()
}

/// A level with the names of its entries.
fn random_level(
    term: &str,
    level: &str,
    (effect, se): (f64, f64),
    label_of: &BTreeMap<String, String>,
) -> RandomLevel {
    let (low, high) = interval(effect, se);
    RandomLevel {
        term: term.to_owned(),
        label: level
            .split(':')
            .map(|part| label_of.get(part).map_or(part, String::as_str))
            .collect::<Vec<_>>()
            .join(":"),
        level: level.to_owned(),
        effect,
        se,
        low,
        high,
        probabilities: Vec::new(),
    }
}

fn components(fit: &Fit) -> Vec<VarianceComponent> {
    let mut components: Vec<VarianceComponent> = fit
        .random()
        .iter()
        .map(|term| VarianceComponent {
            name: term.name.clone(),
            variance: term.variance(),
            se: term.covariance_se.as_ref().map(|se| se[0][0]),
            boundary: term.boundary,
            ..VarianceComponent::default()
        })
        .collect();
    components.extend(fit.residual().variances.iter().map(|v| VarianceComponent {
        name: if v.group == "residual" {
            v.group.clone()
        } else {
            format!("residual:{}", v.group)
        },
        variance: v.variance,
        se: v.se,
        ..VarianceComponent::default()
    }));
    components
}

fn levels(fit: &Fit, label_of: &BTreeMap<String, String>) -> Vec<RandomLevel> {
    let mut levels = Vec::new();
    for term in fit.random() {
        let mut of_term: Vec<RandomLevel> = term
            .levels
            .iter()
            .map(|level| {
                let (low, high) = level.interval();
                RandomLevel {
                    low: low.is_finite().then_some(low),
                    high: high.is_finite().then_some(high),
                    ..random_level(
                        &term.name,
                        &level.level,
                        (level.effect(), level.se()),
                        label_of,
                    )
                }
            })
            .collect();
        of_term.sort_by(|a, b| b.effect.total_cmp(&a.effect));
        levels.extend(of_term);
    }
    levels
}

fn tests(
    fit: &Fit,
    frame: &Frame,
    model: &Model,
    (at_zero, related): (AtZeroWord, bool),
) -> Vec<AnalysisTest> {
    let wald = fit
        .fixed_tests(df_method(fit, at_zero, related))
        .or_else(|_| fit.fixed_tests(DenominatorDf::Satterthwaite))
        .unwrap_or_default();
    let mut tests: Vec<AnalysisTest> = wald
        .into_iter()
        .map(|test| AnalysisTest {
            term: test.term,
            kind: "wald_f".to_owned(),
            statistic: test.f,
            df: test.numerator_df as f64,
            denominator_df: Some(test.denominator_df),
            p: test.p,
        })
        .collect();
    if fit.n_records() <= TESTED_RECORDS
        && let Ok(ratios) = fit.random_tests(frame, model)
    {
        tests.extend(ratios.into_iter().map(|ratio| AnalysisTest {
            term: ratio.term,
            kind: "likelihood_ratio".to_owned(),
            statistic: ratio.statistic,
            df: ratio.parameters as f64,
            denominator_df: None,
            p: ratio.p,
        }));
    }
    tests
}

fn diagnostics(
    fit: &Fit,
    frame: &Frame,
    observations: &[Observation],
    label_of: &BTreeMap<String, String>,
) -> (AnalysisDiagnostics, AnalysisResiduals) {
    let convergence = fit.convergence();
    let residual = fit.residual();
    let (one, by_site) = match residual.autocorrelations.as_slice() {
        [one] if residual.variances[0].group == "residual" => (Some(*one), Vec::new()),
        several => (None, several.to_vec()),
    };
    let mut told = AnalysisDiagnostics {
        iterations: convergence.iterations as u32,
        gradient: convergence.gradient,
        log_likelihoods: convergence.log_likelihoods.clone(),
        boundary: convergence.boundary.clone(),
        row_correlation: one.map(|c| c.0),
        column_correlation: one.map(|c| c.1),
        site_correlations: by_site
            .into_iter()
            .zip(&residual.variances)
            .map(|((row, column), variance)| SiteCorrelations {
                site: variance.group.clone(),
                row,
                column,
            })
            .collect(),
        ..AnalysisDiagnostics::default()
    };
    connect(&mut told, frame, label_of);
    if fit.n_records() > DIAGNOSED_RECORDS {
        let residuals = AnalysisResiduals {
            notes: vec![format!(
                "of more than {DIAGNOSED_RECORDS} records, residuals are not kept; analyse one site or year"
            )],
            ..AnalysisResiduals::default()
        };
        return (told, residuals);
    }
    let mut records = fit.record_diagnostics();
    let residuals = AnalysisResiduals {
        items: residuals::told(&records, observations),
        variogram: residuals::variogram(&records, observations),
        ..AnalysisResiduals::default()
    };
    let n = records.len() as f64;
    let moment = |power: i32| records.iter().map(|r| r.residual.powi(power)).sum::<f64>() / n;
    let variance = moment(2);
    if variance > 0.0 {
        told.residual_skewness = moment(3) / variance.powf(1.5);
        told.residual_kurtosis = moment(4) / variance.powi(2) - 3.0;
    }
    records.sort_by(|a, b| b.standardised.abs().total_cmp(&a.standardised.abs()));
    told.influential = records
        .iter()
        .take(INFLUENTIAL)
        .map(|record| {
            let of = &observations[record.record];
            InfluentialRecord {
                tree_id: of.tree_id.clone(),
                number: of.number.clone(),
                year: u32::from(of.year.unsigned_abs()),
                observed: of.value,
                fitted: record.fitted,
                standardised_residual: record.standardised,
                cook: record.cook.filter(|cook| cook.is_finite()),
            }
        })
        .collect();
    (told, residuals)
}

/// Tells which entries can be compared within sites.
fn connect(told: &mut AnalysisDiagnostics, frame: &Frame, label_of: &BTreeMap<String, String>) {
    let Ok(mut found) = connectedness(frame, "value", "entry", "site") else {
        return;
    };
    told.connected_sets_n = found.sets.len() as u32;
    found.sets.sort_by_key(|set| std::cmp::Reverse(set.len()));
    told.notes = found
        .sets
        .iter()
        .skip(1)
        .take(NAMED_SETS)
        .map(|set| apart(set, label_of))
        .collect();
}

/// Says that a set of entries shares no site with the others.
fn apart(set: &[String], label_of: &BTreeMap<String, String>) -> String {
    let name = |entry: &String| label_of.get(entry).unwrap_or(entry).clone();
    let named: Vec<String> = set.iter().take(NAMED_ENTRIES).map(name).collect();
    let more = set.len() - named.len();
    format!(
        "{}{} cannot be compared with the other entries: they share no site; plant a common check",
        named.join(", "),
        if more > 0 {
            format!(" and {more} more")
        } else {
            String::new()
        }
    )
}

#[cfg(test)]
mod tests_of_models {
    use super::*;

    fn observation(entry: usize, block: usize, value: f64) -> Observation {
        Observation {
            value,
            factors: BTreeMap::from([
                ("entry", format!("e{entry}")),
                ("site", "north".to_owned()),
                ("block", format!("north/{block}")),
            ]),
            covariates: Vec::new(),
            row: entry as f64 + 1.0,
            column: block as f64 + 1.0,
            section: "north/2026".to_owned(),
            year: 2026,
            tree_id: format!("t{entry}-{block}"),
            number: String::new(),
        }
    }

    fn trial() -> Vec<Observation> {
        let noise = [
            0.4, -0.3, 0.1, -0.2, 0.3, -0.1, -0.4, 0.2, 0.0, 0.2, -0.3, 0.1,
        ];
        (0..6)
            .flat_map(|e| (0..2).map(move |b| (e, b)))
            .zip(noise)
            .map(|((e, b), noise)| observation(e, b, 10.0 + e as f64 + 2.0 * b as f64 + noise))
            .collect()
    }

    fn asked(fixed: &[&str], random: &[&str]) -> Asked {
        let own = |terms: &[&str]| terms.iter().map(|t| (*t).to_owned()).collect();
        Asked {
            method: Method::Linear,
            between: None,
            states: Vec::new(),
            fixed: own(fixed),
            random: own(random),
            residual: ResidualWord::Equal,
            smooth: Vec::new(),
            at_zero: AtZeroWord::default(),
        }
    }

    #[test]
    fn a_fit_tells_its_components_and_effects() {
        let told = analyse(
            &asked(&["block"], &["entry"]),
            &trial(),
            &[],
            None,
            &BTreeMap::new(),
        )
        .unwrap();
        assert_eq!(told.residuals.items.len(), 12);
        let told = told.analysis;
        assert!(told.converged);
        let names: Vec<&str> = told.components.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["entry", "residual"]);
        assert_eq!(told.random[0].level, "e5");
        assert!(told.heritability.unwrap() > 0.9);
        assert!(
            told.tests
                .iter()
                .any(|t| t.kind == "wald_f" && t.term == "block")
        );
        assert!(told.tests.iter().any(|t| t.kind == "likelihood_ratio"));
        // Twelve plots leave few degrees of freedom, so that t is wider than the normal.
        let block = &told.fixed[1];
        assert!(block.df.unwrap() < 12.0 && block.p.unwrap() < 0.01);
        assert!(block.high.unwrap() - block.estimate > 2.0 * block.se);
        // Predictions allow for variances that were estimated.
        let best = &told.random[0];
        assert!(best.high.unwrap() - best.effect > 1.96 * best.se);
    }

    #[test]
    fn a_search_without_an_end_gives_no_ranking() {
        let error = ModelError::NotConverged {
            iterations: 100,
            gradient: 0.3,
        };
        let told = Told::not_converged(&error, 12);
        assert!(!told.analysis.converged);
        assert!(told.analysis.problem.contains("converge"), "{error}");
        assert!(told.analysis.fixed.is_empty() && told.analysis.random.is_empty());
        assert!(told.analysis.sites.is_none() && told.analysis.heritability.is_none());
        assert!(told.residuals.items.is_empty());
        assert!(told.residuals.notes[0].contains("did not converge"));
    }

    #[test]
    fn the_ground_of_a_site_may_have_a_smooth_trend() {
        // Twelve rows of four; the ground rises and falls along the rows.
        let mut plots = Vec::new();
        for row in 0..12_usize {
            for column in 0..4_usize {
                let k = row * 4 + column;
                let entry = (k * 7) % 12;
                let noise = (k * 37 % 101) as f64 / 101.0 - 0.5;
                let trend = 4.0 * (row as f64 / 2.5).sin();
                let mut plot = observation(entry, 0, 20.0 + 0.1 * entry as f64 + trend + noise);
                plot.row = row as f64 + 1.0;
                plot.column = column as f64 + 1.0;
                plots.push(plot);
            }
        }
        let mut with = asked(&[], &["entry"]);
        with.smooth = vec![SmoothWord::Row];
        let told = analyse(&with, &plots, &[], None, &BTreeMap::new())
            .unwrap()
            .analysis;
        let of_trend = |l: &&RandomLevel| l.term == "smooth(row_trend) at site north";
        assert_eq!(told.random.iter().filter(of_trend).count(), 12);
        let residual = told
            .components
            .iter()
            .find(|c| c.name == "residual")
            .unwrap();
        assert!(residual.variance < 0.2, "{residual:?}");
        with.smooth = vec![SmoothWord::Column, SmoothWord::Row];
        for plot in &mut plots {
            plot.column = 1.0;
            plot.row = plot.row.min(3.0);
        }
        let error = analyse(&with, &plots, &[], None, &BTreeMap::new()).unwrap_err();
        assert!(error.to_string().contains("column"), "{error}");
    }

    #[test]
    fn a_factor_of_one_level_is_named() {
        let error = analyse(
            &asked(&["site"], &["entry"]),
            &trial(),
            &[],
            None,
            &BTreeMap::new(),
        )
        .unwrap_err();
        assert!(error.to_string().contains("site"), "{error}");
    }

    #[test]
    fn terms_are_checked_by_name() {
        let none = |_: &str| false;
        assert_eq!(term_fault("entry:site", true, none), None);
        assert!(
            term_fault("entry:plot", true, none)
                .unwrap()
                .contains("plot")
        );
        assert!(
            term_fault("crop_load", true, |name| name == "crop_load")
                .unwrap()
                .contains("fixed")
        );
        assert_eq!(
            term_fault("crop_load", false, |name| name == "crop_load"),
            None
        );
    }
}
