//! Entries across sites, in one stage or two, fitted and told.

use std::collections::BTreeMap;
use std::sync::Arc;

use biometry::mixed::{DenominatorDf, Fit, ModelError, Relationship};
use biometry::sites::two_stage::{self, SiteMeans, TwoStageModel};
use biometry::sites::{self, BetweenSites, SitesFit};
use contract::common::Numbers;
use contract::evaluation::{
    Analysis, AnalysisDiagnostics, AnalysisResiduals, AnalysisTest, EntryAcrossSites,
    FirstStageSite, SitesCovariance,
};
use platform::fields::Words as _;

use super::{
    Asked, BetweenWord, Method, Observation, Told, components, connect, fixed_effect, frame,
    levels, model,
};

/// Fits entries across sites and tells what came of it.
pub(super) fn analyse(
    asked: &Asked,
    between: BetweenSites,
    observations: &[Observation],
    covariates: &[String],
    relationship: Option<Arc<Relationship>>,
    label_of: &BTreeMap<String, String>,
) -> Result<Told, ModelError> {
    let frame = frame(asked, observations, covariates)?;
    let base = model(asked, &frame, None)?;
    let fitted = if asked.method == Method::TwoStage {
        let mut stages = TwoStageModel::new(base, "entry", "site").between(between);
        if let Some(relationship) = relationship {
            stages = stages.related(relationship);
        }
        two_stage::fit(&frame, &stages).map(|both| (both.sites, both.site_means))
    } else {
        let fit = match relationship {
            None => sites::fit(&frame, &base, "entry", "site", between),
            Some(known) => sites::fit_related(&frame, &base, "entry", "site", between, &known),
        };
        fit.map(|fit| (fit, Vec::new()))
    };
    let residuals = AnalysisResiduals {
        notes: vec![
            "residuals of entries across sites are not kept; ask for a linear model".to_owned(),
        ],
        ..AnalysisResiduals::default()
    };
    let (across, means) = match fitted {
        Ok(fitted) => fitted,
        Err(error @ ModelError::NotConverged { .. }) => {
            return Ok(Told::not_converged(&error, observations.len()));
        }
        Err(error) => return Err(error),
    };
    let fit = &across.fit;
    let convergence = fit.convergence();
    let mut diagnostics = AnalysisDiagnostics {
        iterations: convergence.iterations as u32,
        gradient: convergence.gradient,
        log_likelihoods: convergence.log_likelihoods.clone(),
        boundary: convergence.boundary.clone(),
        ..AnalysisDiagnostics::default()
    };
    connect(&mut diagnostics, &frame, label_of);
    let entries = |name: &str| name.split([' ', ':']).any(|part| part == "entry");
    let mut other_components = components(fit);
    other_components.retain(|c| !entries(&c.name));
    let mut other_levels = levels(fit, label_of);
    other_levels.retain(|l| !entries(&l.term));
    Ok(Told {
        analysis: Analysis {
            converged: true,
            components: other_components,
            fixed: fit
                .fixed()
                .iter()
                .map(|c| fixed_effect(c.name.clone(), c.estimate, c.se))
                .collect(),
            random: other_levels,
            log_likelihood: Some(fit.log_likelihood()),
            tests: tests(fit),
            diagnostics: Some(diagnostics),
            records_n: observations.len() as u32,
            first_stage: means.iter().map(first_stage).collect(),
            notes: across.notes.clone(),
            sites: Some(told(&across, label_of)),
            ..Analysis::default()
        },
        residuals,
    })
}

fn tests(fit: &Fit) -> Vec<AnalysisTest> {
    fit.fixed_tests(DenominatorDf::Satterthwaite)
        .unwrap_or_default()
        .into_iter()
        .map(|test| AnalysisTest {
            term: test.term,
            kind: "wald_f".to_owned(),
            statistic: test.f,
            df: test.numerator_df as f64,
            denominator_df: Some(test.denominator_df),
            p: test.p,
        })
        .collect()
}

fn word(between: BetweenSites) -> String {
    match between {
        BetweenSites::CompoundSymmetry => BetweenWord::CompoundSymmetry,
        BetweenSites::FactorAnalytic { .. } => BetweenWord::FactorAnalytic,
        BetweenSites::Unstructured => BetweenWord::Unstructured,
    }
    .word()
    .to_owned()
}

fn told(across: &SitesFit, label_of: &BTreeMap<String, String>) -> SitesCovariance {
    let rows = |matrix: &[Vec<f64>]| -> Vec<Numbers> {
        matrix
            .iter()
            .map(|row| Numbers {
                values: row.clone(),
            })
            .collect()
    };
    let mut entries: Vec<EntryAcrossSites> = across
        .entries
        .iter()
        .map(|entry| EntryAcrossSites {
            level: entry.entry.clone(),
            label: label_of.get(&entry.entry).unwrap_or(&entry.entry).clone(),
            overall: entry.overall.effect,
            overall_se: entry.overall.se,
            instability: entry.instability,
            scores: entry.scores.clone(),
            at_site: entry.at_site.iter().map(|p| p.effect).collect(),
            at_site_se: entry.at_site.iter().map(|p| p.se).collect(),
        })
        .collect();
    entries.sort_by(|a, b| b.overall.total_cmp(&a.overall));
    SitesCovariance {
        asked: word(across.asked),
        structure: word(across.structure),
        sites: across.sites.clone(),
        covariance: rows(&across.covariance),
        loadings: rows(&across.loadings),
        specific_variances: across.specific_variances.clone(),
        explained_total_percent: across.explained_total_percent,
        entries,
    }
}

fn first_stage(means: &SiteMeans) -> FirstStageSite {
    let mut names: Vec<&str> = means.sites.iter().map(String::as_str).collect();
    names.dedup();
    FirstStageSite {
        site: names.join(", "),
        entries_n: means.entries.len() as u32,
        records_n: means.records_n as u32,
        not_estimable_n: means.not_estimable_n as u32,
        residual_variance: means.residual_variance,
        notes: means.notes.clone(),
    }
}
