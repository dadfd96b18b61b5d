//! Suggestions of who goes on.

use biometry::selection::advance::{Estimate, Reason, advance_list};
use biometry::selection::response::{Evidence, expected_response};
use contract::evaluation::{
    AdvanceList, AdvanceSuggestion, ExpectedTraitResponse, SuggestAdvanceRequest,
};
use platform::{Fault, Fields, Unit};

use super::ground::Ground;
use super::ranking::Scored;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::store;

/// Draws of all candidates together behind the probabilities, at most so many values.
const DRAWN_VALUES: usize = 4_000_000;

/// Suggests which entries go on, with reasons; nothing is decided.
///
/// # Errors
/// Invalid fields; traits that are not known; no records.
pub async fn suggest(
    _app: &EvaluationApp,
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
        scored.push(Scored::load(&ground, unit, programme, defined, weight).await?);
    }
    let mut levels = Vec::with_capacity(request.thresholds.len());
    for (place, level) in request.thresholds.iter().enumerate() {
        let pointer = format!("/thresholds/{place}/trait");
        let defined = super::traits::asked(unit, programme, &pointer, &level.r#trait).await?;
        let scored = Scored::load(&ground, unit, programme, defined, 0.0).await?;
        levels.push((level, scored));
    }

    let mut estimates = Vec::with_capacity(tested.len());
    let mut culled = Vec::with_capacity(tested.len());
    let mut why_culled: Vec<String> = Vec::with_capacity(tested.len());
    let mut missing: Vec<Vec<&str>> = Vec::with_capacity(tested.len());
    for (line, &entry) in tested.iter().enumerate() {
        let mut value = 0.0;
        let mut variance = 0.0;
        let mut lacks = Vec::new();
        for trait_ in &scored {
            match trait_.deviation(entry) {
                Some(deviation) => {
                    let merit = trait_.merit(deviation, trait_.se_of(entry));
                    value += trait_.weight * merit.expected;
                    variance += trait_.weight.powi(2) * merit.variance;
                }
                None => {
                    lacks.push(trait_.defined.code.as_str());
                    // Nothing is known of it: it is taken as average, as uncertain as the entries'
                    // true values vary.
                    variance += trait_.weight.powi(2) * trait_.genetic_share();
                }
            }
        }
        let mut reasons: Vec<String> = Vec::new();
        for (level, trait_) in &levels {
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
        if lacks.len() == scored.len() {
            reasons.push("no records at all".to_owned());
        }
        culled.push(!reasons.is_empty());
        why_culled.push(reasons.join("; "));
        missing.push(lacks);
        estimates.push(Estimate {
            id: line.to_string(),
            value,
            se: variance.sqrt(),
        });
    }
    let draws_n = (DRAWN_VALUES / tested.len().max(1)).clamp(40, 2000);
    let (places, seed) = (request.keep_n as usize, request.seed);
    let suggestions = unit
        .reckon(move |_| advance_list(&estimates, None, &culled, places, draws_n, seed))
        .await?
        .map_err(|error| Fault::field("/keep_n", error.to_string()))?;

    let decisions = store::decisions::latest(unit.connection(), programme, id).await?;
    let mut items = Vec::with_capacity(suggestions.len());
    for (rank, suggestion) in suggestions.iter().enumerate() {
        let line: usize = suggestion.chance.id.parse().map_err(Fault::internal)?;
        let entry = &ground.entries[tested[line]];
        let reason = if why_culled[line].is_empty() {
            sentence(
                rank,
                suggestion.reason,
                suggestion.chance.probability,
                &scored,
                tested[line],
                &missing[line],
            )
        } else {
            why_culled[line].clone()
        };
        items.push(AdvanceSuggestion {
            germplasm_id: entry.germplasm_id.to_string(),
            number: entry.number.clone(),
            name: entry.name.clone(),
            rank: rank as u32 + 1,
            suggestion: if suggestion.advance {
                "advance"
            } else {
                "discard"
            }
            .to_owned(),
            reason,
            score: Some(suggestion.value),
            top_probability: Some(suggestion.chance.probability),
            decision: decisions
                .get(&entry.germplasm_id)
                .cloned()
                .unwrap_or_default(),
            outcross_doubt: entry.outcross_doubt,
        });
    }
    let kept: Vec<usize> = suggestions
        .iter()
        .filter(|s| s.advance)
        .filter_map(|s| Some(tested[s.chance.id.parse::<usize>().ok()?]))
        .collect();
    let seed = request.seed;
    let (scored, responses) = unit
        .reckon(move |_| {
            let responses = scored
                .iter()
                .map(|trait_| response(trait_, &kept, tested.len(), seed))
                .collect();
            (scored, responses)
        })
        .await?;
    let mut notes: Vec<String> = scored.iter().flat_map(Scored::notes).collect();
    let suggested_n = suggestions.iter().filter(|s| s.advance).count() as u32;
    if suggested_n < request.keep_n {
        notes.push(format!(
            "only {suggested_n} of {} places are filled; the others are culled",
            request.keep_n
        ));
    }
    if draws_n < 2000 {
        notes.push(format!(
            "probabilities come from {draws_n} draws of all entries"
        ));
    }
    Ok(AdvanceList {
        trial_id: id.to_string(),
        traits: scored.iter().map(Scored::message).collect(),
        items,
        suggested_n,
        notes,
        responses,
        next_stage_cost: request
            .cost_per_entry
            .map(|cost| cost * f64::from(suggested_n)),
    })
}

/// Draws behind an interval of the expected response.
const RESPONSE_DRAWS: usize = 2000;

/// What keeping some entries is expected to bring in one trait.
fn response(trait_: &Scored, kept: &[usize], entries_n: usize, seed: u64) -> ExpectedTraitResponse {
    let means: Vec<f64> = kept.iter().filter_map(|&e| trait_.mean_of(e)).collect();
    let kept_mean = if means.is_empty() {
        trait_.mean
    } else {
        means.iter().sum::<f64>() / means.len() as f64
    };
    let told = trait_.figures.as_ref().and_then(|figures| {
        let evidence = Evidence {
            entries_n,
            sd: trait_.sd,
            heritability: figures.heritability?,
            error_df: (figures.means.residual_df as f64).max(1.0),
        };
        let superiority = kept_mean - trait_.mean;
        expected_response(&evidence, superiority, means.len(), RESPONSE_DRAWS, seed).ok()
    });
    ExpectedTraitResponse {
        r#trait: trait_.defined.code.clone(),
        unit: trait_.defined.unit.clone(),
        mean: trait_.mean,
        kept_mean,
        response: told.map(|r| r.expected),
        low: told.map(|r| r.low),
        high: told.map(|r| r.high),
    }
}

/// Why an entry is or is not suggested: its place, its chance, and its two most telling traits.
fn sentence(
    rank: usize,
    reason: Reason,
    probability: f64,
    scored: &[Scored],
    entry: usize,
    missing: &[&str],
) -> String {
    let standing = match reason {
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
    let mut text = format!(
        "place {}, {standing} ({:.0} %); {}",
        rank + 1,
        100.0 * probability,
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
