//! Fits the chosen model and tells what came of it.

use std::collections::{BTreeMap, HashMap};

use super::choice::{Axis, Choice, Confounded, Errors};
use super::draws::{self, Plan};
use super::{Component, EntryMean, Figures, Prediction, Trial, TrialError, TrueValues};
use crate::data::Frame;
use crate::heritability;
use crate::mixed::{self, Across, Fit, Model, ModelError, Residual, Variances};

/// The group of the entries under test, beside one for each check.
const TESTED: &str = "under test";
/// Places along which a trend is smoothed at most.
const TREND_PLACES: f64 = 16.0;
/// Entries under test of which variances are estimated at most; of more, so many are taken evenly.
const ENTRIES_OF_VARIANCES: usize = 2500;
/// Entry variance, in error variances, at which entries count as fixed.
pub(super) const AS_FIXED: f64 = 1e7;

/// Name of an entry in the frame.
fn line(entry: usize) -> String {
    format!("{entry:07}")
}

/// The data with the model that was fitted to them.
pub(super) struct Fitted<'a> {
    pub(super) trial: &'a Trial<'a>,
    pub(super) choice: Choice,
    pub(super) frame: Frame,
    pub(super) fit: Fit,
    /// Whether variances come from a part of the entries.
    pub(super) is_part: bool,
    /// Entries under test with values.
    pub(super) tested: Vec<usize>,
}

/// Level of an entry in the entries' term.
fn entry_level(trial: &Trial<'_>, related: bool, entry: usize) -> String {
    match trial.relatives {
        Some(relatives) if related => match &relatives.level_of[entry] {
            Some(level) => level.clone(),
            // Checks carry no effect of the term, but every record needs a level.
            None => relatives.relationship.levels()[0].clone(),
        },
        _ => line(entry),
    }
}

fn frame(trial: &Trial<'_>, choice: &Choice) -> Result<Frame, ModelError> {
    let values = trial.values;
    let tree = |v: &super::Value| &trial.trees[v.tree];
    let labels = |label: &dyn Fn(&super::Value) -> String| -> Vec<Option<String>> {
        values.iter().map(|v| Some(label(v))).collect()
    };
    let environment = |v: &super::Value| {
        let replicate = if choice.replicates {
            tree(v).replicate
        } else {
            0
        };
        format!("{}/{}/{replicate}", tree(v).site, v.year)
    };
    let group = |v: &super::Value| match trial.is_check[tree(v).entry] {
        true => line(tree(v).entry),
        false => TESTED.to_owned(),
    };
    let block = |v: &super::Value| {
        let t = tree(v);
        format!("{}/{}/{}", t.site, t.replicate, t.block)
    };
    let mut frame = Frame::new()
        .with_numeric("value", values.iter().map(|v| Some(v.value)))?
        .with_factor("environment", labels(&environment))?
        .with_factor("group", labels(&group))?
        .with_factor(
            "entry",
            labels(&|v| entry_level(trial, choice.related, tree(v).entry)),
        )?
        .with_factor("line", labels(&|v| line(tree(v).entry)))?
        .with_factor("tree", labels(&|v| format!("{:07}", v.tree)))?
        .with_factor("site", labels(&|v| tree(v).site.to_string()))?
        .with_factor("year", labels(&|v| v.year.to_string()))?
        .with_factor(
            "section",
            labels(&|v| format!("{}/{}", tree(v).site, v.year)),
        )?
        .with_factor("rootstock", labels(&|v| tree(v).rootstock.to_string()))?
        .with_factor("block", labels(&block))?;
    for (axis, name) in [(Axis::Row, "row_trend"), (Axis::Column, "column_trend")] {
        let position = |v: &super::Value| match axis {
            Axis::Row => f64::from(tree(v).row),
            Axis::Column => f64::from(tree(v).column),
        };
        let least = values.iter().map(position).fold(f64::INFINITY, f64::min);
        let largest = values.iter().map(position).fold(least, f64::max);
        let width = ((largest - least + 1.0) / TREND_PLACES).ceil().max(1.0);
        let place = |v: &super::Value| ((position(v) - least) / width).floor();
        frame = frame.with_numeric(name, values.iter().map(|v| Some(place(v))))?;
    }
    Ok(frame)
}

/// Terms of the model in the order in which they stand in it, as a reader knows them.
fn names(choice: &Choice) -> Vec<&'static str> {
    let mut names = Vec::new();
    let terms = [
        (
            choice.entry,
            match choice.confounded {
                Confounded::Trees => "entry with its tree",
                _ => "entry",
            },
        ),
        (choice.tree, "tree"),
        (choice.entry_site, "entry × site"),
        (choice.entry_year, "entry × year"),
        (choice.entry_site_year, "entry × site × year"),
        (choice.block, "incomplete block"),
    ];
    names.extend(terms.into_iter().filter(|t| t.0).map(|t| t.1));
    names.extend(choice.trends.iter().map(|(axis, _)| match axis {
        Axis::Row => "trend along rows",
        Axis::Column => "trend along columns",
    }));
    names
}

/// Name of the entries' term in the model.
pub(super) fn entry_term(choice: &Choice) -> String {
    if choice.checks {
        format!("entry at group {TESTED}")
    } else {
        "entry".to_owned()
    }
}

/// The model of a choice.
pub(super) fn model(trial: &Trial<'_>, choice: &Choice) -> Result<Model, ModelError> {
    let mut fixed: Vec<String> = Vec::new();
    for (stands, term) in [
        (choice.environments, "environment"),
        (choice.checks, "group"),
        (choice.rootstocks, "rootstock"),
    ] {
        if stands {
            fixed.push(term.to_owned());
        }
    }
    for (axis, name) in [(Axis::Row, "row_trend"), (Axis::Column, "column_trend")] {
        if choice.trends.iter().any(|t| t.0 == axis) {
            fixed.push(if choice.sites_n > 1 {
                format!("site:{name}")
            } else {
                name.to_owned()
            });
        }
    }
    if fixed.is_empty() {
        fixed.push("1".to_owned());
    }
    let mut model = Model::new(&format!("value ~ {}", fixed.join(" + ")))?;
    if choice.entry {
        let across = if choice.checks {
            Across::OneLevel {
                factor: "group".to_owned(),
                level: TESTED.to_owned(),
            }
        } else {
            Across::Nothing
        };
        let relationship = trial
            .relatives
            .filter(|_| choice.related)
            .map(|relatives| &relatives.relationship);
        model = model.entries(&["entry"], across, relationship);
    }
    for (stands, term) in [
        (choice.tree, "tree"),
        (choice.entry_site, "line:site"),
        (choice.entry_year, "line:year"),
        (choice.entry_site_year, "line:site:year"),
        (choice.block, "block"),
    ] {
        if stands {
            model = model.random(term)?;
        }
    }
    for (axis, site) in &choice.trends {
        let name = match axis {
            Axis::Row => "row_trend",
            Axis::Column => "column_trend",
        };
        model = model.smooth_at(name, "site", &site.to_string());
    }
    Ok(model.residual(match choice.errors {
        Errors::One => Residual::Homogeneous,
        Errors::BySite => Residual::ByLevel("site".to_owned()),
        Errors::BySiteAndYear => Residual::ByLevel("section".to_owned()),
    }))
}

/// Records from which variances are estimated: all, or in a very large trial those of the checks
/// and of entries taken evenly.
fn records_of_variances(trial: &Trial<'_>, tested: &[usize]) -> Option<Vec<usize>> {
    if tested.len() <= ENTRIES_OF_VARIANCES {
        return None;
    }
    let mut is_taken = vec![false; trial.is_check.len()];
    for k in 0..ENTRIES_OF_VARIANCES {
        is_taken[tested[k * tested.len() / ENTRIES_OF_VARIANCES]] = true;
    }
    let takes = |entry: usize| is_taken[entry] || trial.is_check[entry];
    Some(
        (0..trial.values.len())
            .filter(|&r| takes(trial.trees[trial.values[r].tree].entry))
            .collect(),
    )
}

fn fitted<'a>(trial: &'a Trial<'a>, notes: &mut Vec<String>) -> Result<Fitted<'a>, ModelError> {
    let mut tested: Vec<usize> = trial
        .values
        .iter()
        .map(|v| trial.trees[v.tree].entry)
        .filter(|&e| !trial.is_check[e])
        .collect();
    tested.sort_unstable();
    tested.dedup();
    let part = records_of_variances(trial, &tested);
    let mut choice = Choice::of(trial);
    loop {
        let whole = frame(trial, &choice)?;
        let model = model(trial, &choice)?;
        let fit = match &part {
            Some(records) => mixed::fit(&whole.subset(records), &model),
            None => mixed::fit(&whole, &model),
        };
        match fit {
            // A trend that the records do not show would only slow down what follows.
            Ok(fit) if drop_flat_trends(&mut choice, &fit) => {}
            Ok(fit) => {
                return Ok(Fitted {
                    trial,
                    choice,
                    frame: whole,
                    fit,
                    is_part: part.is_some(),
                    tested,
                });
            }
            Err(error) => match choice.simpler() {
                Some((simpler, given_up)) => {
                    notes.push(format!("{given_up} left out of the model: {error}"));
                    choice = simpler;
                }
                None => return Err(error),
            },
        }
    }
}

/// Takes out trends whose variance is zero; tells whether there were any.
fn drop_flat_trends(choice: &mut Choice, fit: &Fit) -> bool {
    let first = fit.random().len() - choice.trends.len();
    let flat: Vec<bool> = fit.random()[first..].iter().map(|t| t.boundary).collect();
    let mut place = 0;
    choice.trends.retain(|_| {
        place += 1;
        !flat[place - 1]
    });
    flat.contains(&true)
}

/// What a trial says of its entries in one trait; `seed` begins the draws.
///
/// # Errors
/// No values, or a model that cannot be fitted even in its simplest form.
pub fn figures(trial: &Trial<'_>, seed: u64) -> Result<Figures, TrialError> {
    if trial.values.is_empty() {
        return Err(TrialError::NoValues);
    }
    let mut notes = Vec::new();
    let fitted = fitted(trial, &mut notes)?;
    let (means, mean_sed) = means(&fitted)?;
    let mut told = Figures {
        words: fitted.choice.words(),
        confounded: fitted.choice.confounded,
        means,
        mean_sed,
        components: components(&fitted),
        heritability: None,
        repeatability: None,
        method: String::new(),
        genetic_variance: None,
        error_variance: Some(error_variance(&fitted.fit.variances())),
        share_of_trees: None,
        share_of_records: None,
        predictions: Vec::new(),
        true_values: TrueValues::default(),
        notes,
    };
    if fitted.is_part {
        told.notes.push(format!(
            "of more than {ENTRIES_OF_VARIANCES} entries, variances are estimated from so many, taken evenly, and all checks"
        ));
    }
    if fitted.tested.len() < 3 {
        told.method = "fewer than three entries under test have values".to_owned();
        return Ok(told);
    }
    holds_for(&fitted.choice, &mut told.notes);
    shares(&fitted, &mut told);
    match Plan::of(&fitted) {
        Some(plan) => draw(&fitted, &plan, seed, &mut told),
        None => told.method = cannot_tell(fitted.choice.confounded, told.repeatability.is_some()),
    }
    Ok(told)
}

/// What is said where no interval can be told.
fn cannot_tell(confounded: Confounded, has_bound: bool) -> String {
    match confounded {
        Confounded::Trees if has_bound => "each entry has one tree, so entries and trees cannot be told apart: the repeatability is an upper bound of the heritability; relatives, checks in several trees, or replicated trials of the programme would tell it",
        _ => "each entry has one record, so entries, trees and error cannot be told apart; relatives, checks in several trees, or replicated trials of the programme would tell them",
    }
    .to_owned()
}

/// Notes on where and when the entries' values hold.
fn holds_for(choice: &Choice, notes: &mut Vec<String>) {
    if choice.sites_n == 1 {
        notes.push("one site: what entries would be elsewhere is not part of the figures".into());
    } else if !choice.entry_site {
        notes.push(
            "entries are not repeated within sites, so what they do at each site counts as error"
                .into(),
        );
    }
    if choice.years_n == 1 {
        notes.push("one year: what entries do in other years is not part of the figures".into());
    }
}

/// Mean error variance of the groups.
pub(super) fn error_variance(variances: &Variances) -> f64 {
    variances.residual.iter().sum::<f64>() / variances.residual.len() as f64
}

/// Means of entries taken as fixed under the variances of the fit.
fn means(fitted: &Fitted<'_>) -> Result<(Vec<EntryMean>, Option<f64>), ModelError> {
    let trial = fitted.trial;
    let mut choice = fitted.choice.clone();
    let mut variances = fitted.fit.variances();
    let entry_variance = AS_FIXED * error_variance(&variances);
    if choice.entry {
        variances.random[0] = vec![vec![entry_variance]];
    } else {
        variances.random.insert(0, vec![vec![entry_variance]]);
    }
    choice.entry = true;
    // Adjusted means leave relatives out: each entry stands for itself.
    choice.related = false;
    let mut means = Vec::new();
    let mut sed = None;
    let fit = if fitted.tested.len() > 1 {
        let frame = if fitted.choice.related {
            frame(trial, &choice)?
        } else {
            fitted.frame.clone()
        };
        let fit = mixed::fit_with_variances(&frame, &model(trial, &choice)?, &variances)?;
        let term = entry_term(&choice);
        let group = choice.checks.then_some(("group", TESTED));
        let repeated = repeats(fitted);
        let of = fit.level_means(&term, group)?;
        for (level, mean) in fit.random_term(&term)?.levels.iter().zip(of) {
            let Ok(entry) = level.level.parse() else {
                continue;
            };
            means.push(EntryMean {
                entry,
                mean: mean.mean,
                se: repeated.then_some(mean.se),
            });
        }
        sed = repeated
            .then(|| fit.mean_prediction_variance_of_difference(&term).ok())
            .flatten()
            .map(|v| v.max(0.0).sqrt());
        Some(fit)
    } else {
        None
    };
    let fit = fit.as_ref().unwrap_or(&fitted.fit);
    if let ([entry], true) = (fitted.tested.as_slice(), means.is_empty()) {
        let group = choice.checks.then_some(("group", TESTED));
        let mean = fit.fixed_mean(group)?;
        means.push(EntryMean {
            entry: *entry,
            mean: mean.mean,
            se: Some(mean.se),
        });
    }
    let mut checks: Vec<usize> = trial
        .values
        .iter()
        .map(|v| trial.trees[v.tree].entry)
        .filter(|&e| trial.is_check[e])
        .collect();
    checks.sort_unstable();
    checks.dedup();
    for entry in checks {
        let group = (!fitted.tested.is_empty() || choice.checks).then(|| line(entry));
        let found = match &group {
            Some(level) => fit.fixed_mean(Some(("group", level))),
            None => fit.fixed_mean(None),
        };
        if let Ok(mean) = found {
            means.push(EntryMean {
                entry,
                mean: mean.mean,
                se: Some(mean.se),
            });
        }
    }
    means.sort_by_key(|m| m.entry);
    Ok((means, sed))
}

/// Whether anything is repeated by which errors are told.
fn repeats(fitted: &Fitted<'_>) -> bool {
    fitted.choice.confounded != Confounded::Records
}

/// The variances with their names, sites' errors by one name.
fn components(fitted: &Fitted<'_>) -> Vec<Component> {
    let variances = fitted.fit.variances();
    let mut told: Vec<Component> = names(&fitted.choice)
        .into_iter()
        .zip(&variances.random)
        .map(|(name, variance)| Component {
            name: name.to_owned(),
            variance: variance[0][0],
            interval: None,
            of_records: name.starts_with("entry") || name == "tree",
        })
        .collect();
    told.push(Component {
        name: match fitted.choice.confounded {
            Confounded::Records => "entry, tree and error together",
            _ if variances.residual.len() > 1 => "error, mean of sites and years",
            _ => "error",
        }
        .to_owned(),
        variance: error_variance(&variances),
        interval: None,
        of_records: true,
    });
    told
}

/// Heritability, or its bound, from the estimates.
fn shares(fitted: &Fitted<'_>, told: &mut Figures) {
    if !fitted.choice.entry {
        return;
    }
    let term = entry_term(&fitted.choice);
    let Ok(of) = heritability::of_entries(&fitted.fit, &term) else {
        return;
    };
    let share = of.cullis.unwrap_or(0.0).clamp(0.0, 1.0);
    match fitted.choice.confounded {
        Confounded::Trees => told.repeatability = Some(share),
        _ => {
            told.heritability = Some(share);
            told.genetic_variance = Some(of.genetic_variance);
            told.method = format!(
                "generalised heritability of Cullis, Smith and Coombes (2006) by restricted likelihood, of the {} entries under test",
                fitted.tested.len()
            );
        }
    }
}

/// Draws true values and tells what follows from them.
fn draw(fitted: &Fitted<'_>, plan: &Plan, seed: u64, told: &mut Figures) {
    let drawn = match draws::draw(fitted, plan, seed) {
        Ok(drawn) => drawn,
        Err(error) => {
            told.notes
                .push(format!("no intervals can be told: {error}"));
            return;
        }
    };
    if drawn.effective_n < 20.0 {
        told.notes.push(format!(
            "intervals are rough: what is drawn of the variances is worth {:.0} independent draws",
            drawn.effective_n
        ));
    }
    intervals(fitted, &drawn.variances, &mut told.components);
    if plan.source().is_none() && fitted.choice.entry && !fitted.choice.related {
        told.share_of_trees = fitted
            .choice
            .tree
            .then(|| share_of(&fitted.choice, &drawn.variances, false));
        told.share_of_records = Some(share_of(&fitted.choice, &drawn.variances, true));
    }
    told.predictions = drawn.predictions;
    let genetic = drawn.genetic_variance;
    if fitted.choice.related || !fitted.choice.entry || told.heritability.is_none() {
        told.genetic_variance = Some(genetic);
        told.heritability = Some(reliability(&told.predictions));
        let source = plan.source().map_or_else(String::new, |source| {
            format!(", with the share of entries among trees taken from {source}")
        });
        told.method = format!(
            "share of the variance of the {} entries' true values that their figures tell{source}",
            fitted.tested.len()
        );
    }
    if let Some(source) = plan.source() {
        told.notes.push(format!(
            "the share of entries in the differences between single trees is taken from {source}"
        ));
    }
    told.true_values = drawn.true_values;
}

/// Share of the entries among all that entries and trees bring to a single tree's lasting value or,
/// with everything else, to a single record: mean and standard deviation over the draws.
fn share_of(choice: &Choice, draws: &[Variances], of_records: bool) -> (f64, f64) {
    let names = names(choice);
    let share = |at: &Variances| {
        let lasting = |name: &str| matches!(name, "entry" | "tree" | "entry × site");
        let rest: f64 = names
            .iter()
            .zip(&at.random)
            .filter(|(name, _)| lasting(name) || (of_records && name.starts_with("entry")))
            .map(|(_, v)| v[0][0])
            .sum();
        let error = if of_records { error_variance(at) } else { 0.0 };
        at.random[0][0][0] / (rest + error)
    };
    let of: Vec<f64> = draws.iter().map(share).collect();
    let n = of.len() as f64;
    let mean = of.iter().sum::<f64>() / n;
    let variance = of.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    (mean, variance.sqrt())
}

/// Mean reliability: variance of what is expected over that and what is left open.
pub(super) fn reliability(predictions: &[Prediction]) -> f64 {
    let told: f64 = predictions.iter().map(|p| p.expected * p.expected).sum();
    let open: f64 = predictions.iter().map(|p| p.sd * p.sd).sum();
    if told + open > 0.0 {
        told / (told + open)
    } else {
        0.0
    }
}

/// Intervals of the variances from their draws.
fn intervals(fitted: &Fitted<'_>, draws: &[Variances], components: &mut [Component]) {
    let terms_n = fitted.fit.random().len();
    for (k, component) in components.iter_mut().enumerate() {
        let mut of: Vec<f64> = draws
            .iter()
            .map(|variances| {
                if k < terms_n {
                    variances.random[k][0][0]
                } else {
                    error_variance(variances)
                }
            })
            .collect();
        of.sort_by(f64::total_cmp);
        if let Some(last) = of.len().checked_sub(1) {
            let at = |share: f64| of[(last as f64 * share).round() as usize];
            component.interval = Some((at(0.025), at(0.975)));
        }
    }
}

/// Place of each entry's level in the entries' term.
pub(super) fn places(
    fitted: &Fitted<'_>,
    choice: &Choice,
    levels: &[String],
) -> BTreeMap<usize, usize> {
    let place: HashMap<&str, usize> = levels
        .iter()
        .enumerate()
        .map(|(k, level)| (level.as_str(), k))
        .collect();
    fitted
        .tested
        .iter()
        .filter_map(|&entry| {
            let level = entry_level(fitted.trial, choice.related, entry);
            Some((entry, *place.get(level.as_str())?))
        })
        .collect()
}
