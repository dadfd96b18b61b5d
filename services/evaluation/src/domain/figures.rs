//! From records to figures: values of trees, means of entries, heritability and covariances.

use std::collections::{BTreeMap, HashMap};

use biometry::anova::{self, AnovaError, EntryMeans};
use biometry::data::Frame;
use biometry::{heritability, mixed};

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
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

/// Figures of one trait in one trial.
#[derive(Debug)]
pub struct Figures {
    /// Adjusted means of the entries, which are named by their place.
    pub means: EntryMeans,
    /// Environments, in the order of `means.environments`.
    pub environments: Vec<Environment>,
    /// Place in `means.means` of each entry of the trial that has one.
    pub mean_of_entry: HashMap<usize, usize>,
    /// Share of the variance among entry means that is genetic.
    pub heritability: Option<f64>,
    /// How it was found, or why not.
    pub heritability_method: String,
    /// Genetic variance among entries under test.
    pub genetic_variance: Option<f64>,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// Most values for which heritability is found by restricted likelihood while a reader waits.
const LIKELIHOOD_VALUES: usize = 6000;

/// Adjusted means of entries from tree values; `is_check` by place of the entry.
///
/// Entries are adjusted for site, year, rootstock and block; where blocks leave entries that cannot be
/// compared, for site and year alone.
///
/// # Errors
/// No values, or one that is not finite.
pub fn figure(
    trees: &[GroundTree],
    values: &[TreeYear],
    is_check: &[bool],
) -> Result<Figures, AnovaError> {
    let (mut means, mut environments) = fit(trees, values, true)?;
    let mut notes = Vec::new();
    if means.connected_sets_n > 1 {
        let (plain, plain_environments) = fit(trees, values, false)?;
        if plain.connected_sets_n < means.connected_sets_n {
            notes.push(
                "blocks share too few entries to be adjusted for; entries are adjusted for site and year"
                    .to_owned(),
            );
            (means, environments) = (plain, plain_environments);
        }
        if means.connected_sets_n > 1 {
            notes.push(format!(
                "entries fall into {} sets that share no site and year; ranks are within each set",
                means.connected_sets_n
            ));
        }
    }
    let mean_of_entry: HashMap<usize, usize> = means
        .means
        .iter()
        .enumerate()
        .filter_map(|(place, mean)| Some((mean.entry.parse().ok()?, place)))
        .collect();
    let share = share_that_is_genetic(trees, values, is_check, &means, &mean_of_entry);
    if means.residual_df > 0 && means.residual_df < 10 {
        notes.push(format!(
            "only {} degrees of freedom for error; standard errors are rough",
            means.residual_df
        ));
    }
    Ok(Figures {
        means,
        environments,
        mean_of_entry,
        heritability: share.heritability,
        heritability_method: share.method,
        genetic_variance: share.genetic_variance,
        notes,
    })
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
    let environment = |v: &TreeYear| {
        let tree = &trees[v.tree];
        Environment {
            site: tree.site,
            year: v.year,
            block: if blocks { tree.block } else { 0 },
            rootstock: tree.rootstock,
        }
    };
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

struct Share {
    heritability: Option<f64>,
    method: String,
    genetic_variance: Option<f64>,
}

impl Share {
    fn unknown(why: &str) -> Self {
        Self {
            heritability: None,
            method: why.to_owned(),
            genetic_variance: None,
        }
    }
}

fn share_that_is_genetic(
    trees: &[GroundTree],
    values: &[TreeYear],
    is_check: &[bool],
    means: &EntryMeans,
    mean_of_entry: &HashMap<usize, usize>,
) -> Share {
    let tested: Vec<&TreeYear> = values
        .iter()
        .filter(|v| !is_check[trees[v.tree].entry])
        .collect();
    let tested_entries: Vec<usize> = mean_of_entry
        .iter()
        .filter(|(entry, _)| !is_check[**entry])
        .map(|(_, &place)| place)
        .collect();
    if tested_entries.len() < 3 {
        return Share::unknown("fewer than three entries under test have values");
    }
    let replicated = tested.len() > tested_entries.len() + 2;
    if replicated
        && tested.len() <= LIKELIHOOD_VALUES
        && let Some(share) = by_likelihood(trees, &tested)
    {
        return share;
    }
    let Some(error) = means.residual_ms.filter(|ms| *ms > 0.0) else {
        return Share::unknown(
            "nothing is repeated, so error and genetic variance cannot be told apart",
        );
    };
    let of: Vec<f64> = tested_entries
        .iter()
        .map(|&p| means.means[p].mean)
        .collect();
    let average = of.iter().sum::<f64>() / of.len() as f64;
    let among = of.iter().map(|m| (m - average).powi(2)).sum::<f64>() / (of.len() - 1) as f64;
    // A sum, not an iterator of squares of standard errors: those count the general mean twice.
    let within = tested_entries
        .iter()
        .map(|&p| error / means.means[p].n as f64)
        .sum::<f64>()
        / tested_entries.len() as f64;
    if among <= 0.0 {
        return Share::unknown("the entries' means do not differ");
    }
    let genetic = (among - within).max(0.0);
    Share {
        heritability: Some(genetic / among),
        method: format!(
            "variance among entry means less error variance over trees, error from {} degrees of freedom of what is repeated",
            means.residual_df
        ),
        genetic_variance: Some(genetic),
    }
}

fn by_likelihood(trees: &[GroundTree], tested: &[&TreeYear]) -> Option<Share> {
    let environment = |v: &TreeYear| {
        let tree = &trees[v.tree];
        format!("{}/{}/{}/{}", tree.site, v.year, tree.block, tree.rootstock)
    };
    let several = tested
        .iter()
        .any(|v| environment(v) != environment(tested[0]));
    let frame = Frame::new()
        .with_numeric(
            "value",
            tested.iter().map(|v| Some(v.value)).collect::<Vec<_>>(),
        )
        .ok()?
        .with_factor("environment", tested.iter().map(|v| Some(environment(v))))
        .ok()?
        .with_factor(
            "entry",
            tested.iter().map(|v| Some(entry_name(trees[v.tree].entry))),
        )
        .ok()?;
    let model = mixed::Model::new(if several {
        "value ~ environment"
    } else {
        "value ~ 1"
    })
    .and_then(|model| model.random("entry"))
    .ok()?;
    let fit = mixed::fit(&frame, &model).ok()?;
    let of = heritability::of_entries(&fit, "entry").ok()?;
    Some(Share {
        heritability: Some(of.cullis.unwrap_or(0.0).clamp(0.0, 1.0)),
        method:
            "generalised heritability of Cullis, Smith and Coombes (2006) by restricted likelihood"
                .to_owned(),
        genetic_variance: Some(of.genetic_variance),
    })
}

/// Ranks with 1 the best, within each connected set; equal means share a rank.
pub fn ranks(means: &EntryMeans, better: Better) -> Vec<u32> {
    let mut ranks = vec![0; means.means.len()];
    let mut order: Vec<usize> = (0..means.means.len()).collect();
    let sign = if better == Better::Lower { 1.0 } else { -1.0 };
    let key = |p: usize| (means.means[p].connected_set, sign * means.means[p].mean);
    order.sort_by(|&a, &b| {
        let (a, b) = (key(a), key(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    let mut first_of_set = 0;
    for (i, &place) in order.iter().enumerate() {
        let before = (i > 0).then(|| order[i - 1]);
        ranks[place] = match before {
            Some(b) if key(b) == key(place) => ranks[b],
            Some(b) if key(b).0 == key(place).0 => (i - first_of_set + 1) as u32,
            _ => {
                first_of_set = i;
                1
            }
        };
    }
    ranks
}

/// Phenotypic (of entry means) and genetic covariances of several traits.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariances {
    /// Covariances of entry means.
    pub phenotypic: Vec<Vec<f64>>,
    /// Genetic covariances.
    pub genetic: Vec<Vec<f64>>,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// Covariances among entries by analysis of variance of products: between entries, and within
/// entries after environments. `rows` holds one complete set of trait values for each tree and
/// year with its entry and environment; checks count towards the error alone.
///
/// None when there are fewer than three entries under test or nothing is repeated.
pub fn covariances(
    rows: &[(usize, Environment, Vec<f64>)],
    is_check: &[bool],
    traits_n: usize,
) -> Option<Covariances> {
    // Values less the mean of their environment, taken over all entries.
    let mut sums: HashMap<Environment, (Vec<f64>, f64)> = HashMap::new();
    for (_, environment, values) in rows {
        let sum = sums
            .entry(*environment)
            .or_insert_with(|| (vec![0.0; traits_n], 0.0));
        values.iter().zip(&mut sum.0).for_each(|(v, s)| *s += v);
        sum.1 += 1.0;
    }
    let centred: Vec<(usize, Vec<f64>)> = rows
        .iter()
        .map(|(entry, environment, values)| {
            let (sum, n) = &sums[environment];
            (
                *entry,
                values.iter().zip(sum).map(|(v, s)| v - s / n).collect(),
            )
        })
        .collect();
    let mut groups: BTreeMap<usize, Vec<&Vec<f64>>> = BTreeMap::new();
    for (entry, values) in &centred {
        groups.entry(*entry).or_default().push(values);
    }
    let mean_of = |group: &[&Vec<f64>]| -> Vec<f64> {
        (0..traits_n)
            .map(|t| group.iter().map(|v| v[t]).sum::<f64>() / group.len() as f64)
            .collect()
    };
    let mut within = vec![vec![0.0; traits_n]; traits_n];
    let mut within_df = -(sums.len() as f64 - 1.0);
    let mut tested: Vec<(Vec<f64>, f64)> = Vec::new();
    for (entry, group) in &groups {
        let mean = mean_of(group);
        within_df += group.len() as f64 - 1.0;
        for values in group {
            for i in 0..traits_n {
                for j in 0..traits_n {
                    within[i][j] += (values[i] - mean[i]) * (values[j] - mean[j]);
                }
            }
        }
        if !is_check[*entry] {
            tested.push((mean, group.len() as f64));
        }
    }
    if tested.len() < 3 || within_df < 1.0 {
        return None;
    }
    let n = tested.len() as f64;
    let grand: Vec<f64> = (0..traits_n)
        .map(|t| tested.iter().map(|m| m.0[t]).sum::<f64>() / n)
        .collect();
    let inverse_trees = tested.iter().map(|m| 1.0 / m.1).sum::<f64>() / n;
    let mut phenotypic = vec![vec![0.0; traits_n]; traits_n];
    let mut genetic = phenotypic.clone();
    for i in 0..traits_n {
        for j in 0..traits_n {
            let among = tested
                .iter()
                .map(|m| (m.0[i] - grand[i]) * (m.0[j] - grand[j]))
                .sum::<f64>()
                / (n - 1.0);
            phenotypic[i][j] = among;
            genetic[i][j] = among - within[i][j] / within_df * inverse_trees;
        }
    }
    let mut notes = vec![format!(
        "covariances estimated from {} entries under test, error from {within_df:.0} degrees of freedom",
        tested.len()
    )];
    for t in 0..traits_n {
        let least = 0.01 * phenotypic[t][t];
        if genetic[t][t] < least {
            notes.push(format!(
                "trait {} shows no genetic variance; 1 % of the phenotypic was taken",
                t + 1
            ));
            genetic[t][t] = least;
        }
    }
    Some(Covariances {
        phenotypic,
        genetic,
        notes,
    })
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
        let figures = figure(&trees, &values, &[false; 4]).unwrap();
        let difference = figures.means.means[1].mean - figures.means.means[0].mean;
        assert!((difference - 1.0).abs() < 0.05, "{difference}");
        assert!(figures.heritability.unwrap() > 0.99);
        assert_eq!(ranks(&figures.means, Better::Higher), [4, 3, 2, 1]);
        assert_eq!(ranks(&figures.means, Better::Lower), [1, 2, 3, 4]);
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
        let figures = figure(&trees, &values, &[false; 5]).unwrap();
        assert_eq!(figures.heritability, None);
        assert!(figures.heritability_method.contains("repeated"));
    }

    #[test]
    fn several_pickings_count_as_one_tree() {
        let values = by_tree_and_year([(0, 2026, 10.0), (0, 2026, 12.0), (0, 2027, 8.0)]);
        assert_eq!(values.len(), 2);
        assert_eq!((values[0].value, values[0].records_n), (11.0, 2));
    }

    #[test]
    fn covariances_part_genes_from_error() {
        let site = SiteId::new();
        let environment = Environment {
            site,
            year: 2026,
            block: 0,
            rootstock: 0,
        };
        let noise = [0.3, -0.3, 0.1, -0.1, 0.2, -0.2, -0.3, 0.3, -0.1, 0.1];
        let rows: Vec<_> = (0..10)
            .map(|i| {
                let g = (i / 2) as f64;
                (i / 2, environment, vec![g + noise[i], 2.0 * g - noise[i]])
            })
            .collect();
        let found = covariances(&rows, &[false; 5], 2).unwrap();
        assert!(
            (found.genetic[0][0] - 2.5).abs() < 0.1,
            "{:?}",
            found.genetic
        );
        assert!(
            (found.genetic[0][1] - 5.0).abs() < 0.1,
            "{:?}",
            found.genetic
        );
    }
}
