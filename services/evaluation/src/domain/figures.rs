//! From records to figures: values of trees, means of entries, heritability and covariances.

use std::collections::{BTreeMap, HashMap};

use biometry::anova::{self, AnovaError, EntryMeans};
use biometry::trial::{self, Confounded, Past, Relatives, Trial};
use serde::{Deserialize, Serialize};

use super::traits::{Better, Computation};
use super::{SiteId, TreeId};

/// A tree as the figures see it.
#[derive(Debug, Clone)]
pub struct GroundTree {
    /// Id.
    pub id: TreeId,
    /// Number.
    pub number: String,
    /// Which site.
    pub site: SiteId,
    /// Row at the site.
    pub row: i32,
    /// Column at the site.
    pub column: i32,
    /// Complete replicate.
    pub replicate: i32,
    /// Incomplete block.
    pub block: i32,
    /// Which entry, as its place among the trial's entries.
    pub entry: usize,
    /// Which rootstock, as its place among the trial's.
    pub rootstock: usize,
    /// Whether it still stands.
    pub stands: bool,
}

/// Mean of one tree's records of one trait in one year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TreeYear {
    /// Which tree, as its place among the trial's trees.
    pub tree: usize,
    /// Year.
    pub year: i16,
    /// Mean of its records.
    pub value: f64,
    /// Records behind it.
    pub records_n: u32,
}

/// Means by tree and year of single records (tree, year, value), in order of tree and year.
pub fn by_tree_and_year(records: impl IntoIterator<Item = (usize, i16, f64)>) -> Vec<TreeYear> {
    let mut sums: BTreeMap<(usize, i16), (f64, u32)> = BTreeMap::new();
    for (tree, year, value) in records {
        let sum = sums.entry((tree, year)).or_default();
        sum.0 += value;
        sum.1 += 1;
    }
    sums.into_iter()
        .map(|((tree, year), (sum, n))| TreeYear {
            tree,
            year,
            value: sum / f64::from(n),
            records_n: n,
        })
        .collect()
}

/// A computed trait, for each tree and year that has both parts.
pub fn compute(how: Computation, first: &[TreeYear], second: &[TreeYear]) -> Vec<TreeYear> {
    let second: HashMap<(usize, i16), &TreeYear> =
        second.iter().map(|v| ((v.tree, v.year), v)).collect();
    first
        .iter()
        .filter_map(|a| {
            let b = second.get(&(a.tree, a.year))?;
            Some(TreeYear {
                value: how.of(a.value, b.value)?,
                records_n: a.records_n + b.records_n,
                ..*a
            })
        })
        .collect()
}

/// An environment: site, year, rootstock and, where blocks are told apart, block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Environment {
    /// Site.
    pub site: SiteId,
    /// Year.
    pub year: i16,
    /// Block, or 0.
    pub block: i32,
    /// Rootstock, as its place among the trial's.
    pub rootstock: usize,
}

/// An environment with its effect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EnvironmentEffect {
    /// Which one.
    pub environment: Environment,
    /// Difference of its mean from the general one, entries being equal.
    pub effect: f64,
    /// Values.
    pub n: usize,
}

/// Figures of one trait in one trial.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Figures {
    /// What the trial says of its entries, which are named by their place.
    pub told: trial::Figures,
    /// Environments with their effects.
    pub environments: Vec<EnvironmentEffect>,
    /// Set of entries that can be compared, by place of the entry; none without values.
    pub connected_set_of: Vec<Option<usize>>,
    /// Sets of entries that share no environment.
    pub connected_sets_n: usize,
    /// Degrees of freedom that trees repeat.
    pub error_df: usize,
    /// Mean of all entries.
    pub grand_mean: f64,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// What the figures of a trial rest on beside its records.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// How the entries are related, where the trial needs it.
    pub relatives: Option<Relatives>,
    /// What earlier trials of the programme say.
    pub past: Past,
}

/// Where draws of true values begin: the same records give the same figures.
pub const DRAW_NUMBER: u64 = 1;

impl Figures {
    /// Adjusted mean of an entry.
    pub fn mean_of(&self, entry: usize) -> Option<&trial::EntryMean> {
        let means = &self.told.means;
        let place = means.binary_search_by_key(&entry, |m| m.entry).ok()?;
        Some(&means[place])
    }

    /// What is known of the true value of an entry under test.
    pub fn prediction_of(&self, entry: usize) -> Option<&trial::Prediction> {
        let predictions = &self.told.predictions;
        let place = predictions.binary_search_by_key(&entry, |p| p.entry).ok()?;
        Some(&predictions[place])
    }
}

/// Whether trees alone cannot tell the entries' values, so that relatives or earlier trials must.
pub fn needs_more(trees: &[GroundTree], values: &[TreeYear], is_check: &[bool]) -> bool {
    let (trees, values) = for_science(trees, values);
    let past = Past::default();
    let choice = trial::Choice::of(&Trial {
        trees: &trees,
        values: &values,
        is_check,
        relatives: None,
        past: &past,
    });
    choice.confounded != Confounded::Nothing || choice.hears_past
}

fn for_science(trees: &[GroundTree], values: &[TreeYear]) -> (Vec<trial::Tree>, Vec<trial::Value>) {
    let mut sites: Vec<SiteId> = trees.iter().map(|t| t.site).collect();
    sites.sort_unstable();
    sites.dedup();
    let trees = trees
        .iter()
        .map(|t| trial::Tree {
            entry: t.entry,
            site: sites.binary_search(&t.site).unwrap_or_default(),
            replicate: t.replicate,
            block: t.block,
            rootstock: t.rootstock,
            row: t.row,
            column: t.column,
        })
        .collect();
    let values = values
        .iter()
        .map(|v| trial::Value {
            tree: v.tree,
            year: v.year,
            value: v.value,
        })
        .collect();
    (trees, values)
}

/// Figures of a trait from tree values; `is_check` by place of the entry.
///
/// Which entries can be compared follows from the environments that they share: site, year,
/// rootstock and block or, where blocks leave entries that cannot be compared, site and year alone.
///
/// # Errors
/// No values, or a model that cannot be fitted even in its simplest form.
pub fn figure(
    trees: &[GroundTree],
    values: &[TreeYear],
    is_check: &[bool],
    beside: &Beside,
) -> Result<Figures, FigureError> {
    figure_by(trees, values, is_check, |trial, seed| {
        let with = Trial {
            relatives: beside.relatives.as_ref(),
            past: &beside.past,
            ..*trial
        };
        trial::figures(&with, seed)
    })
}

/// The same by any model of the trial, given where its draws begin.
///
/// # Errors
/// No values, or whatever the model refuses.
pub fn figure_by(
    trees: &[GroundTree],
    values: &[TreeYear],
    is_check: &[bool],
    model: impl FnOnce(&Trial<'_>, u64) -> Result<trial::Figures, trial::TrialError>,
) -> Result<Figures, FigureError> {
    let (mut plain, mut environments) = fit(trees, values, true)?;
    let mut notes = Vec::new();
    if plain.connected_sets_n > 1 {
        let (without, without_blocks) = fit(trees, values, false)?;
        if without.connected_sets_n < plain.connected_sets_n {
            (plain, environments) = (without, without_blocks);
        }
        if plain.connected_sets_n > 1 {
            notes.push(format!(
                "entries fall into {} sets that share no site and year; ranks are within each set",
                plain.connected_sets_n
            ));
        }
    }
    if plain.residual_df > 0 && plain.residual_df < 10 {
        notes.push(format!(
            "only {} degrees of freedom for error; standard errors are rough",
            plain.residual_df
        ));
    }
    let (science_trees, science_values) = for_science(trees, values);
    let nothing = Past::default();
    let told = model(
        &Trial {
            trees: &science_trees,
            values: &science_values,
            is_check,
            relatives: None,
            past: &nothing,
        },
        DRAW_NUMBER,
    );
    let told = match told {
        Ok(told) => told,
        Err(trial::TrialError::Model(error)) => by_means(&plain, &error),
        Err(error) => return Err(error.into()),
    };
    notes.extend(told.notes.iter().cloned());
    let mut connected_set_of = vec![None; is_check.len()];
    for mean in &plain.means {
        if let Ok(entry) = mean.entry.parse::<usize>() {
            connected_set_of[entry] = Some(mean.connected_set);
        }
    }
    Ok(Figures {
        grand_mean: told.means.iter().map(|m| m.mean).sum::<f64>() / told.means.len().max(1) as f64,
        told,
        environments: environments
            .into_iter()
            .zip(&plain.environments)
            .map(|(environment, effect)| EnvironmentEffect {
                environment,
                effect: effect.effect,
                n: effect.n,
            })
            .collect(),
        connected_set_of,
        connected_sets_n: plain.connected_sets_n,
        error_df: plain.residual_df,
        notes,
    })
}

/// What is told where no model can be fitted, as when nothing varies: means adjusted for
/// environments, and nothing of true values.
fn by_means(plain: &EntryMeans, error: &biometry::mixed::ModelError) -> trial::Figures {
    let mut means: Vec<trial::EntryMean> = plain
        .means
        .iter()
        .filter_map(|mean| {
            Some(trial::EntryMean {
                entry: mean.entry.parse().ok()?,
                mean: mean.mean,
                se: mean.se,
            })
        })
        .collect();
    means.sort_by_key(|mean| mean.entry);
    trial::Figures {
        words: "means adjusted for site, year and block; no model of variances".to_owned(),
        confounded: Confounded::Nothing,
        means,
        mean_sed: plain.mean_sed,
        components: Vec::new(),
        heritability: None,
        repeatability: None,
        method: format!("no model of variances can be fitted: {error}"),
        genetic_variance: None,
        error_variance: plain.residual_ms,
        share_of_trees: None,
        share_of_records: None,
        predictions: Vec::new(),
        true_values: trial::TrueValues::default(),
        notes: Vec::new(),
    }
}

/// Why there are no figures.
#[derive(Debug, thiserror::Error)]
pub enum FigureError {
    /// Values that cannot be summed up.
    #[error(transparent)]
    Values(#[from] AnovaError),
    /// A model that cannot be fitted.
    #[error(transparent)]
    Trial(#[from] trial::TrialError),
}

/// An entry's name in the science crate: its place, so that order by name is order by place.
fn entry_name(entry: usize) -> String {
    format!("{entry:07}")
}

fn fit(
    trees: &[GroundTree],
    values: &[TreeYear],
    blocks: bool,
) -> Result<(EntryMeans, Vec<Environment>), AnovaError> {
    let environment = |v: &TreeYear| environment_of(&trees[v.tree], v.year, blocks);
    let mut environments: Vec<Environment> = values.iter().map(environment).collect();
    environments.sort_unstable();
    environments.dedup();
    let names: Vec<String> = (0..environments.len()).map(|e| format!("{e:07}")).collect();
    let entries_n = trees.iter().map(|t| t.entry + 1).max().unwrap_or(0);
    let entry_names: Vec<String> = (0..entries_n).map(entry_name).collect();
    let records: Vec<anova::Record<'_>> = values
        .iter()
        .map(|v| anova::Record {
            entry: &entry_names[trees[v.tree].entry],
            environment: &names[environments
                .binary_search(&environment(v))
                .expect("every value's environment is listed")],
            value: Some(v.value),
        })
        .collect();
    Ok((anova::entry_means(&records)?, environments))
}

/// The environment of a tree in a year.
pub fn environment_of(tree: &GroundTree, year: i16, blocks: bool) -> Environment {
    Environment {
        site: tree.site,
        year,
        block: if blocks { tree.block } else { 0 },
        rootstock: tree.rootstock,
    }
}

/// Ranks with 1 the best, within each connected set, by place of the entry; 0 without a mean. Equal
/// means share a rank.
pub fn ranks(figures: &Figures, better: Better) -> Vec<u32> {
    let mut ranks = vec![0; figures.connected_set_of.len()];
    let sign = if better == Better::Lower { 1.0 } else { -1.0 };
    let mut order: Vec<(usize, f64, usize)> = figures
        .told
        .means
        .iter()
        .map(|m| {
            let set = figures.connected_set_of[m.entry].unwrap_or_default();
            (set, sign * m.mean, m.entry)
        })
        .collect();
    order.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut first_of_set = 0;
    for (i, &(set, mean, entry)) in order.iter().enumerate() {
        let before = (i > 0).then(|| order[i - 1]);
        ranks[entry] = match before {
            Some((b, same, other)) if b == set && same == mean => ranks[other],
            Some((b, ..)) if b == set => (i - first_of_set + 1) as u32,
            _ => {
                first_of_set = i;
                1
            }
        };
    }
    ranks
}

/// How traits go together among entries and within them.
#[derive(Debug, Clone, PartialEq)]
pub struct Correlations {
    /// Genetic correlations.
    pub genetic: Vec<Vec<f64>>,
    /// Correlations of errors.
    pub error: Vec<Vec<f64>>,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// Degrees of freedom within entries from which correlations of errors are told.
const FEWEST_WITHIN: f64 = 10.0;

/// Correlations between traits by analysis of products of the trees' means: between entries, and
/// between trees of one entry after environments. A tree's years are one value, as they are no
/// replication of its entry. `rows` holds a complete set of trait values for each tree and year with
/// the tree, its entry and its environment; checks count towards the error alone. Where no entry has
/// several trees, genes and errors are taken to go together alike.
///
/// None when fewer than three entries under test have every trait.
pub fn correlations(
    rows: &[(usize, usize, Environment, Vec<f64>)],
    is_check: &[bool],
    traits_n: usize,
) -> Option<Correlations> {
    let mut sums: HashMap<Environment, (Vec<f64>, f64)> = HashMap::new();
    for (_, _, environment, values) in rows {
        let sum = sums
            .entry(*environment)
            .or_insert_with(|| (vec![0.0; traits_n], 0.0));
        values.iter().zip(&mut sum.0).for_each(|(v, s)| *s += v);
        sum.1 += 1.0;
    }
    // Mean of each tree's values less those of their environments.
    let mut trees: BTreeMap<usize, (usize, Vec<f64>, f64)> = BTreeMap::new();
    for (tree, entry, environment, values) in rows {
        let (sum, n) = &sums[environment];
        let of = trees
            .entry(*tree)
            .or_insert_with(|| (*entry, vec![0.0; traits_n], 0.0));
        for ((own, v), s) in of.1.iter_mut().zip(values).zip(sum) {
            *own += v - s / n;
        }
        of.2 += 1.0;
    }
    let mut groups: BTreeMap<usize, Vec<Vec<f64>>> = BTreeMap::new();
    for (entry, sum, n) in trees.into_values() {
        let mean = sum.into_iter().map(|s| s / n).collect();
        groups.entry(entry).or_default().push(mean);
    }
    let products = |of: &mut Vec<Vec<f64>>, values: &[f64]| {
        for i in 0..traits_n {
            for j in 0..traits_n {
                of[i][j] += values[i] * values[j];
            }
        }
    };
    let none = vec![vec![0.0; traits_n]; traits_n];
    let (mut within, mut within_df) = (none.clone(), 0.0);
    let mut tested: Vec<(Vec<f64>, f64)> = Vec::new();
    for (entry, group) in &groups {
        let n = group.len() as f64;
        let mean: Vec<f64> = (0..traits_n)
            .map(|t| group.iter().map(|v| v[t]).sum::<f64>() / n)
            .collect();
        for values in group {
            let own: Vec<f64> = values.iter().zip(&mean).map(|(v, m)| v - m).collect();
            products(&mut within, &own);
        }
        within_df += n - 1.0;
        if !is_check[*entry] {
            tested.push((mean, n));
        }
    }
    if tested.len() < 3 {
        return None;
    }
    let n = tested.len() as f64;
    let mut among = none;
    let grand: Vec<f64> = (0..traits_n)
        .map(|t| tested.iter().map(|m| m.0[t]).sum::<f64>() / n)
        .collect();
    for (mean, _) in &tested {
        let own: Vec<f64> = mean.iter().zip(&grand).map(|(v, m)| v - m).collect();
        products(&mut among, &own);
    }
    let scaled = |matrix: &[Vec<f64>], by: f64| -> Vec<Vec<f64>> {
        matrix
            .iter()
            .map(|row| row.iter().map(|x| x / by).collect())
            .collect()
    };
    let among = scaled(&among, n - 1.0);
    if within_df < FEWEST_WITHIN {
        let both = correlation(&among, None);
        return Some(Correlations {
            genetic: both.clone(),
            error: both,
            notes: vec![
                "no entry has several trees, so traits are taken to go together in genes as in errors"
                    .to_owned(),
            ],
        });
    }
    let within = scaled(&within, within_df);
    let inverse_trees = tested.iter().map(|m| 1.0 / m.1).sum::<f64>() / n;
    let genetic: Vec<Vec<f64>> = among
        .iter()
        .zip(&within)
        .map(|(a, w)| {
            a.iter()
                .zip(w)
                .map(|(a, w)| a - w * inverse_trees)
                .collect()
        })
        .collect();
    Some(Correlations {
        genetic: correlation(&genetic, Some(&among)),
        error: correlation(&within, None),
        notes: vec![format!(
            "correlations estimated from {} entries under test, errors from {within_df:.0} degrees of freedom between trees of one entry",
            tested.len()
        )],
    })
}

/// [`correlations`] of traits from their values by tree and year, those trees and years counting that
/// have every trait.
pub fn correlations_of(
    trees: &[GroundTree],
    values: &[&[TreeYear]],
    is_check: &[bool],
) -> Option<Correlations> {
    let mut by_tree: BTreeMap<(usize, i16), Vec<Option<f64>>> = BTreeMap::new();
    for (place, of) in values.iter().enumerate() {
        for value in *of {
            by_tree
                .entry((value.tree, value.year))
                .or_insert_with(|| vec![None; values.len()])[place] = Some(value.value);
        }
    }
    let rows: Vec<_> = by_tree
        .into_iter()
        .filter_map(|((tree, year), of)| {
            let whole = of.into_iter().collect::<Option<Vec<f64>>>()?;
            let stands = &trees[tree];
            Some((
                tree,
                stands.entry,
                environment_of(stands, year, true),
                whole,
            ))
        })
        .collect();
    correlations(&rows, is_check, values.len())
}

/// Correlations of a matrix of covariances. A variance under a twentieth of that in `floor` is taken
/// as so much, as quotients by almost nothing tell nothing.
fn correlation(covariances: &[Vec<f64>], floor: Option<&[Vec<f64>]>) -> Vec<Vec<f64>> {
    let n = covariances.len();
    let variance = |t: usize| {
        let least = floor.map_or(0.0, |of| 0.05 * of[t][t]);
        covariances[t][t].max(least)
    };
    (0..n)
        .map(|i| {
            (0..n)
                .map(|j| {
                    let by = (variance(i) * variance(j)).sqrt();
                    match (i == j, by > 0.0) {
                        (true, _) => 1.0,
                        (_, true) => (covariances[i][j] / by).clamp(-0.99, 0.99),
                        _ => 0.0,
                    }
                })
                .collect()
        })
        .collect()
}

/// A matrix of covariances from variances and correlations.
pub fn covariances(variances: &[f64], correlations: &[Vec<f64>]) -> Vec<Vec<f64>> {
    variances
        .iter()
        .zip(correlations)
        .map(|(a, row)| {
            variances
                .iter()
                .zip(row)
                .map(|(b, r)| r * (a * b).sqrt())
                .collect()
        })
        .collect()
}

/// Draws the off-diagonals of a matrix towards zero by the share `by`.
pub fn shrunk(matrix: &[Vec<f64>], by: f64) -> Vec<Vec<f64>> {
    matrix
        .iter()
        .enumerate()
        .map(|(i, row)| {
            row.iter()
                .enumerate()
                .map(|(j, x)| if i == j { *x } else { x * (1.0 - by) })
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tree(entry: usize, block: i32, site: SiteId) -> GroundTree {
        GroundTree {
            id: TreeId::new(),
            number: String::new(),
            site,
            row: 1,
            column: 1,
            replicate: block,
            block,
            entry,
            rootstock: 0,
            stands: true,
        }
    }

    #[test]
    fn means_are_free_of_block_effects() {
        let site = SiteId::new();
        let trees: Vec<GroundTree> = (0..4)
            .flat_map(|e| (1..=3).map(move |b| (e, b)))
            .map(|(e, b)| tree(e, b, site))
            .collect();
        let noise = [
            0.01, -0.02, 0.01, 0.03, -0.01, -0.02, 0.0, 0.02, -0.02, -0.01, 0.02, -0.01,
        ];
        let values: Vec<TreeYear> = trees
            .iter()
            .enumerate()
            .filter(|(i, _)| *i != 3)
            .map(|(i, t)| TreeYear {
                tree: i,
                year: 2026,
                value: 10.0 + t.entry as f64 + 5.0 * f64::from(t.block) + noise[i],
                records_n: 1,
            })
            .collect();
        let figures = figure(&trees, &values, &[false; 4], &Beside::default()).unwrap();
        let mean = |entry| figures.mean_of(entry).unwrap().mean;
        let difference = mean(1) - mean(0);
        assert!((difference - 1.0).abs() < 0.05, "{difference}");
        assert!(figures.told.heritability.unwrap() > 0.99);
        assert_eq!(ranks(&figures, Better::Higher), [4, 3, 2, 1]);
        assert_eq!(ranks(&figures, Better::Lower), [1, 2, 3, 4]);
    }

    #[test]
    fn unrepeated_entries_have_no_heritability() {
        let site = SiteId::new();
        let trees: Vec<GroundTree> = (0..5).map(|e| tree(e, 1, site)).collect();
        let values: Vec<TreeYear> = (0..5)
            .map(|i| TreeYear {
                tree: i,
                year: 2026,
                value: i as f64,
                records_n: 1,
            })
            .collect();
        let figures = figure(&trees, &values, &[false; 5], &Beside::default()).unwrap();
        assert!(needs_more(&trees, &values, &[false; 5]));
        assert_eq!(figures.told.heritability, None);
        assert!(figures.told.predictions.is_empty());
        assert!(
            figures.told.method.contains("one record"),
            "{}",
            figures.told.method
        );
        assert_eq!(ranks(&figures, Better::Higher), [5, 4, 3, 2, 1]);
    }

    #[test]
    fn several_pickings_count_as_one_tree() {
        let values = by_tree_and_year([(0, 2026, 10.0), (0, 2026, 12.0), (0, 2027, 8.0)]);
        assert_eq!(values.len(), 2);
        assert_eq!((values[0].value, values[0].records_n), (11.0, 2));
    }

    #[test]
    fn correlations_part_genes_from_errors_and_years_are_no_trees() {
        let site = SiteId::new();
        let environment = |year| Environment {
            site,
            year,
            block: 0,
            rootstock: 0,
        };
        let noise = [0.3, -0.3, 0.1, -0.1, 0.2, -0.2, -0.3, 0.3, -0.1, 0.1];
        // Genes go together, errors of trees against each other.
        let row = |tree: usize, entry: usize, year| {
            let g = entry as f64;
            let e = noise[tree % 10];
            (tree, entry, environment(year), vec![g + e, 2.0 * g - e])
        };
        let rows: Vec<_> = (0..20)
            .flat_map(|tree| [2026, 2027].map(|year| row(tree, tree / 2, year)))
            .collect();
        let found = correlations(&rows, &[false; 10], 2).unwrap();
        assert!(found.genetic[0][1] > 0.98, "{:?}", found.genetic);
        assert!(found.error[0][1] < -0.98, "{:?}", found.error);
        assert!(found.notes[0].contains("10 degrees"), "{:?}", found.notes);
        // One tree each: three years of it do not tell errors from genes.
        let single: Vec<_> = (0..10)
            .flat_map(|tree| [2025, 2026, 2027].map(|year| row(tree, tree, year)))
            .collect();
        let found = correlations(&single, &[false; 10], 2).unwrap();
        assert_eq!(found.genetic, found.error);
    }
}
