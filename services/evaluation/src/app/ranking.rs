//! Entries ranked over several traits.

use contract::evaluation::{GetRankingRequest, RankingLine, RankingTrait, TraitMean, TrialRanking};
use platform::{Fault, FieldError, Unit};

use super::figures::{self, Told};
use super::ground::Ground;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::figures::Figures;
use crate::domain::traits::Trait;

/// One trait of a ranking with its figures.
pub struct Scored {
    /// The trait.
    pub defined: Trait,
    /// Weight of one standard deviation.
    pub weight: f64,
    /// Its figures; none when it has no records.
    pub told: Option<Told>,
    /// Mean of the entries under test.
    pub mean: f64,
    /// Standard deviation of the entries under test.
    pub sd: f64,
}

impl Scored {
    /// Takes the figures of a trait and the spread of its entries under test.
    pub async fn load(
        app: &EvaluationApp,
        ground: &Ground,
        unit: &mut Unit,
        defined: Trait,
        weight: f64,
    ) -> Result<Self, Fault> {
        let told = figures::of(app, unit, ground, &defined).await?;
        let of: Vec<f64> = told
            .iter()
            .flat_map(|told| &told.figures().told.means)
            .filter(|mean| !ground.entries[mean.entry].is_check)
            .map(|mean| mean.mean)
            .collect();
        let n = of.len() as f64;
        let mean = if of.is_empty() {
            0.0
        } else {
            of.iter().sum::<f64>() / n
        };
        let sd = if of.len() < 2 {
            0.0
        } else {
            (of.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
        };
        Ok(Self {
            defined,
            weight,
            told,
            mean,
            sd,
        })
    }

    /// Its figures.
    pub fn figures(&self) -> Option<&Figures> {
        self.told.as_ref().map(Told::figures)
    }

    /// Adjusted mean of an entry.
    pub fn mean_of(&self, entry: usize) -> Option<f64> {
        Some(self.figures()?.mean_of(entry)?.mean)
    }

    /// Deviation of an entry from the mean of the entries in standard deviations.
    pub fn deviation(&self, entry: usize) -> Option<f64> {
        let mean = self.mean_of(entry)?;
        Some(if self.sd > 0.0 {
            (mean - self.mean) / self.sd
        } else {
            0.0
        })
    }

    /// Whether entries are told from their trees, so that what is expected of them has an interval.
    pub fn is_told(&self) -> bool {
        self.figures()
            .is_some_and(|figures| !figures.told.predictions.is_empty())
    }

    /// What is expected of an entry's true value, in standard deviations of the entries' means. Where
    /// nothing tells entries from trees, its deviation by half, as somewhere between nothing and all
    /// of it is the entry's.
    pub fn expected(&self, entry: usize) -> Option<f64> {
        if !self.is_told() {
            return self.deviation(entry).map(|deviation| 0.5 * deviation);
        }
        let prediction = self.figures()?.prediction_of(entry)?;
        Some(if self.sd > 0.0 {
            prediction.expected / self.sd
        } else {
            0.0
        })
    }

    /// As a message.
    pub fn message(&self) -> RankingTrait {
        RankingTrait {
            r#trait: self.defined.code.clone(),
            unit: self.defined.unit.clone(),
            weight: self.weight,
            mean: self.mean,
            sd: self.sd,
            heritability: self.figures().and_then(|f| f.told.heritability),
            repeatability: self.figures().and_then(|f| f.told.repeatability),
            source: self.told.as_ref().map(|told| told.source.clone()),
        }
    }

    /// What a reader should know, with the trait's code.
    pub fn notes(&self) -> Vec<String> {
        let code = &self.defined.code;
        let Some(figures) = self.figures() else {
            return vec![format!("{code} has no records")];
        };
        let untold = (!self.is_told()).then_some(&figures.told.method);
        figures
            .notes
            .iter()
            .chain(untold)
            .map(|note| format!("{code}: {note}"))
            .collect()
    }
}

/// Ranks the entries of a trial over several traits.
///
/// # Errors
/// Invalid fields; no records.
pub async fn get(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: GetRankingRequest,
) -> Result<TrialRanking, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let named: Vec<String> = request
        .traits
        .iter()
        .flat_map(|text| text.split(','))
        .map(|code| code.trim().to_owned())
        .filter(|code| !code.is_empty())
        .collect();
    if !request.weights.is_empty() && request.weights.len() != named.len() {
        return Err(Fault::field(
            "/weights",
            format!(
                "{} weights for {} traits; give one for each, in order",
                request.weights.len(),
                named.len()
            ),
        ));
    }
    if let Some(place) = request.weights.iter().position(|w| !w.is_finite()) {
        return Err(Fault::invalid(vec![FieldError::new(
            format!("/weights/{place}"),
            "must be a finite number",
        )]));
    }
    let ground = Ground::load(unit, programme, id).await?;
    let traits = ground
        .ranked_traits(unit, programme, "traits", &named)
        .await?;
    let mut scored = Vec::with_capacity(traits.len());
    for (place, defined) in traits.into_iter().enumerate() {
        let sign = if defined.better.sign() == 0.0 {
            1.0
        } else {
            defined.better.sign()
        };
        let weight = request.weights.get(place).copied().unwrap_or(sign);
        scored.push(Scored::load(app, &ground, unit, defined, weight).await?);
    }
    let mut lines: Vec<RankingLine> = ground
        .entries
        .iter()
        .enumerate()
        .map(|(place, entry)| {
            let means: Vec<TraitMean> = scored
                .iter()
                .map(|trait_| TraitMean {
                    r#trait: trait_.defined.code.clone(),
                    mean: trait_.mean_of(place),
                    deviation_sd: trait_.deviation(place),
                })
                .collect();
            let score = means
                .iter()
                .zip(&scored)
                .map(|(mean, trait_)| mean.deviation_sd.map(|d| d * trait_.weight))
                .sum::<Option<f64>>();
            RankingLine {
                germplasm_id: entry.germplasm_id.to_string(),
                number: entry.number.clone(),
                name: entry.name.clone(),
                is_check: entry.is_check,
                rank: 0,
                score,
                means,
            }
        })
        .collect();
    lines.sort_by(|a, b| {
        let key = |line: &RankingLine| line.score.unwrap_or(f64::NEG_INFINITY);
        key(b).total_cmp(&key(a))
    });
    let mut place = 0;
    for line in &mut lines {
        if line.score.is_some() && !line.is_check {
            place += 1;
            line.rank = place;
        }
    }
    Ok(TrialRanking {
        trial_id: id.to_string(),
        traits: scored.iter().map(Scored::message).collect(),
        items: lines,
        notes: scored.iter().flat_map(Scored::notes).collect(),
    })
}
