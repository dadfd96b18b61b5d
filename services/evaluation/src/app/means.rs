//! Means of entries and values of trees.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use contract::evaluation::{
    EntryMean, EnvironmentMean, FiguresSource, GetMeansRequest, GetTreeValuesRequest,
    RootstockMean, SiteMean, TreeValue, TreeValueList, TrialMeans,
};
use jiff::Timestamp;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::figures::{self, Told};
use super::ground::Ground;
use super::traits;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::figures::{self as domain, Beside, DRAW_NUMBER, TreeYear, ranks};
use crate::domain::{FiguresId, SiteId, TrialId};
use crate::store;
use crate::store::figures::Kept;

/// A year that a request names; none for 0.
fn year(fields: &mut Fields, year: u32) -> Option<i16> {
    (year > 0).then(|| fields.count("year", year, 1950, 2200) as i16)
}

/// Means of a trial's entries for one trait: those of its figures or, of one year, site or rootstock,
/// worked out for the question.
///
/// # Errors
/// Invalid fields; no records.
pub async fn get(
    app: &EvaluationApp,
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
    let is_part = only_year.is_some() || only_site.is_some() || !request.rootstock.is_empty();
    let told = if is_part {
        let values = ground
            .values(
                unit.connection(),
                programme,
                &defined,
                (only_year, only_site),
            )
            .await?;
        of_part(unit, &ground, &defined.code, values).await?
    } else {
        figures::of(app, unit, &ground, &defined).await?
    };
    let Some(told) = told else {
        return Err(Fault::state(format!(
            "trial {} has no records of {}; all are missing",
            ground.trial.number, defined.code
        )));
    };
    let (values, figures) = (&told.values, told.figures());

    let mut with_value = vec![false; ground.trees.len()];
    let mut sites: HashMap<usize, BTreeMap<SiteId, (f64, u32)>> = HashMap::new();
    let mut stocks: HashMap<usize, BTreeMap<usize, (f64, u32)>> = HashMap::new();
    for value in values.iter() {
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
    let ranks = ranks(figures, defined.better);
    let mut items: Vec<EntryMean> = ground
        .entries
        .iter()
        .enumerate()
        .map(|(place, entry)| {
            let found = figures.mean_of(place);
            let set = figures.connected_set_of[place];
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
                mean: found.map(|mean| mean.mean),
                se: found.and_then(|mean| mean.se),
                n: trees_with[place],
                missing_n: missing[place],
                rank: ranks[place],
                connected_set: set.map_or(0, |set| set as u32 + 1),
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
    let of = &figures.told;
    let lsd = of.mean_sed.map(|sed| sed * t_quantile(figures.error_df));
    Ok(TrialMeans {
        trial_id: id.to_string(),
        r#trait: defined.code,
        unit: defined.unit,
        better: defined.better.word().to_owned(),
        items,
        heritability: of.heritability,
        heritability_method: of.method.clone(),
        genetic_variance: of.genetic_variance,
        error_variance: of.error_variance,
        error_df: figures.error_df as u32,
        grand_mean: figures.grand_mean,
        cv_percent: of
            .error_variance
            .filter(|_| of.mean_sed.is_some() && figures.grand_mean != 0.0)
            .map(|v| 100.0 * v.sqrt() / figures.grand_mean.abs()),
        mean_sed: of.mean_sed,
        lsd_5_percent: lsd.filter(|lsd| lsd.is_finite()),
        trees_n: trees_with.iter().sum(),
        missing_n: missing.iter().sum(),
        environments: figures
            .environments
            .iter()
            .map(|of| EnvironmentMean {
                site_id: of.environment.site.to_string(),
                year: u32::from(of.environment.year.unsigned_abs()),
                block: of.environment.block.unsigned_abs(),
                effect: of.effect,
                n: of.n as u32,
                rootstock: match ground.rootstocks.len() {
                    0 | 1 => String::new(),
                    _ => ground.rootstocks[of.environment.rootstock].clone(),
                },
            })
            .collect(),
        connected_sets_n: figures.connected_sets_n as u32,
        notes: figures.notes.clone(),
        source: Some(told.source.clone()),
        repeatability: of.repeatability,
        components: figures::components(figures),
    })
}

/// The 97.5 % quantile of t.
fn t_quantile(df: usize) -> f64 {
    if df == 0 {
        return f64::NAN;
    }
    StudentsT::new(0.0, 1.0, df as f64).map_or(f64::NAN, |t| t.inverse_cdf(0.975))
}

/// Figures of some of a trial's records, for one question; they have no name, as nothing is decided
/// by them.
async fn of_part(
    unit: &mut Unit,
    ground: &Ground,
    code: &str,
    values: Vec<TreeYear>,
) -> Result<Option<Told>, Fault> {
    if values.is_empty() {
        return Ok(None);
    }
    let (trees, is_check) = (ground.trees.clone(), ground.is_check());
    let (values, figures) = unit
        .reckon(move |_| {
            let figures = domain::figure(&trees, &values, &is_check, &Beside::default())
                .map_err(|error| Fault::state(error.to_string()))?;
            Ok::<_, Fault>((values, figures))
        })
        .await??;
    let source = FiguresSource {
        trial_id: ground.trial.id.to_string(),
        r#trait: code.to_owned(),
        model: figures.told.words.clone(),
        draw_number: DRAW_NUMBER,
        ..FiguresSource::default()
    };
    Ok(Some(Told {
        kept: Arc::new(Kept {
            id: FiguresId::new(),
            figures,
            made_at: Timestamp::UNIX_EPOCH,
        }),
        values: Arc::new(values),
        source,
    }))
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
