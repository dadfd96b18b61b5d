//! Mixed models, animal and repeatability models, and heritability against published values and
//! values computed by independent programs.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Display;
use std::sync::Arc;

use biometry::animal::{self, AnimalModel, AnimalVariances};
use biometry::data::Frame;
use biometry::heritability;
use biometry::mixed::{DenominatorDf, Fit, Model, RandomEffect, Relationship, fit};
use outside_checks::read_case_file;
use pedigree::{ParentInbreeding, Pedigree, PlantRecord};
use serde_json::{Map, Value};

const TOPICS: [&str; 4] = [
    "mixed_model",
    "animal_model",
    "repeatability_model",
    "heritability",
];

/// Collects what differs, and counts what was compared.
struct Check<'a> {
    id: &'a str,
    tolerance: &'a Value,
    compared: usize,
    faults: Vec<String>,
}

impl Check<'_> {
    fn fault(&mut self, what: impl Display) {
        self.faults.push(format!("{}: {what}", self.id));
    }

    /// |x - e| <= abs + rel |e|, with the tolerance of this kind of number.
    fn number(&mut self, what: &str, kind: &str, found: f64, expected: f64) {
        let tolerance = self.tolerance.get(kind).unwrap_or(self.tolerance);
        let part = |name: &str| tolerance.get(name).and_then(Value::as_f64);
        let (Some(abs), Some(rel)) = (part("abs"), part("rel")) else {
            return self.fault(format!("no tolerance for {what} ({kind})"));
        };
        self.compared += 1;
        let close = (found - expected).abs() <= abs + rel * expected.abs();
        if !close {
            self.fault(format!("{what}: found {found}, expected {expected}"));
        }
    }

    /// A number, or null where the quantity is not defined.
    fn optional(&mut self, what: &str, found: Option<f64>, expected: &Value) {
        match (found, expected.as_f64()) {
            (Some(found), Some(expected)) => self.number(what, "other", found, expected),
            (None, None) if expected.is_null() => self.compared += 1,
            (found, _) => self.fault(format!("{what}: found {found:?}, expected {expected}")),
        }
    }
}

fn object(value: &Value) -> &Map<String, Value> {
    value
        .as_object()
        .unwrap_or_else(|| panic!("an object is expected, not {value}"))
}

fn text(value: &Value) -> String {
    value
        .as_str()
        .map_or_else(|| value.to_string(), str::to_owned)
}

/// A formula of the case files: fixed part, and random parts `(coefficients | groups)`.
struct CaseFormula {
    fixed: String,
    random: Vec<(String, String)>,
}

impl CaseFormula {
    fn read(formula: &str) -> Self {
        let (mut fixed, mut random, mut rest) = (String::new(), Vec::new(), formula);
        while let Some(open) = rest.find('(') {
            let close = open + rest[open..].find(')').expect("a closing bracket");
            let inner = &rest[open + 1..close];
            fixed.push_str(&rest[..open]);
            match inner.split_once('|') {
                Some((coefficients, groups)) => {
                    random.push((
                        coefficients.trim().to_owned(),
                        groups.trim().trim_start_matches('|').trim().to_owned(),
                    ));
                    fixed = fixed.trim_end().trim_end_matches('+').to_owned();
                }
                None => fixed.push_str(&rest[open..=close]),
            }
            rest = &rest[close + 1..];
        }
        fixed.push_str(rest);
        let fixed = fixed.trim_end().to_owned();
        let fixed = if fixed.ends_with('~') {
            format!("{fixed} 1")
        } else {
            fixed
        };
        Self { fixed, random }
    }

    fn model(&self) -> Model {
        let mut model = Model::new(&self.fixed).expect("the fixed part can be read");
        for (coefficients, groups) in &self.random {
            model = model
                .random_coefficients(groups, coefficients)
                .expect("a random part");
        }
        model
    }

    fn response(&self) -> String {
        self.fixed
            .split('~')
            .next()
            .unwrap_or_default()
            .trim()
            .to_owned()
    }

    fn grouping(&self) -> BTreeSet<String> {
        let split = |c: char| !(c.is_alphanumeric() || c == '_' || c == '.');
        self.random
            .iter()
            .flat_map(|(_, g)| g.split(split))
            .map(str::to_owned)
            .collect()
    }

    /// The same model with a random factor taken as fixed.
    fn with_fixed(&self, factor: &str) -> Self {
        Self {
            fixed: format!("{} + {factor}", self.fixed),
            random: self
                .random
                .iter()
                .filter(|(_, g)| g != factor)
                .cloned()
                .collect(),
        }
    }
}

type Table = BTreeMap<String, Vec<String>>;

fn read_table(file: &str) -> Table {
    let csv = read_case_file(&format!("biometry/{file}"));
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let names: Vec<String> = reader
        .headers()
        .expect("a header")
        .iter()
        .map(str::to_owned)
        .collect();
    let mut table: Table = names.iter().map(|n| (n.clone(), Vec::new())).collect();
    for record in reader.records() {
        for (name, value) in names.iter().zip(record.expect("a record").iter()) {
            table
                .get_mut(name)
                .expect("a column")
                .push(value.to_owned());
        }
    }
    table
}

/// A column is a factor when it groups a random term, holds words, or names its levels among the
/// fixed effects; "None" is a level, only an empty cell or NA is missing.
fn frame(table: &Table, formula: &CaseFormula, fixed_names: &[String]) -> Frame {
    let grouping = formula.grouping();
    let mut frame = Frame::new();
    for (name, values) in table {
        let present: Vec<Option<&str>> = values
            .iter()
            .map(|v| Some(v.trim()).filter(|v| !v.is_empty() && *v != "NA"))
            .collect();
        let numeric = present.iter().flatten().all(|v| v.parse::<f64>().is_ok());
        let names_levels = fixed_names.iter().flat_map(|n| n.split(':')).any(|part| {
            part.strip_prefix(name.as_str())
                .is_some_and(|level| !level.is_empty() && values.iter().any(|v| v == level))
        });
        let is_factor =
            name != &formula.response() && (!numeric || grouping.contains(name) || names_levels);
        frame = if is_factor {
            frame.with_factor(name, present)
        } else {
            frame.with_numeric(
                name,
                present
                    .iter()
                    .map(|v| v.map(|v| v.parse().expect("a number"))),
            )
        }
        .expect("a column");
    }
    frame
}

/// Random terms of a group, in the order of the model.
fn terms_of<'a>(fit: &'a Fit, group: &str) -> Vec<&'a RandomEffect> {
    fit.random().iter().filter(|r| r.name == group).collect()
}

/// Reads a name such as `block`, `subject.days`, `subject.1.days` or
/// `subject.cov.(Intercept).days`.
fn variance_component(fit: &Fit, key: &str) -> Option<f64> {
    if key == "Residual" {
        return Some(fit.residual().variances[0].variance);
    }
    let group = fit
        .random()
        .iter()
        .map(|r| r.name.as_str())
        .filter(|name| key == *name || key.starts_with(&format!("{name}.")))
        .max_by_key(|name| name.len())?;
    let mut rest = key[group.len()..].trim_start_matches('.');
    let terms = terms_of(fit, group);
    let mut which = 0;
    let (head, tail) = rest.split_once('.').unwrap_or((rest, ""));
    if let Ok(number) = head.parse::<usize>() {
        which = number;
        rest = tail;
    }
    let term = terms.get(which)?;
    if rest.is_empty() {
        return Some(term.variance());
    }
    for (a, first) in term.coefficients.iter().enumerate() {
        if rest == first {
            return Some(term.covariance[a][a]);
        }
        for (b, second) in term.coefficients.iter().enumerate() {
            if rest == format!("cov.{first}.{second}") {
                return Some(term.covariance[a][b]);
            }
        }
    }
    None
}

fn blup(fit: &Fit, group: &str, level: &str, coefficient: Option<&str>) -> Option<f64> {
    terms_of(fit, group).into_iter().find_map(|term| {
        let place = match coefficient {
            None => 0,
            Some(name) => term.coefficients.iter().position(|c| c == name)?,
        };
        term.levels
            .iter()
            .find(|l| l.level == level)
            .map(|l| l.effects[place])
    })
}

fn check_mixed(case: &Value, check: &mut Check) {
    let expected = object(&case["expected"]);
    let formula = CaseFormula::read(case["expected"]["formula"].as_str().expect("a formula"));
    let fixed_names: Vec<String> = object(&expected["fixef"]).keys().cloned().collect();
    let table = table_for(case, &formula);
    let frame = frame(&table, &formula, &fixed_names);
    let fit = match fit(&frame, &formula.model()) {
        Ok(fit) => fit,
        Err(error) => return check.fault(error),
    };
    for (key, value) in expected {
        match key.as_str() {
            "formula" => {}
            "method" if value == "REML" => {}
            "n" => check.number(
                "n",
                "loglik",
                fit.n_records() as f64,
                value.as_f64().unwrap(),
            ),
            "variance_components" => {
                for (name, value) in object(value) {
                    match variance_component(&fit, name) {
                        Some(found) => check.number(name, key, found, value.as_f64().unwrap()),
                        None => check.fault(format!("no variance component {name}")),
                    }
                }
            }
            "fixef" | "fixef_se" => {
                let kind = if key == "fixef" { "fixef" } else { "se" };
                for (name, value) in object(value) {
                    match fit.fixed().iter().find(|c| &c.name == name) {
                        Some(c) => {
                            let found = if kind == "se" { c.se } else { c.estimate };
                            check.number(
                                &format!("{key} {name}"),
                                kind,
                                found,
                                value.as_f64().unwrap(),
                            );
                        }
                        None => check.fault(format!("no fixed coefficient {name}")),
                    }
                }
            }
            "reml_loglik" => {
                check.number(key, "loglik", fit.log_likelihood(), value.as_f64().unwrap());
            }
            "minus2_reml_loglik" => {
                check.number(
                    key,
                    "loglik",
                    -2.0 * fit.log_likelihood(),
                    value.as_f64().unwrap(),
                );
            }
            "blup" => check_blups(&fit, value, check),
            "emmeans" => check_means(&fit, value, check),
            "kr_tests" => check_tests(&fit, value, check),
            other => check.fault(format!("no answer to `{other}`")),
        }
    }
}

fn check_blups(fit: &Fit, expected: &Value, check: &mut Check) {
    for (group, levels) in object(expected) {
        for (level, value) in object(levels) {
            let each: Vec<(Option<&str>, f64)> = match value {
                Value::Object(by) => by
                    .iter()
                    .map(|(c, v)| (Some(c.as_str()), v.as_f64().unwrap()))
                    .collect(),
                number => vec![(None, number.as_f64().unwrap())],
            };
            for (coefficient, value) in each {
                let what = format!("blup {group} {level} {}", coefficient.unwrap_or_default());
                match blup(fit, group, level, coefficient) {
                    Some(found) => check.number(&what, "blup", found, value),
                    None => check.fault(format!("no {what}")),
                }
            }
        }
    }
}

fn check_means(fit: &Fit, expected: &Value, check: &mut Check) {
    for (term, values) in object(expected) {
        let means = match fit.adjusted_means(term, DenominatorDf::KenwardRoger) {
            Ok(means) => means,
            Err(error) => {
                check.fault(format!("means of {term}: {error}"));
                continue;
            }
        };
        let (sed_min, sed_max) = means.sed_range();
        for (key, value) in object(values) {
            let single = match key.as_str() {
                "mean_variance_of_difference" => {
                    Some((means.mean_variance_of_difference(), "other"))
                }
                "mean_variance_of_difference_kr_adjusted" => {
                    Some((means.adjusted_mean_variance_of_difference(), "other"))
                }
                "sed_min" => Some((sed_min, "se")),
                "sed_max" => Some((sed_max, "se")),
                _ => None,
            };
            if let Some((found, kind)) = single {
                check.number(
                    &format!("{term} {key}"),
                    kind,
                    found,
                    value.as_f64().unwrap(),
                );
                continue;
            }
            for (level, value) in object(value) {
                let what = format!("{term} {key} {level}");
                let Some(mean) = means.means.iter().find(|m| &m.levels.join(":") == level) else {
                    check.fault(format!("no {what}"));
                    continue;
                };
                let (found, kind) = match key.as_str() {
                    "mean" => (mean.mean, "fixef"),
                    "se" => (mean.se, "se"),
                    "se_kr_adjusted" => (mean.adjusted_se, "se"),
                    "df_kenward_roger" => (mean.df, "df"),
                    _ => {
                        check.fault(format!("no answer to {what}"));
                        continue;
                    }
                };
                check.number(&what, kind, found, value.as_f64().unwrap());
            }
        }
    }
}

fn check_tests(fit: &Fit, expected: &Value, check: &mut Check) {
    let tests = match fit.fixed_tests(DenominatorDf::KenwardRoger) {
        Ok(tests) => tests,
        Err(error) => return check.fault(error),
    };
    for (name, values) in object(expected) {
        let found = if name == "interaction" {
            tests.last()
        } else {
            tests.iter().find(|t| &t.term == name)
        };
        let Some(test) = found else {
            check.fault(format!("no test of {name}"));
            continue;
        };
        for (key, value) in object(values) {
            let (found, kind) = match key.as_str() {
                "F" => (test.f, "f_and_p"),
                "p" => (test.p, "f_and_p"),
                "ndf" => (test.numerator_df as f64, "df"),
                "ddf" => (test.denominator_df, "df"),
                _ => {
                    check.fault(format!("no answer to {name} {key}"));
                    continue;
                }
            };
            check.number(
                &format!("{name} {key}"),
                kind,
                found,
                value.as_f64().unwrap(),
            );
        }
    }
}

/// Breeding values at given variances from a pedigree and records `{id, y, classes and
/// covariates}`.
fn check_animal(case: &Value, check: &mut Check) {
    let plants = case["pedigree"].as_array().expect("a pedigree");
    let parent = |plant: &Value, key: &str| plant[key].as_str().map(str::to_owned);
    let pedigree = Pedigree::from_records(plants.iter().map(|plant| {
        PlantRecord::of_parents(
            text(&plant["id"]),
            parent(plant, "parent1"),
            parent(plant, "parent2"),
        )
    }))
    .expect("a pedigree");
    let inverse = pedigree
        .relationship_inverse(ParentInbreeding::Counted)
        .expect("an inverse");
    let relationship = Arc::new(
        Relationship::new(
            inverse.ids().to_vec(),
            inverse.lower_triangle().iter().copied(),
            inverse.log_determinant(),
        )
        .expect("a relationship matrix"),
    );
    let records = case["records"].as_array().expect("records");
    let mut frame = Frame::new()
        .with_factor("id", records.iter().map(|r| Some(text(&r["id"]))))
        .and_then(|f| f.with_numeric("y", records.iter().map(|r| r["y"].as_f64())))
        .expect("records");
    let mut fixed = Vec::new();
    for name in object(&records[0])
        .keys()
        .filter(|k| !["id", "y"].contains(&k.as_str()))
    {
        let numeric = records.iter().all(|r| r[name].is_number());
        frame = if numeric {
            frame.with_numeric(name, records.iter().map(|r| r[name].as_f64()))
        } else {
            frame.with_factor(name, records.iter().map(|r| r[name].as_str()))
        }
        .expect("a column");
        fixed.push(name.clone());
    }
    let formula = if fixed.is_empty() {
        "y ~ 1".to_owned()
    } else {
        format!("y ~ 0 + {}", fixed.join(" + "))
    };
    let mut model = AnimalModel::new(&formula, "id", relationship).expect("a model");
    let permanent = ["sigma2_pe", "sigma2_ep", "sigma2_p"]
        .iter()
        .find_map(|k| case[*k].as_f64());
    if permanent.is_some() {
        model = model.repeated("id").expect("a model");
    }
    let variances = AnimalVariances {
        additive: case["sigma2_a"].as_f64().expect("an additive variance"),
        permanent,
        residual: case["sigma2_e"].as_f64().expect("a residual variance"),
    };
    let solved = match animal::solve(&frame, &model, variances) {
        Ok(solved) => solved,
        Err(error) => return check.fault(error),
    };
    let coefficient = |name: &str| {
        solved.fit.fixed().iter().find(|c| {
            c.name == name
                || (name == "mean" && c.name == "(Intercept)")
                || fixed.iter().any(|f| c.name == format!("{f}{name}"))
        })
    };
    for (key, value) in object(&case["expected"]) {
        if key == "published_3dp" {
            // Fixed effects and breeding values as printed, to the third decimal.
            let mut found: Vec<f64> = solved.fit.fixed().iter().map(|c| c.estimate).collect();
            found.extend(solved.breeding_values.iter().map(|b| b.value));
            let mut printed: Vec<f64> = value
                .as_array()
                .unwrap()
                .iter()
                .map(|v| v.as_f64().unwrap())
                .collect();
            found.sort_by(f64::total_cmp);
            printed.sort_by(f64::total_cmp);
            check.compared += printed.len();
            let close = found.len() == printed.len()
                && found
                    .iter()
                    .zip(&printed)
                    .all(|(a, b)| (a - b).abs() < 1e-3);
            if !close {
                check.fault(format!("published: found {found:?}, expected {printed:?}"));
            }
            continue;
        }
        for (name, value) in object(value) {
            let what = format!("{key} {name}");
            let found = if key.starts_with("fixed") {
                coefficient(name).map(|c| if key == "fixed_se" { c.se } else { c.estimate })
            } else if key.starts_with("permanent") {
                blup(&solved.fit, "id", name, None)
                    .and_then(|_| {
                        solved
                            .fit
                            .random()
                            .get(1)?
                            .levels
                            .iter()
                            .find(|l| &l.level == name)
                    })
                    .map(|l| l.effects[0])
            } else {
                solved
                    .breeding_values
                    .iter()
                    .find(|b| &b.plant == name)
                    .and_then(|b| match key.as_str() {
                        "breeding_value" => Some(b.value),
                        "pev" => Some(b.prediction_error_variance),
                        "sep" => Some(b.se()),
                        "reliability" => b.reliability,
                        "accuracy" => b.accuracy(),
                        "reliability_ignoring_F" => b.reliability_ignoring_inbreeding,
                        "inbreeding" => Some(b.inbreeding),
                        _ => None,
                    })
            };
            match found {
                Some(found) => check.number(&what, "other", found, value.as_f64().unwrap()),
                None => check.fault(format!("no answer to {what}")),
            }
        }
    }
}

/// Heritability cases name only the data: the model is that of a mixed-model case on the same
/// file with the entries random, or else one made from the columns.
fn entry_model(case: &Value, cases: &[Value], table: &Table) -> CaseFormula {
    let entries_random = |c: &&Value| {
        c["data"] == case["data"]
            && c["expected"]["formula"].as_str().is_some_and(|f| {
                CaseFormula::read(f)
                    .random
                    .iter()
                    .any(|r| r == &("1".into(), "gen".into()))
            })
    };
    if let Some(found) = cases
        .iter()
        .filter(|c| c["topic"] == "mixed_model")
        .find(entries_random)
    {
        return CaseFormula::read(found["expected"]["formula"].as_str().unwrap());
    }
    let has = |name: &str| table.contains_key(name);
    let mut random = vec![("1".to_owned(), "gen".to_owned())];
    let fixed = if has("site") {
        random.extend([
            ("1".to_owned(), "site:block".to_owned()),
            ("1".to_owned(), "gen:site".to_owned()),
        ]);
        "yield ~ site"
    } else if has("rep") {
        random.push(("1".to_owned(), "rep:block".to_owned()));
        "yield ~ rep"
    } else {
        "yield ~ block"
    };
    CaseFormula {
        fixed: fixed.to_owned(),
        random,
    }
}

fn check_heritability(case: &Value, cases: &[Value], check: &mut Check) {
    let columns = read_table(case["data"].as_str().expect("a data file"));
    let formula = entry_model(case, cases, &columns);
    let table = table_for(case, &formula);
    let frame = frame(&table, &formula, &[]);
    let random = match fit(&frame, &formula.model()) {
        Ok(fit) => fit,
        Err(error) => return check.fault(error),
    };
    let entries = heritability::of_entries(&random, "gen").expect("random entries");
    let genetic = entries.genetic_variance;
    let residual = random.residual().variances[0].variance;
    let levels = |name: &str| {
        table
            .get(name)
            .map_or(1, |c| c.iter().collect::<BTreeSet<_>>().len()) as f64
    };
    let blocks_per_site = match (table.contains_key("site"), table.contains_key("rep")) {
        (true, _) => levels("block") / levels("site"),
        (false, true) => levels("rep"),
        (false, false) => levels("block"),
    };
    let by_site = random
        .random()
        .iter()
        .find(|r| r.name == "gs" || r.name == "gen:site");
    let fixed = fit(&frame, &formula.with_fixed("gen").model());
    let means = fixed
        .as_ref()
        .ok()
        .map(|f| f.adjusted_means("gen", DenominatorDf::KenwardRoger));
    let means = means.and_then(Result::ok);
    for (key, value) in object(&case["expected"]) {
        match key.as_str() {
            "note" => {}
            "sigma2_g" => check.optional(key, Some(genetic), value),
            "mean_pairwise_pev_difference" => {
                check.optional(
                    key,
                    Some(entries.mean_prediction_variance_of_difference),
                    value,
                );
            }
            "H2_cullis" => check.optional(key, entries.cullis, value),
            "mean_reliability" => check.optional(key, entries.mean_reliability, value),
            "blup_pev" => {
                for (level, value) in object(value) {
                    let term = random.random_term("gen").expect("random entries");
                    let found = term.levels.iter().find(|l| &l.level == level);
                    check.optional(
                        &format!("pev {level}"),
                        found.map(|l| l.prediction_error_variances[0]),
                        value,
                    );
                }
            }
            "mean_variance_of_difference_blue" => {
                check.optional(
                    key,
                    means.as_ref().map(|m| m.mean_variance_of_difference()),
                    value,
                );
            }
            "mean_variance_of_difference_blue_kr" => check.optional(
                key,
                means
                    .as_ref()
                    .map(|m| m.adjusted_mean_variance_of_difference()),
                value,
            ),
            "H2_piepho" => check.optional(
                key,
                means
                    .as_ref()
                    .and_then(|m| heritability::piepho(genetic, m.mean_variance_of_difference())),
                value,
            ),
            "H2_piepho_kr" => check.optional(
                key,
                means.as_ref().and_then(|m| {
                    heritability::piepho(genetic, m.adjusted_mean_variance_of_difference())
                }),
                value,
            ),
            "H2_plot_mean" | "H2_plot_mean_ignoring_blocks" => {
                check.optional(
                    key,
                    heritability::plot_mean(genetic, residual, blocks_per_site),
                    value,
                );
            }
            "H2_plot_basis" => {
                check.optional(key, heritability::plot_mean(genetic, residual, 1.0), value);
            }
            "H2_one_minus_inverse_F" => {
                let tests = fixed
                    .as_ref()
                    .ok()
                    .map(|f| f.fixed_tests(DenominatorDf::KenwardRoger));
                let f = tests
                    .and_then(Result::ok)
                    .and_then(|t| t.into_iter().find(|t| t.term == "gen"))
                    .and_then(|t| heritability::from_f_ratio(t.f));
                check.optional(key, f, value);
            }
            "H2_entry_mean_formula" => {
                let gs = by_site.map_or(0.0, RandomEffect::variance);
                let found = heritability::multi_site_mean(
                    genetic,
                    gs,
                    residual,
                    levels("site"),
                    blocks_per_site,
                );
                check.optional(key, found, value);
            }
            "published" => {
                // Another program's figures, equal to four decimals only.
                for (name, value) in object(value) {
                    let found = match name.as_str() {
                        "sigma2_g" => Some(genetic),
                        "H2_cullis" => entries.cullis,
                        "H2_piepho_with_kr" => means.as_ref().and_then(|m| {
                            heritability::piepho(genetic, m.adjusted_mean_variance_of_difference())
                        }),
                        "mvd_blue_kr" => means
                            .as_ref()
                            .map(|m| m.adjusted_mean_variance_of_difference()),
                        _ => None,
                    };
                    check.optional(&format!("published {name}"), found, value);
                }
            }
            other => check.fault(format!("no answer to `{other}`")),
        }
    }
}

/// The data of a case. Block labels that repeat between replicates become one label per replicate
/// and block where the model asks for `rb`.
fn table_for(case: &Value, formula: &CaseFormula) -> Table {
    let mut table = read_table(case["data"].as_str().expect("a data file"));
    if formula.grouping().contains("rb")
        && !table.contains_key("rb")
        && let (Some(reps), Some(blocks)) = (table.get("rep"), table.get("block"))
    {
        let joined = reps
            .iter()
            .zip(blocks)
            .map(|(r, b)| format!("{r}_{b}"))
            .collect();
        table.insert("rb".to_owned(), joined);
    }
    table
}

#[test]
fn outside_mixed_models() {
    let file: Value =
        serde_json::from_str(&read_case_file("biometry/expected.json")).expect("a case file");
    let cases = file["cases"].as_array().expect("cases");
    let (mut count, mut compared, mut faults) = (0, 0, Vec::new());
    for case in cases {
        let topic = case["topic"].as_str().unwrap_or_default();
        if !TOPICS.contains(&topic) {
            continue;
        }
        let mut check = Check {
            id: case["id"].as_str().expect("an id"),
            tolerance: &case["tolerance"],
            compared: 0,
            faults: Vec::new(),
        };
        match topic {
            "mixed_model" => check_mixed(case, &mut check),
            "heritability" => check_heritability(case, cases, &mut check),
            _ => check_animal(case, &mut check),
        }
        if check.compared == 0 {
            check.fault("nothing was compared");
        }
        count += 1;
        compared += check.compared;
        faults.append(&mut check.faults);
    }
    println!("outside_mixed_models: {count} cases, {compared} numbers compared");
    assert!(count > 0, "the case file has no case of these topics");
    assert!(
        faults.is_empty(),
        "{} numbers differ:\n{}",
        faults.len(),
        faults.join("\n")
    );
}
