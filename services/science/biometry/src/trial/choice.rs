//! Which model a trial's design can carry.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::Trial;

/// Degrees of freedom that an interaction needs for a term of its own.
const FEWEST_DF: usize = 10;
/// Repeats by which entries are told from trees, or trees from errors.
const FEWEST_REPEATS: usize = 4;
/// Trees beyond the first of each entry under which earlier trials are heard as well.
const FEW_TREES: usize = 40;
/// Records that each site or site and year needs for an error variance of its own.
const RECORDS_OF_AN_ERROR: usize = 60;
/// Sites and years with error variances of their own, at most.
const MOST_ERRORS: usize = 8;
/// Trees that a site needs for smooth trends over its ground.
const TREES_OF_A_TREND: usize = 150;
/// Rows, or places in the rows, that a smooth trend needs.
const PLACES_OF_A_TREND: usize = 10;
/// Records for each environment below which replicates are not part of it.
const RECORDS_OF_AN_ENVIRONMENT: usize = 2;
/// Records beyond environments and entries that replicates must leave for the error.
const LEFT_FOR_ERROR: usize = 2;
/// Entries that relatives need to be told apart by.
const FEWEST_RELATED: usize = 40;

/// What a design cannot tell apart from the entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Confounded {
    /// Nothing.
    #[default]
    Nothing,
    /// The trees: each entry has one, looked at in several years.
    Trees,
    /// The trees and the error: each entry has one record.
    Records,
}

/// Along what a trend over a site's ground is smooth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Axis {
    /// Along the rows' numbers.
    Row,
    /// Along the places in a row.
    Column,
}

/// How error variances differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Errors {
    /// They do not.
    #[default]
    One,
    /// One for each site.
    BySite,
    /// One for each site and year.
    BySiteAndYear,
}

/// The terms of a model.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Choice {
    /// Whether there are several environments, and whether replicates are part of them.
    pub environments: bool,
    /// Replicates are told apart within sites and years.
    pub replicates: bool,
    /// Rootstocks are told apart.
    pub rootstocks: bool,
    /// Checks stand apart from the entries under test.
    pub checks: bool,
    /// A term of the entries under test.
    pub entry: bool,
    /// Entries are taken as related.
    pub related: bool,
    /// A lasting term of each tree.
    pub tree: bool,
    /// Entries differ from site to site.
    pub entry_site: bool,
    /// Entries differ from year to year.
    pub entry_year: bool,
    /// Entries differ from site to site and year to year.
    pub entry_site_year: bool,
    /// Incomplete blocks.
    pub block: bool,
    /// Smooth trends, by axis and site.
    pub trends: Vec<(Axis, usize)>,
    /// Error variances.
    pub errors: Errors,
    /// What cannot be told from the entries.
    pub confounded: Confounded,
    /// Whether what it can tell is so little that shares from earlier trials count beside it.
    pub hears_past: bool,
    /// Sites.
    pub sites_n: usize,
    /// Years.
    pub years_n: usize,
}

/// Counts of records and trees by groups.
fn groups<K: Ord>(of: impl Iterator<Item = (K, usize)>) -> BTreeMap<K, BTreeSet<usize>> {
    let mut groups: BTreeMap<K, BTreeSet<usize>> = BTreeMap::new();
    for (key, item) in of {
        groups.entry(key).or_default().insert(item);
    }
    groups
}

/// Members beyond the first of each group.
fn beyond<K>(groups: &BTreeMap<K, BTreeSet<usize>>) -> usize {
    groups.values().map(|members| members.len() - 1).sum()
}

impl Choice {
    /// The model that the design of a trial can carry.
    #[must_use]
    pub fn of(trial: &Trial<'_>) -> Self {
        let values = trial.values;
        let tree = |record: usize| &trial.trees[values[record].tree];
        let year = |record: usize| values[record].year;
        let records = || 0..values.len();
        let is_check = |record: usize| trial.is_check[tree(record).entry];
        let sites: BTreeSet<usize> = records().map(|r| tree(r).site).collect();
        let years: BTreeSet<i16> = records().map(year).collect();
        let tested: BTreeSet<usize> = records()
            .filter(|&r| !is_check(r))
            .map(|r| tree(r).entry)
            .collect();
        let several = |n: usize| n > 1;

        let trees_of_entry = groups(records().map(|r| (tree(r).entry, values[r].tree)));
        let trees_of_cell =
            groups(records().map(|r| ((tree(r).entry, tree(r).site), values[r].tree)));
        let records_of_tree = groups(records().map(|r| (values[r].tree, r)));
        let records_of_entry = groups(records().map(|r| (tree(r).entry, r)));
        let sites_of_entry = groups(records().map(|r| (tree(r).entry, tree(r).site)));
        let years_of_entry = groups(records().map(|r| (tree(r).entry, year(r) as usize)));
        let records_of_cell = groups(records().map(|r| ((tree(r).entry, tree(r).site), r)));
        let records_of_year = groups(records().map(|r| ((tree(r).entry, year(r)), r)));
        let records_of_both =
            groups(records().map(|r| ((tree(r).entry, tree(r).site, year(r)), r)));
        let enough = |df: usize| df >= FEWEST_DF;

        let replicates_n = beyond(&trees_of_entry);
        let replicated = replicates_n >= FEWEST_REPEATS;
        let repeated = beyond(&records_of_tree) >= FEWEST_REPEATS;
        let crossing_sites = several(sites.len()) && enough(beyond(&sites_of_entry));
        let crossing_years = several(years.len()) && enough(beyond(&years_of_entry));
        let entry_site = crossing_sites && enough(beyond(&records_of_cell));
        let entry_year = crossing_years && enough(beyond(&records_of_year));
        // A tree within its entry (and site) is told from what lasts of the entry there by further
        // trees, and from error by further years.
        let tree_term = repeated && replicated && (!entry_site || enough(beyond(&trees_of_cell)));
        let entry_site_year =
            crossing_sites && crossing_years && entry_site && enough(beyond(&records_of_both));

        // Checks in several trees tell what is lasting of trees, relatives what is the entries'.
        let of_tested: usize = tested.iter().map(|e| trees_of_entry[e].len() - 1).sum();
        let related = trial.relatives.is_some_and(|relatives| {
            of_tested < FEWEST_REPEATS && relatives_tell(relatives, &tested)
        });
        let is_told = beyond(&records_of_entry) >= FEWEST_REPEATS || related;
        let confounded = match (replicated || related, repeated) {
            (true, _) => Confounded::Nothing,
            (false, true) => Confounded::Trees,
            (false, false) => Confounded::Records,
        };
        let checks: BTreeSet<usize> = records()
            .filter(|&r| is_check(r))
            .map(|r| tree(r).entry)
            .collect();
        let mut choice = Self {
            checks: !checks.is_empty() && (!tested.is_empty() || checks.len() > 1),
            entry: tested.len() >= 3 && is_told && confounded != Confounded::Records,
            related,
            tree: tree_term || (related && repeated),
            entry_site,
            entry_year,
            entry_site_year,
            confounded,
            hears_past: related || (replicated && replicates_n < FEW_TREES),
            sites_n: sites.len(),
            years_n: years.len(),
            ..Self::default()
        };
        choice.place(trial, &tested);
        choice
    }

    /// Terms of the ground and of error.
    fn place(&mut self, trial: &Trial<'_>, tested: &BTreeSet<usize>) {
        let values = trial.values;
        let tree = |record: usize| &trial.trees[values[record].tree];
        let records = || 0..values.len();
        let at = |r: usize| (tree(r).site, values[r].year);
        let sections = groups(records().map(|r| (at(r), r)));
        let cells: BTreeSet<_> = records().map(|r| (at(r), tree(r).replicate)).collect();
        self.replicates = cells.len() > sections.len()
            && values.len() >= RECORDS_OF_AN_ENVIRONMENT * cells.len()
            && values.len() >= cells.len() + tested.len() + LEFT_FOR_ERROR;
        self.environments = sections.len() > 1 || self.replicates;
        let stocks_of = groups(records().map(|r| (at(r), tree(r).rootstock)));
        self.rootstocks = stocks_of.values().any(|stocks| stocks.len() > 1);
        let blocks: BTreeSet<_> = records()
            .map(|r| (tree(r).site, tree(r).replicate, tree(r).block))
            .collect();
        let replicates: BTreeSet<_> = records()
            .map(|r| (tree(r).site, tree(r).replicate))
            .collect();
        let whole = if self.replicates {
            replicates.len()
        } else {
            self.sites_n
        };
        self.block = blocks.len() >= whole + 4 && values.len() >= 2 * blocks.len();

        let of_site = groups(records().map(|r| (tree(r).site, r)));
        let free = values.len().saturating_sub(tested.len());
        let all_have = |groups: usize, least: usize| {
            (2..=MOST_ERRORS).contains(&groups)
                && least >= RECORDS_OF_AN_ERROR
                && free >= RECORDS_OF_AN_ERROR / 2 * groups
        };
        let least = |sizes: Vec<usize>| sizes.into_iter().min().unwrap_or(0);
        let by_section = least(sections.values().map(BTreeSet::len).collect());
        let by_site = least(of_site.values().map(BTreeSet::len).collect());
        self.errors = if all_have(sections.len(), by_section) {
            Errors::BySiteAndYear
        } else if all_have(of_site.len(), by_site) {
            Errors::BySite
        } else {
            Errors::One
        };

        for (&site, records) in &of_site {
            let trees: BTreeSet<usize> = records.iter().map(|&r| values[r].tree).collect();
            if trees.len() < TREES_OF_A_TREND {
                continue;
            }
            let rows: BTreeSet<i32> = trees.iter().map(|&t| trial.trees[t].row).collect();
            let columns: BTreeSet<i32> = trees.iter().map(|&t| trial.trees[t].column).collect();
            for (axis, places) in [(Axis::Row, rows), (Axis::Column, columns)] {
                if places.len() >= PLACES_OF_A_TREND {
                    self.trends.push((axis, site));
                }
            }
        }
    }

    /// Simpler models, to be tried in turn when this one cannot be fitted, each with what it gives
    /// up.
    #[must_use]
    pub fn simpler(&self) -> Option<(Self, &'static str)> {
        let mut next = self.clone();
        let given_up = if !next.trends.is_empty() {
            next.trends.clear();
            "trends over the ground"
        } else if next.errors != Errors::One {
            next.errors = Errors::One;
            "error variances of each site and year"
        } else if next.entry_site_year {
            next.entry_site_year = false;
            "entry × site × year"
        } else if next.block {
            next.block = false;
            "incomplete blocks"
        } else if next.entry_year {
            next.entry_year = false;
            "entry × year"
        } else if next.replicates {
            next.replicates = false;
            next.environments = next.sites_n > 1 || next.years_n > 1;
            "replicates"
        } else {
            return None;
        };
        Some((next, given_up))
    }

    /// The model in words.
    #[must_use]
    pub fn words(&self) -> String {
        let mut random: Vec<&str> = Vec::new();
        match (self.entry, self.confounded) {
            (true, Confounded::Trees) => random.push("entry together with its tree"),
            (true, _) if self.related => random.push("entry by pedigree"),
            (true, _) => random.push("entry"),
            (false, _) => {}
        }
        let terms = [
            (self.tree, "tree"),
            (self.entry_site, "entry × site"),
            (self.entry_year, "entry × year"),
            (self.entry_site_year, "entry × site × year"),
            (self.block, "incomplete block"),
            (
                !self.trends.is_empty(),
                "smooth trends along rows and columns",
            ),
        ];
        random.extend(terms.into_iter().filter(|t| t.0).map(|t| t.1));
        let mut fixed = Vec::new();
        if self.environments {
            fixed.push(
                match (self.sites_n > 1, self.years_n > 1, self.replicates) {
                    (true, true, true) => "site, year and replicate",
                    (true, true, false) => "site and year",
                    (true, false, true) => "site and replicate",
                    (true, false, false) => "site",
                    (false, true, true) => "year and replicate",
                    (false, true, false) => "year",
                    (false, false, _) => "replicate",
                },
            );
        }
        if self.rootstocks {
            fixed.push("rootstock");
        }
        if self.checks {
            fixed.push("checks");
        }
        let errors = match self.errors {
            Errors::One => "one error variance",
            Errors::BySite => "an error variance for each site",
            Errors::BySiteAndYear => "an error variance for each site and year",
        };
        let or_none = |list: Vec<&str>| {
            if list.is_empty() {
                "nothing".to_owned()
            } else {
                list.join(", ")
            }
        };
        format!(
            "random: {}; fixed: {}; {errors}",
            or_none(random),
            or_none(fixed)
        )
    }
}

/// Whether relatives among the entries can tell entries from their trees: enough of them, several
/// of which share parents while others do not.
fn relatives_tell(relatives: &super::Relatives, tested: &BTreeSet<usize>) -> bool {
    let levels: BTreeSet<&str> = tested
        .iter()
        .filter_map(|&entry| relatives.level_of[entry].as_deref())
        .collect();
    if levels.len() < FEWEST_RELATED || levels.len() < tested.len() {
        return false;
    }
    // Off-diagonal places of the inverse join a plant with its parents and the parents of one
    // plant: several plants on one parent are sibs.
    let places = relatives.relationship.levels();
    let mut offspring: BTreeMap<usize, usize> = BTreeMap::new();
    for &(i, j, value) in relatives.relationship.lower() {
        if i != j && value < 0.0 {
            for (plant, parent) in [(i, j), (j, i)] {
                if levels.contains(places[plant].as_str()) {
                    *offspring.entry(parent).or_default() += 1;
                }
            }
        }
    }
    offspring.values().filter(|n| **n >= 3).count() >= 5
}

#[cfg(test)]
mod tests {
    use super::super::simulated::{Kind, simulate};
    use super::super::{Past, Tree, Value, figures};
    use super::*;

    #[test]
    fn every_kind_of_trial_has_the_terms_that_it_can_tell() {
        let words = |kind| Choice::of(&simulate(kind, 1).trial()).words();
        assert_eq!(
            words(Kind::OwnRootThreeYears),
            "random: entry together with its tree; fixed: year; an error variance for each site and year"
        );
        assert_eq!(
            Choice::of(&simulate(Kind::OwnRootOneYear, 1).trial()).confounded,
            Confounded::Records
        );
        let budded = words(Kind::Budded);
        assert!(
            budded.starts_with("random: entry, tree, entry × year"),
            "{budded}"
        );
        assert!(budded.contains("fixed: year and replicate"), "{budded}");
        let sites = words(Kind::MultiSite);
        for term in [
            "entry × site",
            "entry × year",
            "entry × site × year",
            "checks",
        ] {
            assert!(sites.contains(term), "{term}: {sites}");
        }
        assert!(words(Kind::SibsWithPedigree).starts_with("random: entry by pedigree, tree"));
    }

    #[test]
    fn nothing_is_told_of_single_trees_without_relatives_or_earlier_trials() {
        let mut simulated = simulate(Kind::OwnRootThreeYears, 2);
        simulated.past = Past::default();
        let told = figures(&simulated.trial(), 1).unwrap();
        assert!(told.predictions.is_empty() && told.true_values.draws.is_empty());
        assert_eq!(told.heritability, None);
        assert!(told.repeatability.unwrap() > 0.2);
        assert!(told.method.contains("upper bound"), "{}", told.method);
        assert_eq!(told.means.len(), 100);
        let source = simulate(Kind::OwnRootThreeYears, 2);
        let told = figures(&source.trial(), 1).unwrap();
        assert!(
            told.method.contains("six earlier trials"),
            "{}",
            told.method
        );
        assert!(told.heritability.unwrap() < told.repeatability.unwrap());
    }

    #[test]
    fn too_few_entries_have_means_and_no_ranking_by_chance() {
        let trees: Vec<Tree> = (0..6)
            .map(|k| Tree {
                entry: k / 3,
                site: 0,
                replicate: 1,
                block: 1,
                rootstock: 0,
                row: 1,
                column: k as i32,
            })
            .collect();
        let values: Vec<Value> = (0..6)
            .map(|k| Value {
                tree: k,
                year: 2026,
                value: (k * k % 5) as f64,
            })
            .collect();
        let told = |is_check: &[bool]| {
            let past = Past::default();
            figures(
                &Trial {
                    trees: &trees,
                    values: &values,
                    is_check,
                    relatives: None,
                    past: &past,
                },
                1,
            )
            .unwrap()
        };
        for is_check in [[false, false], [false, true], [true, true]] {
            let told = told(&is_check);
            assert_eq!(told.means.len(), 2, "{is_check:?}");
            assert!(told.method.contains("fewer than three"), "{}", told.method);
            assert!(told.predictions.is_empty());
        }
    }
}
