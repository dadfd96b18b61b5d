//! The same figures from a model that a person chose.

use std::collections::BTreeMap;

use super::draws::told;
use super::fitting::{AS_FIXED, error_variance, reliability};
use super::{
    Choice, Component, Confounded, EntryMean, Figures, Trial, TrialError, TrueValues, choice,
};
use crate::data::Frame;
use crate::heritability;
use crate::mixed::{self, Fit, Model, ModelError};

/// Draws of the variances: tried and kept.
const DRAWS: (usize, usize) = (200, 100);
/// Draws of effects at each.
const EACH: usize = 4;

/// A model with the frame that it stands on and its term of entries.
#[derive(Debug, Clone, Copy)]
pub struct Chosen<'a> {
    /// The data.
    pub frame: &'a Frame,
    /// The model.
    pub model: &'a Model,
    /// Random term of the entries.
    pub entries: &'a str,
    /// Random term of single trees, where the model has one.
    pub trees: Option<&'a str>,
    /// The model in words.
    pub words: &'a str,
    /// Level of each entry in the term, by its place.
    pub level_of: &'a [String],
}

/// What a chosen model says of the entries; `seed` begins the draws. Where the model takes years of
/// one tree as replication, or entries and trees cannot be told apart, it tells no intervals.
///
/// # Errors
/// A model that cannot be fitted or has no such term of entries.
pub fn figures_of(
    chosen: &Chosen<'_>,
    trial: &Trial<'_>,
    seed: u64,
) -> Result<Figures, TrialError> {
    let fit = mixed::fit(chosen.frame, chosen.model)?;
    let place: BTreeMap<&str, usize> = fit
        .random_term(chosen.entries)?
        .levels
        .iter()
        .enumerate()
        .map(|(k, l)| (l.level.as_str(), k))
        .collect();
    let with_records = fit.levels_with_records(chosen.entries)?;
    let places: BTreeMap<usize, usize> = chosen
        .level_of
        .iter()
        .enumerate()
        .filter_map(|(entry, level)| Some((entry, *place.get(level.as_str())?)))
        .filter(|(_, k)| with_records.binary_search(k).is_ok())
        .collect();
    let tested: BTreeMap<usize, usize> = places
        .iter()
        .filter(|(entry, _)| !trial.is_check[**entry])
        .map(|(entry, k)| (*entry, *k))
        .collect();
    let (means, mean_sed) = means(chosen, &fit, &places)?;
    let share = heritability::of_entries(&fit, chosen.entries)
        .ok()
        .and_then(|of| of.cullis)
        .map(|h| h.clamp(0.0, 1.0));
    let mut figures = Figures {
        words: chosen.words.to_owned(),
        confounded: Confounded::Nothing,
        means,
        mean_sed,
        components: components(&fit),
        heritability: None,
        repeatability: None,
        method: String::new(),
        genetic_variance: None,
        error_variance: Some(error_variance(&fit.variances())),
        share_of_trees: None,
        share_of_records: None,
        predictions: Vec::new(),
        true_values: TrueValues::default(),
        notes: Vec::new(),
    };
    if let Some(why) = bound(&Choice::of(trial), chosen) {
        figures.confounded = Confounded::Trees;
        figures.repeatability = share;
        figures.method = why.to_owned();
        return Ok(figures);
    }
    if tested.len() < 3 {
        "fewer than three entries under test have values".clone_into(&mut figures.method);
        return Ok(figures);
    }
    let found = fit.variance_draws(DRAWS, seed, &|_| 0.0)?;
    let drawn = mixed::effect_draws(
        chosen.frame,
        chosen.model,
        &found.draws,
        chosen.entries,
        (EACH, seed ^ 0x9e37),
    )?;
    let drawn = told(&tested, &drawn, found);
    figures.heritability = share.or_else(|| Some(reliability(&drawn.predictions)));
    figures.genetic_variance = Some(drawn.genetic_variance);
    "generalised heritability by restricted likelihood under the model chosen"
        .clone_into(&mut figures.method);
    figures.predictions = drawn.predictions;
    figures.true_values = drawn.true_values;
    Ok(figures)
}

/// Why the model's share is only an upper bound, if it is.
fn bound(design: &choice::Choice, chosen: &Chosen<'_>) -> Option<&'static str> {
    match design.confounded {
        Confounded::Nothing if design.tree && chosen.trees.is_none() => Some(
            "the model chosen has no term of single trees and so takes years of one tree as replication: an upper bound; no interval is told",
        ),
        Confounded::Nothing => None,
        Confounded::Trees | Confounded::Records => Some(
            "entries have one tree each, which the model chosen cannot tell from them: an upper bound; no interval is told",
        ),
    }
}

fn components(fit: &Fit) -> Vec<Component> {
    let variances = fit.variances();
    let mut told: Vec<Component> = fit
        .random()
        .iter()
        .zip(&variances.random)
        .map(|(term, variance)| Component {
            name: term.name.clone(),
            variance: variance[0][0],
            interval: None,
            of_records: term.name.contains("entry") || term.name == "tree",
        })
        .collect();
    told.push(Component {
        name: "error".to_owned(),
        variance: error_variance(&variances),
        interval: None,
        of_records: true,
    });
    told
}

/// Means of the entries taken as fixed under the variances of the fit.
fn means(
    chosen: &Chosen<'_>,
    fit: &Fit,
    places: &BTreeMap<usize, usize>,
) -> Result<(Vec<EntryMean>, Option<f64>), ModelError> {
    let mut variances = fit.variances();
    let entry_variance = AS_FIXED * error_variance(&variances);
    let term = fit.random().iter().position(|t| t.name == chosen.entries);
    variances.random[term.unwrap_or_default()] = vec![vec![entry_variance]];
    let fixed = mixed::fit_with_variances(chosen.frame, chosen.model, &variances)?;
    let of = fixed.level_means(chosen.entries, None)?;
    let means = places
        .iter()
        .map(|(&entry, &k)| EntryMean {
            entry,
            mean: of[k].mean,
            se: Some(of[k].se),
        })
        .collect();
    let among: Vec<usize> = places.values().copied().collect();
    let sed = fixed
        .mean_prediction_variance_of_difference_among(chosen.entries, &among)
        .ok()
        .map(|v| v.max(0.0).sqrt());
    Ok((means, sed))
}
