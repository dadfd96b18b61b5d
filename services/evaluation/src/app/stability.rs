//! Stability of entries over sites and years.

use std::collections::{BTreeMap, BTreeSet};

use biometry::gxe::{Axis, Table};
use contract::evaluation::{BiplotAxis, EntryStability, GetStabilityRequest, TrialStability};
use platform::{Fault, Unit};

use super::ground::Ground;
use super::traits;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::store;

/// Stability of entries for one trait, over environments of site and year.
///
/// # Errors
/// Invalid fields; fewer than three entries or environments with complete values.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetStabilityRequest,
) -> Result<TrialStability, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let ground = Ground::load(unit, programme, id).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    let values = ground
        .values(unit.connection(), programme, &defined, (None, None))
        .await?;
    let mut site_names = BTreeMap::new();
    for site in store::trials::sites(unit.connection(), programme, id).await? {
        site_names.insert(
            site,
            store::sites::get(unit.connection(), programme, site)
                .await?
                .name,
        );
    }
    // Mean of each entry in each environment.
    let mut cells: BTreeMap<(usize, String), (f64, f64)> = BTreeMap::new();
    for value in &values {
        let tree = &ground.trees[value.tree];
        let site = site_names.get(&tree.site).map_or("", String::as_str);
        let cell = cells
            .entry((tree.entry, format!("{site} {}", value.year)))
            .or_default();
        cell.0 += value.value;
        cell.1 += 1.0;
    }
    let environments: BTreeSet<&String> =
        cells.keys().map(|(_, environment)| environment).collect();
    let mut seen: BTreeMap<usize, usize> = BTreeMap::new();
    for (entry, _) in cells.keys() {
        *seen.entry(*entry).or_default() += 1;
    }
    let complete = |entry: usize| seen.get(&entry) == Some(&environments.len());
    let left_out: Vec<String> = seen
        .keys()
        .filter(|entry| !complete(**entry))
        .map(|entry| ground.entries[*entry].label().to_owned())
        .collect();
    let names: BTreeMap<usize, String> = seen
        .keys()
        .map(|entry| (*entry, format!("{entry:07}")))
        .collect();
    let records: Vec<(&str, &str, f64)> = cells
        .iter()
        .filter(|((entry, _), _)| complete(*entry))
        .map(|((entry, environment), (sum, n))| {
            (names[entry].as_str(), environment.as_str(), sum / n)
        })
        .collect();
    let table = Table::from_records(&records).map_err(|error| {
        Fault::state(format!(
            "stability of {} in trial {} cannot be told: {error}; environments are sites and years with records",
            defined.code, ground.trial.number
        ))
    })?;
    let (stability, ammi, gge, squares) = (
        table.stability(),
        table.ammi(),
        table.gge(),
        table.sums_of_squares(),
    );
    let mut items = Vec::with_capacity(stability.len());
    for found in stability {
        let entry_place: usize = found.genotype.parse().map_err(Fault::internal)?;
        let entry = &ground.entries[entry_place];
        let means = table
            .environments()
            .iter()
            .map(|environment| {
                let (sum, n) = cells[&(entry_place, environment.clone())];
                sum / n
            })
            .collect();
        items.push(EntryStability {
            germplasm_id: entry.germplasm_id.to_string(),
            number: entry.number.clone(),
            name: entry.name.clone(),
            mean: found.mean,
            slope: found.regression.slope,
            slope_se: found.regression.slope_se,
            r_squared: found.regression.r_squared,
            deviation_ms: found.regression.deviation_ms,
            wricke_ecovalence: found.wricke_ecovalence,
            shukla_variance: found.shukla_variance,
            cv_percent: found.cv_percent,
            superiority: found.superiority,
            means,
        });
    }
    Ok(TrialStability {
        trial_id: id.to_string(),
        r#trait: defined.code,
        unit: defined.unit,
        environment_indices: table.environment_indices(),
        environments: table.environments().to_vec(),
        items,
        ammi: axes(&ammi.biplot.axes),
        gge: axes(&gge.axes),
        left_out,
        genotype_ss: squares.genotype,
        environment_ss: squares.environment,
        interaction_ss: squares.interaction,
    })
}

/// Axes that explain anything.
fn axes(axes: &[Axis]) -> Vec<BiplotAxis> {
    axes.iter()
        .filter(|axis| axis.percent > 1e-9)
        .map(|axis| BiplotAxis {
            singular_value: axis.singular_value,
            percent: axis.percent,
            entry_scores: axis.genotype_scores.clone(),
            environment_scores: axis.environment_scores.clone(),
        })
        .collect()
}
