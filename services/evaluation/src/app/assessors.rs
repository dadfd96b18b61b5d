//! How those who take records differ from one another.

use std::collections::BTreeMap;

use biometry::anova::{Record, entry_means};
use contract::evaluation::{Assessor, AssessorComparison, CompareAssessorsRequest};
use platform::{Fault, Unit};
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::ground::Ground;
use super::traits;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::traits::Scale;
use crate::store;

/// Compares assessors on the trees and years that several of them recorded: least-squares means
/// of assessors, adjusted for tree and year.
///
/// # Errors
/// Invalid fields; a computed or nominal trait; no records.
pub async fn compare(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: CompareAssessorsRequest,
) -> Result<AssessorComparison, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let ground = Ground::load(unit, programme, id).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    if defined.computed.is_some() || defined.scale == Scale::Nominal {
        return Err(Fault::field(
            "/trait",
            format!("{} has no assessors to compare in numbers", defined.code),
        ));
    }
    let values = store::records::values(
        unit.connection(),
        programme,
        id,
        &defined.code,
        (None, None),
    )
    .await?;
    if values.is_empty() {
        return Err(Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, defined.code
        )));
    }
    let mut records_n: BTreeMap<String, u32> = BTreeMap::new();
    let mut on: BTreeMap<(usize, i16), BTreeMap<String, (f64, f64)>> = BTreeMap::new();
    for value in values {
        let Some(place) = ground.place_of(value.tree_id) else {
            continue;
        };
        *records_n.entry(value.observer.clone()).or_default() += 1;
        let sum = on
            .entry((place, value.year))
            .or_default()
            .entry(value.observer)
            .or_default();
        sum.0 += value.value;
        sum.1 += 1.0;
    }
    // Only trees and years that several judged say anything of the difference.
    on.retain(|_, by| by.len() > 1);
    let mut shared_n: BTreeMap<&str, u32> = BTreeMap::new();
    for by in on.values() {
        for observer in by.keys() {
            *shared_n.entry(observer).or_default() += 1;
        }
    }
    let mut comparison = AssessorComparison {
        trial_id: id.to_string(),
        r#trait: defined.code.clone(),
        unit: defined.unit.clone(),
        ..AssessorComparison::default()
    };
    // Trees are taken as entries and assessors as environments: entries are many and absorbed.
    let names: Vec<String> = (0..on.len()).map(|n| format!("{n:07}")).collect();
    let records: Vec<Record<'_>> = on
        .values()
        .zip(&names)
        .flat_map(|(by, name)| {
            by.iter().map(move |(observer, (sum, n))| Record {
                entry: name,
                environment: observer,
                value: Some(sum / n),
            })
        })
        .collect();
    let mut bias_of: BTreeMap<String, f64> = BTreeMap::new();
    let mut residual: Option<(f64, usize)> = None;
    if records.is_empty() {
        comparison.notes.push(
            "no tree was recorded by two people in one year; have some trees judged by several"
                .to_owned(),
        );
    } else {
        let means = entry_means(&records).map_err(Fault::internal)?;
        residual = means.residual_ms.map(|ms| (ms, means.residual_df));
        if means.connected_sets_n > 1 {
            comparison.notes.push(
                "some assessors share no tree, even over others; biases are within each set"
                    .to_owned(),
            );
        }
        bias_of.extend(
            means
                .environments
                .into_iter()
                .map(|e| (e.environment, e.effect)),
        );
    }
    comparison.residual_sd = residual.map(|(ms, _)| ms.sqrt());
    let assessors_n = bias_of.len() as f64;
    comparison.items = records_n
        .into_iter()
        .map(|(by, n)| {
            let shared = shared_n.get(by.as_str()).copied().unwrap_or(0);
            let bias = bias_of.get(&by).copied();
            // Exact when every shared tree was judged by all, close to it otherwise.
            let se = residual
                .filter(|_| bias.is_some())
                .map(|(ms, _)| (ms / f64::from(shared) * (assessors_n - 1.0) / assessors_n).sqrt());
            let p = match (bias, se, residual) {
                (Some(bias), Some(se), Some((_, df))) if se > 0.0 => {
                    StudentsT::new(0.0, 1.0, df as f64)
                        .ok()
                        .map(|t| 2.0 * (1.0 - t.cdf((bias / se).abs())))
                }
                _ => None,
            };
            Assessor {
                by,
                records_n: n,
                shared_n: shared,
                bias,
                se,
                p,
            }
        })
        .collect();
    Ok(comparison)
}
