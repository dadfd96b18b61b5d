//! Threshold models as they are asked for, fitted and told.

use std::collections::BTreeMap;
use std::sync::Arc;

use biometry::mixed::{ModelError, Relationship};
use biometry::threshold::{self, LiabilityEffect, ThresholdFit, ThresholdModel};
use contract::evaluation::{
    Analysis, AnalysisCategory, AnalysisDiagnostics, AnalysisResiduals, AnalysisTest, CutPoint,
    RandomLevel, VarianceComponent,
};

use super::{Asked, Observation, TESTED_RECORDS, Told, connect, fixed_effect, frame, random_level};

/// Fits a threshold model of notes and tells what came of it.
pub(super) fn analyse(
    asked: &Asked,
    observations: &[Observation],
    covariates: &[String],
    relationship: Option<Arc<Relationship>>,
    label_of: &BTreeMap<String, String>,
) -> Result<Told, ModelError> {
    let names: Vec<String> = asked
        .states
        .iter()
        .map(|state| state.note.to_string())
        .collect();
    let frame = frame(asked, observations, covariates)?.with_factor(
        "Category",
        observations.iter().map(|o| Some(format!("{:.0}", o.value))),
    )?;
    let fixed = if asked.fixed.is_empty() {
        "1".to_owned()
    } else {
        asked.fixed.join(" + ")
    };
    let formula = format!("Category ~ {fixed}");
    let mut model = if names.len() == 2 {
        ThresholdModel::binary(&formula)?
    } else {
        ThresholdModel::ordinal(&formula)?
    }
    .categories(names);
    for term in &asked.random {
        if relationship.is_none() || term != "entry" {
            model = model.random(term)?;
        }
    }
    if let Some(relationship) = relationship {
        model = model.random_related("entry", relationship)?;
    }
    let notes = vec!["residuals of categories are not kept; compare the probabilities".to_owned()];
    let residuals = AnalysisResiduals {
        notes,
        ..AnalysisResiduals::default()
    };
    let fit = match threshold::fit(&frame, &model) {
        Ok(fit) => fit,
        Err(error @ ModelError::NotConverged { .. }) => {
            return Ok(Told::not_converged(&error, observations.len()));
        }
        Err(error) => return Err(error),
    };
    let mut diagnostics = AnalysisDiagnostics {
        iterations: fit.search.iterations as u32,
        gradient: fit.search.gradient,
        log_likelihoods: fit.search.log_likelihoods.clone(),
        boundary: fit.search.boundary.clone(),
        ..AnalysisDiagnostics::default()
    };
    connect(&mut diagnostics, &frame, label_of);
    let mut tests: Vec<AnalysisTest> = fit
        .fixed_tests()
        .unwrap_or_default()
        .into_iter()
        .map(|test| AnalysisTest {
            term: test.term,
            kind: "wald_chi_squared".to_owned(),
            statistic: test.chi_squared,
            df: test.df as f64,
            denominator_df: None,
            p: test.p,
        })
        .collect();
    if fit.records_n <= TESTED_RECORDS
        && let Ok(ratios) = fit.random_tests(&frame, &model)
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
    let heritability = fit.heritability("entry").ok().map(|h| h.liability);
    Ok(Told {
        analysis: Analysis {
            converged: true,
            components: components(&fit),
            fixed: fit
                .fixed
                .iter()
                .map(|e| fixed_effect(e.name.clone(), e.estimate, e.se))
                .collect(),
            random: levels(&fit, label_of),
            tree_heritability: heritability.filter(|h| h.is_finite()),
            log_likelihood: Some(fit.log_likelihood),
            tests,
            diagnostics: Some(diagnostics),
            records_n: fit.records_n as u32,
            categories: categories(asked, &fit),
            cut_points: fit.cut_points.iter().map(cut_point).collect(),
            notes: notes_of(&fit),
            ..Analysis::default()
        },
        residuals,
    })
}

fn components(fit: &ThresholdFit) -> Vec<VarianceComponent> {
    let residual = VarianceComponent {
        name: "residual".to_owned(),
        variance: fit.link.residual_variance(),
        ..VarianceComponent::default()
    };
    fit.random
        .iter()
        .map(|term| VarianceComponent {
            name: term.name.clone(),
            variance: term.variance,
            se: term.variance_se,
            boundary: term.boundary,
            ..VarianceComponent::default()
        })
        .chain([residual])
        .collect()
}

fn levels(fit: &ThresholdFit, label_of: &BTreeMap<String, String>) -> Vec<RandomLevel> {
    let mut levels = Vec::new();
    for term in &fit.random {
        let mut of_term: Vec<RandomLevel> = term
            .levels
            .iter()
            .map(|level| RandomLevel {
                probabilities: level.probabilities.clone(),
                ..random_level(&term.name, &level.level, (level.effect, level.se), label_of)
            })
            .collect();
        of_term.sort_by(|a, b| b.effect.total_cmp(&a.effect));
        levels.extend(of_term);
    }
    levels
}

fn categories(asked: &Asked, fit: &ThresholdFit) -> Vec<AnalysisCategory> {
    fit.categories
        .iter()
        .zip(&fit.observed_n)
        .map(|(note, n)| {
            let state = asked.states.iter().find(|s| s.note.to_string() == *note);
            AnalysisCategory {
                name: state.map_or(note.clone(), |s| format!("{note} {}", s.name)),
                records_n: *n as u32,
            }
        })
        .collect()
}

fn cut_point(of: &LiabilityEffect) -> CutPoint {
    let (low, high) = of.interval();
    CutPoint {
        name: of.name.clone(),
        estimate: of.estimate,
        se: of.se,
        low,
        high,
    }
}

fn notes_of(fit: &ThresholdFit) -> Vec<String> {
    let mut notes = vec![
        "effects and variances are on the liability, whose residual variance is fixed; heritability is that of a single record"
            .to_owned(),
    ];
    if fit.search.points == 1 {
        notes.push(
            "integrated by Laplace's approximation: with few records of an entry, variances come out too low"
                .to_owned(),
        );
    }
    if !fit.unused_categories.is_empty() {
        notes.push(format!(
            "no record has note {}",
            fit.unused_categories.join(", ")
        ));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::super::{Method, ResidualWord};
    use super::*;
    use crate::domain::traits::State;

    /// Notes 1 to 3 of eight entries at two sites: the later the entry, the higher its notes.
    fn observations() -> Vec<Observation> {
        let mut all = Vec::new();
        for entry in 0..8_usize {
            for tree in 0..12_usize {
                let liability =
                    entry as f64 - 3.5 + ((tree * 37 + entry * 11) % 23) as f64 / 4.0 - 2.75;
                let value = if liability < -1.5 {
                    1.0
                } else if liability < 1.5 {
                    2.0
                } else {
                    3.0
                };
                all.push(Observation {
                    value,
                    factors: BTreeMap::from([
                        ("entry", format!("e{entry}")),
                        (
                            "site",
                            if tree % 2 == 0 { "north" } else { "south" }.to_owned(),
                        ),
                    ]),
                    covariates: Vec::new(),
                    row: 1.0,
                    column: 1.0,
                    section: "north/2026".to_owned(),
                    year: 2026,
                    tree_id: String::new(),
                    number: String::new(),
                });
            }
        }
        all
    }

    fn asked(notes: &[u32]) -> Asked {
        Asked {
            method: Method::Threshold,
            between: None,
            states: notes
                .iter()
                .map(|&note| State {
                    note,
                    name: format!("state {note}"),
                })
                .collect(),
            fixed: vec!["site".to_owned()],
            random: vec!["entry".to_owned()],
            residual: ResidualWord::Equal,
            smooth: Vec::new(),
            at_zero: Default::default(),
        }
    }

    #[test]
    fn notes_are_told_with_cut_points_and_probabilities() {
        let label_of = BTreeMap::from([("e7".to_owned(), "Late Ivory".to_owned())]);
        let told = analyse(&asked(&[1, 2, 3, 4]), &observations(), &[], None, &label_of)
            .unwrap()
            .analysis;
        assert!(told.converged, "{}", told.problem);
        let names: Vec<&str> = told.cut_points.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["1|2", "2|3"]);
        for cut in &told.cut_points {
            assert!(cut.low < cut.estimate && cut.estimate < cut.high, "{cut:?}");
        }
        assert!(told.cut_points[0].estimate < told.cut_points[1].estimate);
        assert_eq!(told.categories.len(), 3);
        assert_eq!(told.categories[0].name, "1 state 1");
        assert_eq!(told.random[0].label, "Late Ivory");
        for level in &told.random {
            let sum: f64 = level.probabilities.iter().sum();
            assert!((sum - 1.0).abs() < 1e-9, "{level:?}");
            assert!(level.low.unwrap() < level.effect && level.effect < level.high.unwrap());
        }
        assert!(told.random[0].probabilities[2] > told.random[7].probabilities[2]);
        assert!((0.0..1.0).contains(&told.tree_heritability.unwrap()));
        assert!(
            told.notes.iter().any(|n| n.contains("note 4")),
            "{:?}",
            told.notes
        );
    }

    #[test]
    fn two_states_need_no_cut_point() {
        let two: Vec<Observation> = observations()
            .into_iter()
            .map(|o| Observation {
                value: if o.value > 1.0 { 2.0 } else { 1.0 },
                ..o
            })
            .collect();
        let told = analyse(&asked(&[1, 2]), &two, &[], None, &BTreeMap::new())
            .unwrap()
            .analysis;
        assert!(told.converged && told.cut_points.is_empty());
        assert_eq!(told.random[0].probabilities.len(), 2);
    }
}
