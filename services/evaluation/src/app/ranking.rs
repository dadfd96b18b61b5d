//! Entries ranked over several traits.

use contract::evaluation::{GetRankingRequest, RankingLine, RankingTrait, TraitMean, TrialRanking};
use platform::{Fault, FieldError, ProgrammeId, Unit};

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
    pub figures: Option<Figures>,
    /// Mean of the entries under test.
    pub mean: f64,
    /// Standard deviation of the entries under test.
    pub sd: f64,
}

/// An entry's true value in one trait, as far as its records tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Merit {
    /// Expected deviation from the entries' mean, drawn towards it by what is error.
    pub expected: f64,
    /// Variance of the true deviation about it.
    pub variance: f64,
}

impl Scored {
    /// Reckons the figures of a trait and the spread of its entries under test.
    pub async fn load(
        ground: &Ground,
        unit: &mut Unit,
        programme: ProgrammeId,
        defined: Trait,
        weight: f64,
    ) -> Result<Self, Fault> {
        let figures = ground
            .figures(unit, programme, &defined, (None, None))
            .await?
            .map(|f| f.1);
        let of: Vec<f64> = figures
            .iter()
            .flat_map(|f| {
                f.mean_of_entry
                    .iter()
                    .map(move |(&entry, &m)| (entry, f.means.means[m].mean))
            })
            .filter(|(entry, _)| !ground.entries[*entry].is_check)
            .map(|(_, mean)| mean)
            .collect();
        // Summed in order of size, so that the same data give the same bits.
        let mut of = of;
        of.sort_by(f64::total_cmp);
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
            figures,
            mean,
            sd,
        })
    }

    /// Mean of an entry.
    pub fn mean_of(&self, entry: usize) -> Option<f64> {
        let figures = self.figures.as_ref()?;
        Some(figures.means.means[*figures.mean_of_entry.get(&entry)?].mean)
    }

    /// Standard error of an entry's mean: its own, or, without replication, what the heritability
    /// leaves of the spread.
    pub fn se_of(&self, entry: usize) -> f64 {
        let Some(figures) = &self.figures else {
            return 0.0;
        };
        let own = figures
            .mean_of_entry
            .get(&entry)
            .and_then(|&m| figures.means.means[m].se);
        own.unwrap_or_else(|| {
            let left = 1.0 - figures.heritability.unwrap_or(0.5);
            self.sd * left.max(0.0).sqrt()
        })
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

    /// Share of the variance among entry means that is genetic. Where nothing says how large it is,
    /// a half is taken; where none shows, a hundredth, so that the best by their means stay first.
    pub fn genetic_share(&self) -> f64 {
        let figures = self.figures.as_ref();
        let by_variance = figures
            .and_then(|f| f.genetic_variance)
            .filter(|_| self.sd > 0.0)
            .map(|genetic| genetic / (self.sd * self.sd));
        by_variance
            .or_else(|| figures.and_then(|f| f.heritability))
            .unwrap_or(0.5)
            .clamp(0.01, 1.0)
    }

    /// What a deviation of an entry's mean, with its standard error, says of its true value: the
    /// posterior under normal true values, all in standard deviations of the entries' means.
    pub fn merit(&self, deviation: f64, se: f64) -> Merit {
        let genetic = self.genetic_share();
        let error = if self.sd > 0.0 {
            (se / self.sd).powi(2)
        } else {
            0.0
        };
        let reliability = genetic / (genetic + error);
        Merit {
            expected: reliability * deviation,
            variance: genetic * (1.0 - reliability),
        }
    }

    /// As a message.
    pub fn message(&self) -> RankingTrait {
        RankingTrait {
            r#trait: self.defined.code.clone(),
            unit: self.defined.unit.clone(),
            weight: self.weight,
            mean: self.mean,
            sd: self.sd,
            heritability: self.figures.as_ref().and_then(|f| f.heritability),
        }
    }

    /// What a reader should know, with the trait's code.
    pub fn notes(&self) -> Vec<String> {
        match &self.figures {
            None => vec![format!("{} has no records", self.defined.code)],
            Some(figures) => figures
                .notes
                .iter()
                .map(|note| format!("{}: {note}", self.defined.code))
                .collect(),
        }
    }
}

/// Ranks the entries of a trial over several traits.
///
/// # Errors
/// Invalid fields; no records.
pub async fn get(
    _app: &EvaluationApp,
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
        scored.push(Scored::load(&ground, unit, programme, defined, weight).await?);
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
