//! Suggestions of who goes on.

use biometry::selection::advance::{Reason, list};
use biometry::trial::joint::{TraitDraws, chances, correlation_of_errors, gain, worth};
use contract::evaluation::{
    AdvanceList, AdvanceSuggestion, CullingLevel, ExpectedTraitResponse, SuggestAdvanceRequest,
};
use platform::{Fault, Fields, Unit};

use super::figures::Told;
use super::ground::Ground;
use super::ranking::Scored;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::figures::{Correlations, TreeYear, correlations_of};
use crate::store;

/// Suggests which entries go on, with reasons; nothing is decided.
///
/// # Errors
/// Invalid fields; traits that are not known; no records.
pub async fn suggest(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: SuggestAdvanceRequest,
) -> Result<AdvanceList, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let ground = Ground::load(unit, programme, id).await?;
    let tested: Vec<usize> = (0..ground.entries.len())
        .filter(|&e| !ground.entries[e].is_check)
        .collect();
    let mut fields = Fields::new();
    let most = u32::try_from(tested.len()).unwrap_or(u32::MAX).max(1);
    fields.count("keep_n", request.keep_n, 1, most);
    for (code, weight) in &request.weights {
        fields.require(
            weight.is_finite(),
            &format!("weights/{code}"),
            "must be a finite number",
        );
    }
    for (place, level) in request.thresholds.iter().enumerate() {
        let field = format!("thresholds/{place}");
        fields.require(
            level.min.is_some() || level.max.is_some(),
            &field,
            "needs min or max",
        );
        fields.require(
            [level.min, level.max]
                .iter()
                .flatten()
                .all(|bound| bound.is_finite()),
            &field,
            "must hold finite numbers",
        );
    }
    if let Some(cost) = request.cost_per_entry {
        fields.number("cost_per_entry", cost, 0.0, 1e9);
    }
    fields.finish()?;

    let named: Vec<String> = request.weights.keys().cloned().collect();
    let traits = if named.is_empty() {
        ground
            .ranked_traits(unit, programme, "weights", &[])
            .await?
    } else {
        let mut found = Vec::new();
        for code in &named {
            let pointer = format!("/weights/{code}");
            found.push(super::traits::asked(unit, programme, &pointer, code).await?);
        }
        found
    };
    let mut scored = Vec::with_capacity(traits.len());
    for defined in traits {
        let weight = request
            .weights
            .get(&defined.code)
            .copied()
            .unwrap_or(defined.better.sign());
        scored.push(Scored::load(app, &ground, unit, defined, weight).await?);
    }
    let mut levels = Vec::with_capacity(request.thresholds.len());
    for (place, level) in request.thresholds.iter().enumerate() {
        let pointer = format!("/thresholds/{place}/trait");
        let defined = super::traits::asked(unit, programme, &pointer, &level.r#trait).await?;
        let scored = Scored::load(app, &ground, unit, defined, 0.0).await?;
        levels.push((level, scored));
    }

    let judged: Vec<Judged> = tested
        .iter()
        .map(|&entry| Judged::of(entry, &scored, &levels))
        .collect();
    let culled: Vec<bool> = judged.iter().map(|j| !j.why_culled.is_empty()).collect();
    let values: Vec<f64> = judged.iter().map(|j| j.value).collect();
    let (places, seed) = (request.keep_n as usize, request.seed);
    let counting: Vec<usize> = (0..scored.len())
        .filter(|&t| scored[t].weight != 0.0)
        .collect();
    let mut notes: Vec<String> = scored.iter().flat_map(Scored::notes).collect();
    let untold: Vec<&str> = counting
        .iter()
        .filter(|&&t| scored[t].figures().is_some() && !scored[t].is_told())
        .map(|&t| scored[t].defined.code.as_str())
        .collect();
    let chances = if untold.is_empty() {
        let correlations = correlations(&ground, &scored);
        notes.extend(correlations.iter().flat_map(|of| of.notes.clone()));
        let told: Vec<Option<Told>> = scored.iter().map(|t| t.told.clone()).collect();
        let worth: Vec<f64> = scored
            .iter()
            .map(|t| if t.sd > 0.0 { t.weight / t.sd } else { 0.0 })
            .collect();
        let entries = tested.clone();
        unit.reckon(move |_| {
            chances_of(&told, &worth, correlations.as_ref(), &entries, places, seed)
        })
        .await?
    } else {
        notes.push(format!(
            "no probability of being among the best can be told, as nothing tells entries from their trees in {}",
            untold.join(", ")
        ));
        None
    };
    let listed = list(&values, chances.as_deref(), &culled, places);

    let decisions = store::decisions::latest(unit.connection(), programme, id).await?;
    let mut items = Vec::with_capacity(tested.len());
    for (rank, line) in listed.iter().enumerate() {
        let judged = &judged[line.candidate];
        let entry = &ground.entries[judged.entry];
        let chance = chances.as_ref().map(|of| of[line.candidate]);
        let reason = if judged.why_culled.is_empty() {
            sentence(rank, line.reason, chance, &scored, judged)
        } else {
            judged.why_culled.clone()
        };
        items.push(AdvanceSuggestion {
            germplasm_id: entry.germplasm_id.to_string(),
            number: entry.number.clone(),
            name: entry.name.clone(),
            rank: rank as u32 + 1,
            suggestion: if line.advance { "advance" } else { "discard" }.to_owned(),
            reason,
            score: Some(judged.value),
            top_probability: chance,
            decision: decisions
                .get(&entry.germplasm_id)
                .cloned()
                .unwrap_or_default(),
            outcross_doubt: entry.outcross_doubt,
        });
    }
    let kept: Vec<usize> = listed
        .iter()
        .filter(|line| line.advance)
        .map(|line| judged[line.candidate].entry)
        .collect();
    let suggested_n = kept.len() as u32;
    if suggested_n < request.keep_n {
        notes.push(format!(
            "only {suggested_n} of {} places are filled; the others are culled",
            request.keep_n
        ));
    }
    Ok(AdvanceList {
        trial_id: id.to_string(),
        traits: scored.iter().map(Scored::message).collect(),
        items,
        suggested_n,
        notes,
        responses: scored.iter().map(|t| response(t, &kept)).collect(),
        next_stage_cost: request
            .cost_per_entry
            .map(|cost| cost * f64::from(suggested_n)),
    })
}

/// An entry as it is judged.
struct Judged {
    entry: usize,
    /// Sum of weighted expectations, in standard deviations.
    value: f64,
    /// Why it is culled; empty when it is not.
    why_culled: String,
    /// Traits in which it is taken as average.
    missing: Vec<String>,
}

impl Judged {
    fn of(entry: usize, scored: &[Scored], levels: &[(&CullingLevel, Scored)]) -> Self {
        let mut value = 0.0;
        let mut missing = Vec::new();
        for trait_ in scored {
            match trait_.expected(entry) {
                Some(expected) => value += trait_.weight * expected,
                None => missing.push(trait_.defined.code.clone()),
            }
        }
        let mut reasons: Vec<String> = Vec::new();
        for (level, trait_) in levels {
            let code = &trait_.defined.code;
            match trait_.mean_of(entry) {
                None => reasons.push(format!("no record of {code}, which has a culling level")),
                Some(mean) => {
                    if let Some(min) = level.min.filter(|min| mean < *min) {
                        reasons.push(format!("{code} {mean:.4} is under {min}"));
                    }
                    if let Some(max) = level.max.filter(|max| mean > *max) {
                        reasons.push(format!("{code} {mean:.4} is over {max}"));
                    }
                }
            }
        }
        if missing.len() == scored.len() {
            reasons.push("no records at all".to_owned());
        }
        Self {
            entry,
            value,
            why_culled: reasons.join("; "),
            missing,
        }
    }
}

/// How the traits go together, where there are several.
fn correlations(ground: &Ground, scored: &[Scored]) -> Option<Correlations> {
    let told: Vec<&Told> = scored.iter().filter_map(|t| t.told.as_ref()).collect();
    if told.len() < 2 || told.len() < scored.len() {
        return None;
    }
    let values: Vec<&[TreeYear]> = told.iter().map(|t| t.values.as_slice()).collect();
    correlations_of(&ground.trees, &values, &ground.is_check())
}

/// Probability of each entry to be among the best, from joint draws over all traits.
fn chances_of(
    told: &[Option<Told>],
    worth_of_unit: &[f64],
    correlations: Option<&Correlations>,
    entries: &[usize],
    places: usize,
    seed: u64,
) -> Option<Vec<f64>> {
    let (places_of, traits): (Vec<usize>, Vec<TraitDraws<'_>>) = told
        .iter()
        .enumerate()
        .filter_map(|(t, told)| {
            let of = &told.as_ref()?.figures().told;
            let is_told = !of.predictions.is_empty() && worth_of_unit[t] != 0.0;
            is_told.then(|| {
                (
                    t,
                    TraitDraws {
                        predictions: &of.predictions,
                        values: &of.true_values,
                        weight: worth_of_unit[t],
                        genetic_variance: of.genetic_variance.unwrap_or(0.0),
                    },
                )
            })
        })
        .unzip();
    if traits.is_empty() {
        return None;
    }
    let errors: Vec<Vec<f64>> = traits
        .iter()
        .zip(&places_of)
        .map(|(a, &i)| {
            traits
                .iter()
                .zip(&places_of)
                .map(|(b, &j)| match correlations {
                    _ if i == j => 1.0,
                    None => 0.0,
                    Some(of) => correlation_of_errors(
                        of.genetic[i][j],
                        of.error[i][j],
                        (a.reliability(), b.reliability()),
                    ),
                })
                .collect()
        })
        .collect();
    Some(chances(&worth(&traits, &errors, entries, seed), places))
}

/// What keeping some entries is expected to bring in one trait.
fn response(trait_: &Scored, kept: &[usize]) -> ExpectedTraitResponse {
    let means: Vec<f64> = kept.iter().filter_map(|&e| trait_.mean_of(e)).collect();
    let kept_mean = if means.is_empty() {
        trait_.mean
    } else {
        means.iter().sum::<f64>() / means.len() as f64
    };
    let told = trait_.figures().and_then(|figures| {
        let of = &figures.told;
        gain(&of.true_values, &of.predictions, kept)
    });
    ExpectedTraitResponse {
        r#trait: trait_.defined.code.clone(),
        unit: trait_.defined.unit.clone(),
        mean: trait_.mean,
        kept_mean,
        response: told.map(|gain| gain.expected),
        low: told.map(|gain| gain.low),
        high: told.map(|gain| gain.high),
    }
}

/// Why an entry is or is not suggested: its place, its chance, and its two most telling traits.
fn sentence(
    rank: usize,
    reason: Reason,
    probability: Option<f64>,
    scored: &[Scored],
    judged: &Judged,
) -> String {
    let (entry, missing) = (judged.entry, &judged.missing);
    let standing = match reason {
        Reason::BestOfWhatIsLeft if probability.is_none() => "within the places by its means",
        Reason::BelowTheLine if probability.is_none() => "beyond the places by its means",
        Reason::SurelyAmongTheBest => "surely among the best",
        Reason::LikelyAmongTheBest => "likely among the best",
        Reason::BestOfWhatIsLeft => "best of what is left",
        Reason::CloseToTheLine => "close to the line",
        Reason::BelowTheLine => "below the line",
        Reason::Culled => "culled",
    };
    let mut telling: Vec<(f64, &Scored, f64)> = scored
        .iter()
        .filter_map(|t| Some((t.weight * t.deviation(entry)?, t, t.mean_of(entry)?)))
        .collect();
    telling.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
    let traits: Vec<String> = telling
        .iter()
        .take(2)
        .map(|(_, t, mean)| {
            let deviation = if t.sd > 0.0 {
                (mean - t.mean) / t.sd
            } else {
                0.0
            };
            format!(
                "{} {mean:.2} {}({deviation:+.1} SD)",
                t.defined.code,
                unit_text(&t.defined.unit)
            )
        })
        .collect();
    let chance = probability.map_or_else(String::new, |p| format!(" ({:.0} %)", 100.0 * p));
    let mut text = format!(
        "place {}, {standing}{chance}; {}",
        rank + 1,
        traits.join(", ")
    );
    if !missing.is_empty() {
        text.push_str(&format!("; taken as average: {}", missing.join(", ")));
    }
    text
}

fn unit_text(unit: &str) -> String {
    if unit.is_empty() || unit == "1" {
        String::new()
    } else {
        format!("{unit} ")
    }
}
