//! Analysis of variance, augmented designs and genotype by environment against published and
//! independently computed values; and what every generated layout must satisfy.

use biometry::anova::{AnovaTable, EntryMeans, Record, Term, anova, anova_in_strata, entry_means};
use biometry::augmented;
use biometry::designs::{Design, DesignError, Layout, Nearest, TrialPlan, connected_sets, lay_out};
use biometry::gxe::{Biplot, Table};
use cases::{Case, Json};
use outside_checks::{read_case_file, read_further_case_file};
use std::collections::{BTreeMap, BTreeSet};

#[path = "biometry/cases.rs"]
pub(crate) mod cases;

fn keys(object: &Json) -> Vec<&str> {
    object.pairs().iter().map(|(k, _)| k.as_str()).collect()
}

/// Compares an object of numbers by name.
fn compare_named(
    case: &mut Case,
    what: &str,
    found: impl Fn(&str) -> Option<f64>,
    expected: &Json,
) {
    for (name, value) in expected.pairs() {
        case.value(format!("{what} of {name}"), found(name), value);
    }
}

/// A data file by columns.
struct Data {
    columns: Vec<(String, Vec<String>)>,
    response: Vec<f64>,
    response_name: String,
}

impl Data {
    fn read(case: &Case) -> Data {
        let text = read_case_file(&format!("biometry/{}", case.json.need("data").text()));
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let names: Vec<String> = reader
            .headers()
            .expect("headers")
            .iter()
            .map(str::to_owned)
            .collect();
        let mut columns: Vec<(String, Vec<String>)> =
            names.into_iter().map(|name| (name, Vec::new())).collect();
        for row in reader.records() {
            for (column, cell) in columns.iter_mut().zip(row.expect("a row").iter()) {
                column.1.push(cell.to_owned());
            }
        }
        let numeric = |cells: &[String]| cells.iter().all(|c| c.parse::<f64>().is_ok());
        // The response goes by its usual name, or else is the last column of numbers.
        let at = columns
            .iter()
            .position(|c| ["yield", "value", "response"].contains(&c.0.as_str()))
            .or_else(|| columns.iter().rposition(|c| numeric(&c.1)))
            .expect("a column of numbers");
        let (response_name, cells) = columns.remove(at);
        let response = cells.iter().map(|c| c.parse().expect("a number")).collect();
        Data {
            columns,
            response,
            response_name,
        }
    }

    fn column(&self, name: &str) -> &[String] {
        let found = self.columns.iter().find(|c| c.0 == name);
        &found
            .unwrap_or_else(|| panic!("no column `{name}` beside `{}`", self.response_name))
            .1
    }

    fn term(&self, name: &str) -> Term {
        let factors: Vec<Term> = name
            .split(':')
            .map(|part| Term::factor(part, self.column(part)))
            .collect();
        Term::crossing(&factors.iter().collect::<Vec<_>>())
    }

    /// The column whose levels are all of `names`, or more.
    fn column_with(&self, names: &[&str]) -> &[String] {
        let holds = |cells: &[String]| {
            let levels: BTreeSet<&str> = cells.iter().map(String::as_str).collect();
            names.iter().all(|name| levels.contains(name))
        };
        let found = self.columns.iter().find(|c| holds(&c.1));
        &found
            .unwrap_or_else(|| panic!("no column holds {names:?}"))
            .1
    }

    /// Factors that could serve in a two-way model, and their crossings.
    fn environments(&self, entry: &[String]) -> Vec<Vec<String>> {
        let plain: Vec<&Vec<String>> = self
            .columns
            .iter()
            .map(|c| &c.1)
            .filter(|cells| {
                cells.as_slice() != entry
                    && cells.iter().collect::<BTreeSet<_>>().len() < cells.len()
            })
            .collect();
        let mut found: Vec<Vec<String>> = plain.iter().map(|c| (*c).clone()).collect();
        for (i, a) in plain.iter().enumerate() {
            for b in &plain[..i] {
                found.push(b.iter().zip(*a).map(|(b, a)| format!("{b}|{a}")).collect());
            }
        }
        found
    }

    /// Entry means of the two-way model that leaves `df` degrees of freedom.
    fn two_way(&self, entry: &[String], df: usize) -> Option<EntryMeans> {
        self.environments(entry)
            .into_iter()
            .find_map(|environment| {
                let records: Vec<Record> = (0..entry.len())
                    .map(|i| Record {
                        entry: &entry[i],
                        environment: &environment[i],
                        value: Some(self.response[i]),
                    })
                    .collect();
                entry_means(&records)
                    .ok()
                    .filter(|found| found.residual_df == df)
            })
    }
}

fn check_table(case: &mut Case, name: &str, table: &AnovaTable, expected: &Json) {
    for (term, row) in expected.pairs() {
        let what = |column: &str| format!("{name}, {term}, {column}");
        if term == "Residuals" {
            let residual = table.residual;
            case.number(what("df"), residual.df as f64, row.need("df").number());
            case.number(what("ss"), residual.ss, row.need("ss").number());
            case.value(what("ms"), residual.ms, row.need("ms"));
            continue;
        }
        let Some(found) = table.rows.iter().find(|r| r.term == *term) else {
            case.fault(format!("{name} has no row {term}"));
            continue;
        };
        case.number(what("df"), found.df as f64, row.need("df").number());
        case.number(what("ss"), found.ss, row.need("ss").number());
        case.number(what("ms"), found.ms, row.need("ms").number());
        case.value(what("F"), found.f, row.need("f"));
        case.value(what("p"), found.p, row.need("p"));
    }
    let terms_n = expected
        .pairs()
        .iter()
        .filter(|(k, _)| k != "Residuals")
        .count();
    if table.rows.len() != terms_n {
        case.fault(format!(
            "{name} has {} terms, not {terms_n}",
            table.rows.len()
        ));
    }
}

fn check_anova(case: &mut Case) {
    let data = Data::read(case);
    let expected = case.expected();
    let stratum_of = |key: &str| key.strip_prefix("Error: ").map(str::to_owned);

    let strata: Vec<String> = keys(&expected)
        .iter()
        .filter_map(|k| stratum_of(k))
        .collect();
    if !strata.is_empty() {
        let mut names: Vec<&str> = Vec::new();
        for (_, table) in expected.pairs() {
            names.extend(keys(table));
        }
        let mut seen = BTreeSet::from(["Residuals"]);
        names.retain(|name| seen.insert(name));
        // Main effects go before their interactions, as in any model.
        names.sort_by_key(|name| name.matches(':').count());
        let terms: Vec<Term> = names.iter().map(|name| data.term(name)).collect();
        let errors: Vec<Term> = strata
            .iter()
            .filter(|s| *s != "Within")
            .map(|s| data.term(s))
            .collect();
        let found = anova_in_strata(&data.response, &terms, &errors).expect("an analysis");
        for (key, table) in expected.pairs() {
            let Some(name) = stratum_of(key) else {
                continue;
            };
            match found.iter().find(|s| s.name == name) {
                Some(stratum) => check_table(case, &name, &stratum.table, table),
                None => case.fault(format!("no stratum {name}")),
            }
        }
    }

    let mut df = expected.get("df_resid").map(Json::number);
    for (key, table) in expected.pairs() {
        if key.starts_with("anova") {
            let terms: Vec<Term> = keys(table)
                .iter()
                .filter(|k| **k != "Residuals")
                .map(|name| data.term(name))
                .collect();
            let found = anova(&data.response, &terms).expect("an analysis");
            check_table(case, key, &found, table);
            df = df.or_else(|| table.get("Residuals").map(|r| r.need("df").number()));
        }
    }

    // Everything else belongs to a two-way model of entries, known by its residual df.
    let entry_names = ["adjusted_mean", "mean"]
        .iter()
        .find_map(|k| expected.get(k))
        .or_else(|| expected.get("emmeans").map(|e| e.need("mean")));
    let entry: Vec<String> = match entry_names {
        Some(names) => data.column_with(&keys(names)).to_vec(),
        None if data.columns.iter().any(|c| c.0 == "gen") => data.column("gen").to_vec(),
        None => data.columns[0].1.clone(),
    };
    let two_way = df.and_then(|df| data.two_way(&entry, df as usize));
    for (key, value) in expected.pairs() {
        if stratum_of(key).is_some() || key.starts_with("anova") || key == "checks" {
            continue;
        }
        if key == "n" {
            case.number("n", data.response.len() as f64, value.number());
            continue;
        }
        let Some(found) = &two_way else {
            case.fault(format!("no two-way model leaves {df:?} df for `{key}`"));
            continue;
        };
        check_means(case, found, key, value);
    }
}

fn check_means(case: &mut Case, found: &EntryMeans, key: &str, value: &Json) {
    let at = |name: &str| found.means.iter().position(|m| m.entry == name);
    let mean = |name: &str| at(name).map(|i| found.means[i].mean);
    let se = |name: &str| at(name).and_then(|i| found.means[i].se);
    let alpha = |prefix: &str| {
        let digits = key.strip_prefix(prefix)?;
        format!("0.{digits}").parse::<f64>().ok()
    };
    match key {
        "residual_ms" | "sigma2" => case.value(key, found.residual_ms, value),
        "df_resid" => case.number(key, found.residual_df as f64, value.number()),
        "cv_percent" => case.value(key, found.cv_percent, value),
        "grand_mean" => case.number(key, found.grand_mean, value.number()),
        "mean" | "adjusted_mean" => compare_named(case, key, mean, value),
        "adjusted_mean_se" => compare_named(case, key, se, value),
        "sed" => case.value(key, found.mean_sed, value),
        "emmeans" => {
            compare_named(case, "mean", mean, value.need("mean"));
            case.number("df", found.residual_df as f64, value.need("df").number());
            match value.need("se") {
                Json::Number(common) => {
                    for m in &found.means {
                        case.value(format!("se of {}", m.entry), m.se, &Json::Number(*common));
                    }
                }
                named => compare_named(case, "se", se, named),
            }
        }
        "tukey_p" => {
            for (pair, p) in value.pairs() {
                let places = pair.split_once(" - ").and_then(|(a, b)| at(a).zip(at(b)));
                let p_found = places.and_then(|(i, k)| found.tukey_p(i, k));
                case.value(format!("tukey_p of {pair}"), p_found, p);
            }
        }
        "sed_distinct" => {
            let n = found.means.len();
            let mut all: Vec<f64> = (0..n)
                .flat_map(|i| (0..i).filter_map(move |k| found.sed(i, k)))
                .collect();
            all.sort_by(f64::total_cmp);
            all.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
            case.numbers(key, &all, value);
        }
        _ if alpha("lsd").is_some() => {
            case.value(key, alpha("lsd").and_then(|a| found.lsd(a)), value);
        }
        _ if alpha("tukey_hsd").is_some() => {
            case.value(
                key,
                alpha("tukey_hsd").and_then(|a| found.tukey_hsd(a)),
                value,
            );
        }
        _ => case.unknown(key),
    }
}

fn check_augmented(case: &mut Case) {
    let data = Data::read(case);
    let expected = case.expected();
    let blocks = data.column_with(&keys(expected.need("block_effect")));
    let entries = data.column_with(&keys(expected.need("adjusted_mean")));
    let plots: Vec<augmented::Plot> = (0..data.response.len())
        .map(|i| augmented::Plot {
            block: &blocks[i],
            entry: &entries[i],
            value: data.response[i],
        })
        .collect();
    let checks: Vec<&str> = case
        .json
        .need("checks")
        .list()
        .iter()
        .map(Json::text)
        .collect();
    let found = match augmented::analyse(&plots, &checks) {
        Ok(found) => found,
        Err(error) => return case.fault(error),
    };
    for (key, value) in expected.pairs() {
        match key.as_str() {
            "block_effect" => {
                let effects: BTreeMap<_, _> = found.block_effects.iter().cloned().collect();
                compare_named(case, key, |name| effects.get(name).copied(), value);
            }
            "adjusted_mean" => {
                let of = |name: &str| found.means.iter().find(|m| m.entry == name).map(|m| m.mean);
                compare_named(case, key, of, value);
            }
            "residual_ms" => case.number(key, found.residual_ms, value.number()),
            "df" => case.number(key, found.residual_df as f64, value.number()),
            "sed" => {
                let of = |name: &str| match name {
                    "two_checks" => Some(found.sed.two_checks),
                    "new_same_block" => Some(found.sed.entries_of_one_block),
                    "new_different_block" => Some(found.sed.entries_of_different_blocks),
                    "new_vs_check" => Some(found.sed.entry_and_check),
                    _ => None,
                };
                compare_named(case, key, of, value);
            }
            _ => case.unknown(key),
        }
    }
}

fn check_gxe(case: &mut Case) {
    let data = Data::read(case);
    let expected = case.expected();
    let names = |key: &str| -> Vec<String> {
        expected
            .need(key)
            .list()
            .iter()
            .map(|n| n.text().to_owned())
            .collect()
    };
    let column = |key: &str| {
        data.column_with(&names(key).iter().map(String::as_str).collect::<Vec<_>>())
            .to_vec()
    };
    let (genotype, environment) = (column("genotypes"), column("environments"));
    let records: Vec<(&str, &str, f64)> = (0..data.response.len())
        .map(|i| {
            (
                genotype[i].as_str(),
                environment[i].as_str(),
                data.response[i],
            )
        })
        .collect();
    let table = match Table::from_records(&records) {
        Ok(table) => table,
        Err(error) => return case.fault(error),
    };
    let in_order = |names: &[String], values: Vec<f64>| -> BTreeMap<String, f64> {
        names.iter().cloned().zip(values).collect()
    };
    let by_genotype = |values: Vec<f64>| in_order(table.genotypes(), values);
    let by_environment = |values: Vec<f64>| in_order(table.environments(), values);
    let stability = table.stability();
    for (key, value) in expected.pairs() {
        let named = |case: &mut Case, what: &str, found: BTreeMap<String, f64>, value: &Json| {
            compare_named(case, what, |name| found.get(name).copied(), value);
        };
        match key.as_str() {
            "genotypes" | "environments" => {
                let found = if key == "genotypes" {
                    table.genotypes()
                } else {
                    table.environments()
                };
                if found.iter().collect::<BTreeSet<_>>() != names(key).iter().collect() {
                    case.fault(format!("{key} are {found:?}"));
                }
            }
            "grand_mean" => case.number(key, table.grand_mean(), value.number()),
            "genotype_mean" => named(case, key, by_genotype(table.genotype_means()), value),
            "environment_index" => {
                named(
                    case,
                    key,
                    by_environment(table.environment_indices()),
                    value,
                );
            }
            "ss" => {
                let ss = table.sums_of_squares();
                let of = |name: &str| match name {
                    "genotype" => Some(ss.genotype),
                    "environment" => Some(ss.environment),
                    "interaction" => Some(ss.interaction),
                    "total" => Some(ss.total),
                    "heterogeneity_of_regressions" => Some(ss.heterogeneity_of_regressions),
                    _ => None,
                };
                compare_named(case, key, of, value);
            }
            "finlay_wilkinson" => {
                for (measure, value) in value.pairs() {
                    let of = |s: &biometry::gxe::Stability| match measure.as_str() {
                        "slope" => s.regression.slope,
                        "intercept" => s.regression.intercept,
                        "deviation_ss" => s.regression.deviation_ss,
                        "deviation_ms" => s.regression.deviation_ms,
                        "r_squared" => s.regression.r_squared.unwrap_or(f64::NAN),
                        "slope_se" => s.regression.slope_se,
                        _ => f64::NAN,
                    };
                    named(
                        case,
                        measure,
                        by_genotype(stability.iter().map(of).collect()),
                        value,
                    );
                }
            }
            "wricke_ecovalence" => {
                let found = stability.iter().map(|s| s.wricke_ecovalence).collect();
                named(case, key, by_genotype(found), value);
            }
            "shukla_variance" => {
                let found = stability.iter().map(|s| s.shukla_variance).collect();
                named(case, key, by_genotype(found), value);
            }
            "ammi" => {
                let ammi = table.ammi();
                for (part, value) in value.pairs() {
                    if part == "gollob_df" {
                        let df: Vec<f64> = ammi.gollob_df.iter().map(|d| *d as f64).collect();
                        case.numbers(part, &df, value);
                    } else if let Some(axes) = part
                        .strip_prefix("ammi")
                        .and_then(|p| p.strip_suffix("_fitted"))
                    {
                        let fitted = ammi.fitted(axes.parse().expect("a number of axes"));
                        for (genotype, row) in value.pairs() {
                            let at = table.genotypes().iter().position(|g| g == genotype);
                            let row_found = at.map(|i| fitted[i].clone()).unwrap_or_default();
                            let what = format!("{part} of {genotype}");
                            named(case, &what, by_environment(row_found), row);
                        }
                    } else {
                        check_biplot(case, &table, &ammi.biplot, part, value);
                    }
                }
            }
            "gge" => {
                let gge = table.gge();
                for (part, value) in value.pairs() {
                    check_biplot(case, &table, &gge, part, value);
                }
            }
            _ => case.unknown(key),
        }
    }
}

fn check_biplot(case: &mut Case, table: &Table, biplot: &Biplot, part: &str, value: &Json) {
    let axes = &biplot.axes;
    let column = |of: fn(&biometry::gxe::Axis) -> f64| axes.iter().map(of).collect::<Vec<_>>();
    match part {
        "singular_values" => case.numbers(part, &column(|a| a.singular_value), value),
        "ss" => case.numbers(part, &column(|a| a.ss), value),
        "percent" => case.numbers(part, &column(|a| a.percent), value),
        _ => {
            // Scores of one axis: the digits at the end are its number. Signs are free.
            let digits = part.trim_start_matches(|c: char| !c.is_ascii_digit());
            let axis = digits
                .parse::<usize>()
                .ok()
                .and_then(|k| axes.get(k.wrapping_sub(1)));
            let (names, scores) = match axis {
                Some(axis) if part.starts_with("abs_genotype") => {
                    (table.genotypes(), &axis.genotype_scores)
                }
                Some(axis) if part.starts_with("abs_environment") => {
                    (table.environments(), &axis.environment_scores)
                }
                _ => return case.unknown(part),
            };
            let of = |name: &str| {
                names
                    .iter()
                    .position(|n| n == name)
                    .map(|i| scores[i].abs())
            };
            compare_named(case, part, of, value);
        }
    }
}

/// What must hold for every layout; faults are described.
fn unsound(plan: &TrialPlan, layout: &Layout) -> Vec<String> {
    let mut faults = Vec::new();
    let mut demand = |holds: bool, what: &str| {
        if !holds {
            faults.push(format!("{:?}, seed {}: {what}", plan.design, plan.seed));
        }
    };
    let plots = &layout.plots;
    let places: BTreeSet<_> = plots.iter().map(|p| (p.row, p.column)).collect();
    demand(places.len() == plots.len(), "two plots share a place");
    let names: BTreeSet<&str> = plan
        .entries
        .iter()
        .chain(&plan.checks)
        .map(String::as_str)
        .collect();
    let planted: BTreeSet<&str> = plots.iter().map(|p| p.entry.as_str()).collect();
    demand(names == planted, "entries are missing or strange");
    demand(
        plots
            .iter()
            .all(|p| p.check == plan.checks.contains(&p.entry)),
        "checks are not marked",
    );
    let number: BTreeMap<&str, usize> = names.iter().enumerate().map(|(i, n)| (*n, i)).collect();
    let in_groups = |key: fn(&biometry::designs::Plot) -> usize| {
        let mut groups: BTreeMap<usize, Vec<&str>> = BTreeMap::new();
        plots
            .iter()
            .for_each(|p| groups.entry(key(p)).or_default().push(&p.entry));
        groups
    };
    let (replicates, blocks) = (in_groups(|p| p.replicate), in_groups(|p| p.block));
    let complete = replicates
        .values()
        .all(|r| r.len() == names.len() && r.iter().collect::<BTreeSet<_>>().len() == r.len());
    let pairs: Vec<(usize, usize)> = plots
        .iter()
        .map(|p| (number[p.entry.as_str()], p.block))
        .collect();
    let last_block = plots.iter().map(|p| p.block).max().unwrap_or(0);
    let sets = connected_sets(&pairs, names.len(), last_block + 1);
    demand(
        sets.iter().all(|s| *s == 0),
        "blocks do not join all entries",
    );
    demand(
        layout.neatness.cost_after <= layout.neatness.cost_before,
        "exchange made it worse",
    );
    let efficiency = layout.efficiency.average;
    demand(
        efficiency > 0.0 && efficiency < 1.0 + 1e-9,
        "the efficiency factor is not in (0, 1]",
    );
    match layout.design {
        Design::Rcbd { replicates: r } => {
            demand(
                complete && replicates.len() == r,
                "a replicate is not complete",
            );
            demand(
                (efficiency - 1.0).abs() < 1e-9,
                "complete blocks are fully efficient",
            );
        }
        Design::Alpha {
            replicates: r,
            block_size,
        } => {
            let k = block_size.unwrap_or(0);
            demand(
                complete && replicates.len() == r,
                "a replicate is not complete",
            );
            demand(
                blocks.values().all(|b| b.len() == k || b.len() + 1 == k),
                "a block has a wrong size",
            );
            demand(
                layout.efficiency.upper_bound.is_none_or(|bound| {
                    !names.len().is_multiple_of(k) || efficiency <= bound + 1e-9
                }),
                "the efficiency passes its bound",
            );
        }
        Design::RowColumn { replicates: r, .. } => {
            demand(
                complete && replicates.len() == r,
                "a replicate is not complete",
            );
        }
        Design::Augmented { blocks: b } => {
            let each = blocks.values().all(|block| {
                plan.checks
                    .iter()
                    .all(|c| block.iter().filter(|e| *e == c).count() == 1)
            });
            demand(
                each && blocks.len() == b,
                "a check is not once in every block",
            );
        }
        Design::PRep {
            blocks: b,
            replicated_n,
        } => {
            let times = |name: &String| plots.iter().filter(|p| p.entry == *name).count();
            let right =
                plan.entries.iter().enumerate().all(|(i, name)| {
                    times(name) == if i < replicated_n.unwrap_or(0) { b } else { 1 }
                });
            demand(right, "an entry stands a wrong number of times");
        }
        Design::Unreplicated { .. } => {
            let tested = plots.iter().filter(|p| !p.check).count();
            demand(tested == plan.entries.len(), "an entry stands twice");
        }
    }
    faults
}

/// Designs of the sizes of lattices against the lattices' efficiency; gives how many were compared.
fn check_lattices(faults: &mut Vec<String>) -> usize {
    // Another folder of cases may lack it.
    let Some(text) = read_further_case_file("biometry/lattices.csv") else {
        return 0;
    };
    let mut compared = 0;
    for line in text.lines().skip(1) {
        let [design, entries, replicates, size, efficiency, what] =
            line.split(',').collect::<Vec<_>>()[..]
        else {
            faults.push(format!("{line:?} is no case"));
            continue;
        };
        let number = |text: &str| text.parse::<usize>().expect("a number");
        let (replicates, block_size) = (number(replicates), Some(number(size)));
        let design = match design {
            "alpha" => Design::Alpha {
                replicates,
                block_size,
            },
            _ => Design::RowColumn {
                replicates,
                block_size,
            },
        };
        let plan = TrialPlan {
            design: design.clone(),
            entries: (0..number(entries)).map(|i| format!("entry {i}")).collect(),
            checks: Vec::new(),
            field: None,
            seed: 7,
        };
        let expected: f64 = efficiency.parse().expect("a number");
        compared += 1;
        match lay_out(&plan) {
            Ok(layout) => {
                faults.extend(unsound(&plan, &layout));
                let found = layout.efficiency.average;
                let bound = layout.efficiency.upper_bound.unwrap_or(0.0);
                if (found - expected).abs() > 1e-8 || bound < found - 1e-9 {
                    faults.push(format!(
                        "{design} of {entries} ({what}): {found} of at most {bound}, expected {expected}"
                    ));
                }
            }
            Err(error) => faults.push(error.to_string()),
        }
    }
    println!("outside_designs: {compared} designs compared with lattices");
    compared
}

#[test]
fn outside_designs() {
    let mut faults = Vec::new();
    let mut layouts_n = check_lattices(&mut faults);
    for (entries_n, checks_n) in [(12, 2), (24, 3), (30, 2), (48, 4), (96, 4)] {
        let designs = [
            Design::Rcbd { replicates: 3 },
            Design::Alpha {
                replicates: 3,
                block_size: None,
            },
            Design::Alpha {
                replicates: 2,
                block_size: Some(5),
            },
            Design::RowColumn {
                replicates: 3,
                block_size: None,
            },
            Design::Augmented { blocks: 4 },
            Design::PRep {
                blocks: 2,
                replicated_n: None,
            },
            Design::Unreplicated {
                replicates: None,
                check_every: Some(5),
            },
        ];
        for design in designs {
            // Complete-replicate designs take the checks as entries; here they go without.
            let with_checks = matches!(
                design,
                Design::Augmented { .. } | Design::Unreplicated { .. }
            );
            for seed in [1, 2026] {
                let mut plan = TrialPlan {
                    design: design.clone(),
                    entries: (0..entries_n).map(|i| format!("entry {i}")).collect(),
                    checks: (0..if with_checks { checks_n } else { 0 })
                        .map(|i| format!("check {i}"))
                        .collect(),
                    field: None,
                    seed,
                };
                // A design that cannot be made names one that can: then that one is made.
                let made = lay_out(&plan).or_else(|error| match error {
                    DesignError::CannotMake {
                        nearest: Nearest::Design(nearest),
                        ..
                    } => {
                        plan.design = nearest;
                        lay_out(&plan)
                    }
                    other => Err(other),
                });
                match made {
                    Ok(layout) => {
                        layouts_n += 1;
                        faults.extend(unsound(&plan, &layout));
                        if lay_out(&plan).as_ref() != Ok(&layout) {
                            faults.push(format!("{design:?}: the seed does not fix the layout"));
                        }
                    }
                    Err(error) => faults.push(error.to_string()),
                }
            }
        }
    }
    // A plan as clients write it.
    let written = r#"{"design": "alpha", "entries": ["a", "b", "c", "d", "e", "f", "g", "h", "i"],
        "replicates": 2, "block_size": 3, "seed": 5}"#;
    match serde_json::from_str::<TrialPlan>(written).map(|plan| (lay_out(&plan), plan)) {
        Ok((Ok(layout), plan)) => {
            layouts_n += 1;
            faults.extend(unsound(&plan, &layout));
        }
        other => faults.push(format!("{other:?}")),
    }
    println!("outside_designs: {layouts_n} layouts checked for their defining properties");
    assert!(
        faults.is_empty(),
        "{} layouts unsound:\n{}",
        faults.len(),
        faults.join("\n")
    );

    let topics = ["anova", "augmented_design", "gxe"];
    cases::run("outside_designs", &topics, |case| {
        match case.json.need("topic").text() {
            "anova" => check_anova(case),
            "augmented_design" => check_augmented(case),
            _ => check_gxe(case),
        }
    });
}
