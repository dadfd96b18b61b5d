//! Draws of the entries' true values, the uncertainty of every variance in them.

use rand::SeedableRng as _;
use rand_chacha::ChaCha12Rng;

use super::choice::{Choice, Confounded};
use super::fitting::{Fitted, entry_term, model, places};
use super::{Prediction, Share, TrueValues};
use crate::mixed::{self, ModelError, Variances};

/// Values drawn of all entries together, at most.
const DRAWN_VALUES: usize = 1_500_000;
/// Records times draws of the variances that are kept, at most, between [`FEWEST`] and [`MOST`].
const DRAWN_RECORDS: usize = 100_000;
/// Fewest and most draws of the variances; twice as many are tried.
const FEWEST: usize = 30;
const MOST: usize = 120;

/// How entries are told from trees.
pub(super) enum Plan {
    /// By the records, with an earlier share beside them where they say little.
    Told(Option<Share>),
    /// By an earlier share alone.
    Shared(Share),
}

impl Plan {
    /// How, if it can be told at all.
    pub(super) fn of(fitted: &Fitted<'_>) -> Option<Self> {
        let past = fitted.trial.past;
        match fitted.choice.confounded {
            Confounded::Nothing if !fitted.choice.entry => None,
            Confounded::Nothing if fitted.choice.hears_past => {
                Some(Self::Told(if fitted.choice.tree {
                    past.of_trees.clone()
                } else if fitted.choice.related {
                    past.of_records.clone()
                } else {
                    None
                }))
            }
            Confounded::Nothing => Some(Self::Told(None)),
            Confounded::Trees => past.of_trees.clone().map(Self::Shared),
            Confounded::Records => past.of_records.clone().map(Self::Shared),
        }
    }

    /// Where the share of entries comes from, when not from the records alone.
    pub(super) fn source(&self) -> Option<&str> {
        match self {
            Self::Told(share) => share.as_ref().map(|share| share.source.as_str()),
            Self::Shared(share) => Some(&share.source),
        }
    }
}

/// What was drawn.
pub(super) struct Drawn {
    pub(super) variances: Vec<Variances>,
    pub(super) effective_n: f64,
    pub(super) predictions: Vec<Prediction>,
    pub(super) true_values: TrueValues,
    /// Mean variance of the true values.
    pub(super) genetic_variance: f64,
}

/// Prior of the share of entries, less what flat standard deviations already say of it.
///
/// Relatives tell the share of a few hundred entries only roughly, so that what stands before them
/// matters: without earlier trials every share is as likely as any other.
///
/// Where the records alone tell entries from trees, it is flat in the variance of entries instead of
/// their standard deviation: predictions are then drawn towards the mean as Stein's estimator does,
/// and what is told of those selected is not too little (Morris 1983, JASA 78:47-55, from memory).
fn log_prior(share: Option<&Share>, choice: &Choice) -> impl Fn(&Variances) -> f64 {
    let parameters = share
        .map(Share::parameters)
        .or(choice.related.then_some((1.0, 1.0)));
    let has_tree = choice.tree;
    let by_records = choice.entry && !choice.related && choice.confounded == Confounded::Nothing;
    move |variances: &Variances| {
        let Some((a, b)) = parameters else {
            return if by_records {
                0.5 * variances.random[0][0][0].ln()
            } else {
                0.0
            };
        };
        let entry = variances.random[0][0][0];
        let rest = if has_tree {
            variances.random[1][0][0]
        } else {
            variances.residual.iter().sum::<f64>() / variances.residual.len() as f64
        };
        let x = (entry / (entry + rest)).clamp(1e-9, 1.0 - 1e-9);
        // Flat standard deviations of both give Beta(1/2, 1/2); with the logarithm of the error
        // variance, x^-1/2 (1 - x)^-1.
        let already = if has_tree { 0.5 } else { 0.0 };
        (a - 0.5) * x.ln() + (b - already) * (1.0 - x).ln()
    }
}

pub(super) fn draw(fitted: &Fitted<'_>, plan: &Plan, seed: u64) -> Result<Drawn, ModelError> {
    let records_n = fitted.trial.values.len();
    let entries_n = fitted.tested.len();
    let variances_n = (DRAWN_RECORDS / records_n).clamp(FEWEST, MOST);
    let each_n = (DRAWN_VALUES / entries_n / variances_n).clamp(1, 8);
    let tried_n = 2 * (DRAWN_RECORDS / fitted.fit.n_records()).clamp(FEWEST, MOST);

    let share = match plan {
        Plan::Told(share) => share.as_ref(),
        Plan::Shared(_) => None,
    };
    let found = fitted.fit.variance_draws(
        (tried_n, variances_n),
        seed,
        &log_prior(share, &fitted.choice),
    )?;
    let mut choice = fitted.choice.clone();
    let variances = match plan {
        Plan::Told(_) => found.draws.clone(),
        Plan::Shared(share) => {
            let mut rng = ChaCha12Rng::seed_from_u64(seed ^ 0x5bd1);
            let by_trees = choice.confounded == Confounded::Trees;
            (choice.entry, choice.tree) = (true, choice.tree || by_trees);
            let split = |at: &Variances| parted(at, by_trees, share.draw(&mut rng));
            found.draws.iter().map(split).collect()
        }
    };
    let drawn = mixed::effect_draws(
        &fitted.frame,
        &model(fitted.trial, &choice)?,
        &variances,
        &entry_term(&choice),
        (each_n, seed ^ 0x9e37),
    )?;
    let places = places(fitted, &choice, &drawn.levels);
    Ok(told(&places, &drawn, found))
}

/// Variances in which a share of what entries and trees (or records) have together is the entries'.
fn parted(at: &Variances, by_trees: bool, share: f64) -> Variances {
    let mut parted = at.clone();
    if by_trees {
        let both = at.random[0][0][0];
        parted.random[0] = vec![vec![share * both]];
        parted.random.insert(1, vec![vec![(1.0 - share) * both]]);
    } else {
        let all = at.residual.iter().sum::<f64>() / at.residual.len() as f64;
        parted.random.insert(0, vec![vec![share * all]]);
        parted.residual.iter_mut().for_each(|v| *v *= 1.0 - share);
    }
    parted
}

/// True values as deviations from the mean of all under test.
pub(super) fn told(
    places: &std::collections::BTreeMap<usize, usize>,
    drawn: &mixed::EffectDraws,
    found: mixed::VarianceDraws,
) -> Drawn {
    let n = places.len() as f64;
    let entries: Vec<usize> = places.keys().copied().collect();
    let centred = |of: &[f64]| -> Vec<f64> {
        let mean = places.values().map(|&k| of[k]).sum::<f64>() / n;
        places.values().map(|&k| of[k] - mean).collect()
    };
    let expected = centred(&drawn.means);
    let mut open = vec![0.0; entries.len()];
    let mut genetic = 0.0;
    let draws_n = drawn.draws.len() as f64;
    let draws: Vec<Vec<f32>> = drawn
        .draws
        .iter()
        .map(|draw| {
            let values = centred(draw);
            for ((open, value), mean) in open.iter_mut().zip(&values).zip(&expected) {
                *open += (value - mean).powi(2) / draws_n;
            }
            genetic += values.iter().map(|v| v * v).sum::<f64>() / (n - 1.0) / draws_n;
            values.into_iter().map(|v| v as f32).collect()
        })
        .collect();
    let predictions = entries
        .iter()
        .zip(&expected)
        .zip(&open)
        .map(|((&entry, &expected), &open)| Prediction {
            entry,
            expected,
            sd: open.sqrt(),
        })
        .collect();
    Drawn {
        variances: found.draws,
        effective_n: found.effective_n,
        predictions,
        true_values: TrueValues { entries, draws },
        genetic_variance: genetic,
    }
}
