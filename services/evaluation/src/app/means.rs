//! Means of entries and values of trees.

use std::collections::{BTreeMap, HashMap};

use contract::evaluation::{
    EntryMean, EnvironmentMean, GetMeansRequest, GetTreeValuesRequest, RootstockMean, SiteMean,
    TreeValue, TreeValueList, TrialMeans,
};
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};

use super::ground::Ground;
use super::traits;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::figures::ranks;
use crate::domain::{SiteId, TrialId};
use crate::store;

/// A year that a request names; none for 0.
fn year(fields: &mut Fields, year: u32) -> Option<i16> {
    (year > 0).then(|| fields.count("year", year, 1950, 2200) as i16)
}

/// Means of a trial's entries for one trait.
///
/// # Errors
/// Invalid fields; no records.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetMeansRequest,
) -> Result<TrialMeans, Fault> {
    let programme = unit.programme()?;
    let id: TrialId = trial_id(&request.trial_id)?;
    let mut fields = Fields::new();
    let only_year = year(&mut fields, request.year);
    let only_site: Option<SiteId> = fields.optional_id("site_id", &request.site_id);
    fields.finish()?;
    let mut ground = Ground::load(unit, programme, id).await?;
    if !request.rootstock.is_empty() {
        ground.keep_rootstock(&request.rootstock)?;
    }
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    let figures = ground
        .figures(unit, programme, &defined, (only_year, only_site))
        .await?;
    let Some((values, figures)) = figures else {
        return Err(Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, defined.code
        )));
    };

    let mut with_value = vec![false; ground.trees.len()];
    let mut sites: HashMap<usize, BTreeMap<SiteId, (f64, u32)>> = HashMap::new();
    let mut stocks: HashMap<usize, BTreeMap<usize, (f64, u32)>> = HashMap::new();
    for value in &values {
        with_value[value.tree] = true;
        let tree = &ground.trees[value.tree];
        let of_entry = sites.entry(tree.entry).or_default();
        let of_stock = stocks.entry(tree.entry).or_default();
        for sum in [
            of_entry.entry(tree.site).or_default(),
            of_stock.entry(tree.rootstock).or_default(),
        ] {
            sum.0 += value.value;
            sum.1 += 1;
        }
    }
    let mut trees_with = vec![0u32; ground.entries.len()];
    let mut missing = vec![0u32; ground.entries.len()];
    for (tree, with) in ground.trees.iter().zip(&with_value) {
        if *with {
            trees_with[tree.entry] += 1;
        } else if tree.stands && only_site.is_none_or(|site| site == tree.site) {
            missing[tree.entry] += 1;
        }
    }
    let ranks = ranks(&figures.means, defined.better);
    let mut items: Vec<EntryMean> = ground
        .entries
        .iter()
        .enumerate()
        .map(|(place, entry)| {
            let found = figures
                .mean_of_entry
                .get(&place)
                .map(|&m| (m, &figures.means.means[m]));
            let by_site = sites.remove(&place).unwrap_or_default();
            let by_stock = match ground.rootstocks.len() {
                0 | 1 => BTreeMap::new(),
                _ => stocks.remove(&place).unwrap_or_default(),
            };
            EntryMean {
                germplasm_id: entry.germplasm_id.to_string(),
                number: entry.number.clone(),
                name: entry.name.clone(),
                is_check: entry.is_check,
                mean: found.map(|(_, mean)| mean.mean),
                se: found.and_then(|(_, mean)| mean.se),
                n: trees_with[place],
                missing_n: missing[place],
                rank: found.map_or(0, |(m, _)| ranks[m]),
                connected_set: found.map_or(0, |(_, mean)| mean.connected_set as u32 + 1),
                sites_n: by_site.len() as u32,
                sites: by_site
                    .into_iter()
                    .map(|(site, (sum, n))| SiteMean {
                        site_id: site.to_string(),
                        mean: sum / f64::from(n),
                        n,
                    })
                    .collect(),
                rootstocks: by_stock
                    .into_iter()
                    .map(|(stock, (sum, n))| RootstockMean {
                        rootstock: ground.rootstocks[stock].clone(),
                        mean: sum / f64::from(n),
                        n,
                    })
                    .collect(),
            }
        })
        .collect();
    items.sort_by_key(|item| (item.rank == 0, item.connected_set, item.rank));
    let means = &figures.means;
    Ok(TrialMeans {
        trial_id: id.to_string(),
        r#trait: defined.code,
        unit: defined.unit,
        better: defined.better.word().to_owned(),
        items,
        heritability: figures.heritability,
        heritability_method: figures.heritability_method,
        genetic_variance: figures.genetic_variance,
        error_variance: means.residual_ms,
        error_df: means.residual_df as u32,
        grand_mean: means.grand_mean,
        cv_percent: means.cv_percent,
        mean_sed: means.mean_sed,
        lsd_5_percent: means.lsd(0.05),
        trees_n: trees_with.iter().sum(),
        missing_n: missing.iter().sum(),
        environments: means
            .environments
            .iter()
            .zip(&figures.environments)
            .map(|(effect, environment)| EnvironmentMean {
                site_id: environment.site.to_string(),
                year: u32::from(environment.year.unsigned_abs()),
                block: environment.block.unsigned_abs(),
                effect: effect.effect,
                n: effect.n as u32,
                rootstock: match ground.rootstocks.len() {
                    0 | 1 => String::new(),
                    _ => ground.rootstocks[environment.rootstock].clone(),
                },
            })
            .collect(),
        connected_sets_n: means.connected_sets_n as u32,
        notes: figures.notes,
    })
}

/// The value of every tree for one trait.
///
/// # Errors
/// Invalid fields.
pub async fn tree_values(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetTreeValuesRequest,
) -> Result<TreeValueList, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let mut fields = Fields::new();
    let only_year = year(&mut fields, request.year);
    fields.finish()?;
    let ground = Ground::load(unit, programme, id).await?;
    let defined = traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    let values = ground
        .values(unit.connection(), programme, &defined, (only_year, None))
        .await?;
    let mut sums: HashMap<usize, (f64, f64, u32)> = HashMap::new();
    for value in values {
        let sum = sums.entry(value.tree).or_default();
        sum.0 += value.value;
        sum.1 += 1.0;
        sum.2 += value.records_n;
    }
    let rows = store::trees::of_trial(unit.connection(), programme, id).await?;
    let items = rows
        .into_iter()
        .filter_map(|row| {
            let place = ground.place_of(row.id)?;
            let entry = &ground.entries[ground.trees[place].entry];
            let sum = sums.get(&place);
            let tree = row.message();
            Some(TreeValue {
                tree_id: tree.tree_id,
                number: tree.number,
                site_id: tree.site_id,
                row: tree.row,
                column: tree.column,
                germplasm_id: tree.germplasm_id,
                label: entry.label().to_owned(),
                is_check: entry.is_check,
                status: tree.status,
                value: sum.map(|(sum, n, _)| sum / n),
                records_n: sum.map_or(0, |(_, _, n)| *n),
                rootstock: tree.rootstock,
            })
        })
        .collect();
    Ok(TreeValueList {
        trial_id: id.to_string(),
        r#trait: defined.code,
        unit: defined.unit,
        items,
    })
}
