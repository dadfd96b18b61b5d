//! Bloom forecasts: the winter so far, continued by each past one, run through every draw of a
//! variety's requirement; corrected by indicator trees, and scored blind on past seasons.

use crate::requirement::{
    BloomDates, BloomStage, ByStage, FitError, FitSettings, FittedRequirement, Need,
    RequirementPrior, SeasonCourse, SeasonRecord, fit_requirement, quantile, standard_normal,
};
use crate::series::CompleteHours;
use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The ways the season at one station may still go: made once, used for every variety there.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    known_until: Date,
    chill_so_far_cp: f64,
    courses: Vec<SeasonCourse>,
}

/// Why there is no forecast.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum ForecastError {
    /// No past season reaches beyond the known hours.
    #[error(
        "none of {past_n} past seasons has hours after {known_until} in its own year; \
             give at least one whole season"
    )]
    NothingToContinueWith {
        /// Past seasons given.
        past_n: usize,
        /// Last known day.
        known_until: Date,
    },
    /// A season could not be used.
    #[error(transparent)]
    Fit(#[from] FitError),
}

impl Outlook {
    /// The season so far, continued by each past season from the same calendar hour on.
    ///
    /// # Errors
    /// [`ForecastError::NothingToContinueWith`] when no past season reaches further.
    pub fn continued(
        so_far: &CompleteHours,
        past: &[CompleteHours],
    ) -> Result<Self, ForecastError> {
        let courses: Vec<SeasonCourse> = past
            .iter()
            .map(|other| so_far.continued_by(other, so_far.start().year() - other.start().year()))
            .filter(|whole| whole.hours().len() > so_far.hours().len())
            .map(|whole| SeasonCourse::new(&whole))
            .collect();
        let outlook = Self {
            courses,
            ..Self::known(so_far)
        };
        if outlook.courses.is_empty() {
            return Err(ForecastError::NothingToContinueWith {
                past_n: past.len(),
                known_until: outlook.known_until,
            });
        }
        Ok(outlook)
    }

    /// A season known to its end.
    pub fn known(season: &CompleteHours) -> Self {
        let course = SeasonCourse::new(season);
        Self {
            known_until: season.end().date(),
            chill_so_far_cp: course.total_chill_cp(),
            courses: vec![course],
        }
    }

    /// Chill known so far, portions.
    pub fn chill_so_far_cp(&self) -> f64 {
        self.chill_so_far_cp
    }

    /// The courses, one for each continuation.
    pub fn courses(&self) -> &[SeasonCourse] {
        &self.courses
    }

    /// The distribution of a variety's dates. Stages already `seen` are taken as they are, and
    /// later ones counted from them. `seed` draws the residual error.
    pub fn forecast(
        &self,
        requirement: &FittedRequirement,
        seen: &BloomDates,
        shift: IndicatorShift,
        passes: PassPlan,
        seed: u64,
    ) -> BloomForecast {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let sd_days = shift.remaining_sd_days(requirement.residual_sd_days);
        let needs: &[Need] = match requirement.draws.as_slice() {
            [] => std::slice::from_ref(&requirement.best),
            draws => draws,
        };
        let mut samples = Samples::default();
        for course in &self.courses {
            for need in needs {
                let reached = course.reaches(need, requirement.low_chill);
                let error = shift.days + sd_days * standard_normal(&mut rng);
                samples.add(
                    counted_from_seen(course, reached.days, seen, error),
                    reached.chill_shortfall,
                );
            }
        }
        let samples_n = samples.days.len() as f64;
        let mean_chill_shortfall = samples.shortfall / samples_n;
        let bloom_days = samples.bloom_days();
        BloomForecast {
            stages: samples.date_quantiles(&self.courses[0]),
            chill_so_far_cp: self.chill_so_far_cp,
            low_chill_probability: samples.short_n as f64 / samples_n,
            mean_chill_shortfall,
            mean_spread: requirement.low_chill.spread(mean_chill_shortfall),
            bloom_days,
            passes_expected_n: bloom_days.map(|b| passes.passes_n(b.p50)),
            passes_at_most_n: bloom_days.map(|b| passes.passes_n(b.p90)),
            continuations_n: self.courses.len(),
            draws_n: needs.len(),
        }
    }

    /// The median date of each stage by the best fit alone, without residual error.
    fn median_dates(&self, requirement: &FittedRequirement) -> ByStage<Option<Date>> {
        let reached: Vec<_> = self
            .courses
            .iter()
            .map(|course| {
                course
                    .reaches(&requirement.best, requirement.low_chill)
                    .days
            })
            .collect();
        ByStage::from_fn(|stage| {
            let days = ascending(
                reached
                    .iter()
                    .map(|r| r.get(stage).unwrap_or(f64::INFINITY)),
            );
            date_at(&self.courses[0], &days, 0.5)
        })
    }
}

/// Days of a sample: each stage is moved by the error of the latest stage seen before it, or by the
/// forecast's error when none was seen.
fn counted_from_seen(
    course: &SeasonCourse,
    days: ByStage<Option<f64>>,
    seen: &BloomDates,
    error: f64,
) -> ByStage<Option<f64>> {
    let mut move_by = error;
    ByStage::from_fn(|stage| {
        let predicted = *days.get(stage);
        match (seen.get(stage), predicted) {
            (Some(date), predicted) => {
                let day = course.days_to(*date);
                move_by = predicted.map_or(move_by, |p| day - p);
                Some(day)
            }
            (None, predicted) => predicted.map(|p| p + move_by),
        }
    })
}

/// How often a mother is visited.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PassPlan {
    /// Days from one pass to the next; two keeps every flower within its pollination period.
    pub days_between: f64,
}

impl Default for PassPlan {
    fn default() -> Self {
        Self { days_between: 2.0 }
    }
}

impl PassPlan {
    /// Passes that a bloom of some days asks for, at least one.
    pub fn passes_n(&self, bloom_days: f64) -> u32 {
        (bloom_days / self.days_between.max(0.5)).ceil().max(1.0) as u32
    }
}

/// Quantiles of a date; `None` is "not within the season".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DateQuantiles {
    /// 5 %.
    pub p05: Option<Date>,
    /// 10 %.
    pub p10: Option<Date>,
    /// 25 %.
    pub p25: Option<Date>,
    /// Median.
    pub p50: Option<Date>,
    /// 75 %.
    pub p75: Option<Date>,
    /// 90 %.
    pub p90: Option<Date>,
    /// 95 %.
    pub p95: Option<Date>,
}

/// Quantiles of a number.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantiles {
    /// 10 %.
    pub p10: f64,
    /// Median.
    pub p50: f64,
    /// 90 %.
    pub p90: f64,
}

/// A variety's bloom as forecast.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BloomForecast {
    /// Dates of BBCH 59, 65 and 69.
    pub stages: ByStage<DateQuantiles>,
    /// Chill known so far, portions.
    pub chill_so_far_cp: f64,
    /// Share of the ways the season may go in which chill ends short.
    pub low_chill_probability: f64,
    /// Mean share of the chill need left unmet.
    pub mean_chill_shortfall: f64,
    /// How many times its usual length the bloom lasts for want of chill, on average; 1 is usual.
    pub mean_spread: f64,
    /// Days from balloon to end of bloom; long after a winter short of chill. `None` when no
    /// sample reaches the end of bloom.
    pub bloom_days: Option<Quantiles>,
    /// Passes expected on a mother at the median length of bloom.
    pub passes_expected_n: Option<u32>,
    /// Passes at the 90 % quantile of the length of bloom.
    pub passes_at_most_n: Option<u32>,
    /// Continuations used.
    pub continuations_n: usize,
    /// Draws of the requirement used.
    pub draws_n: usize,
}

#[derive(Default)]
struct Samples {
    days: Vec<ByStage<f64>>,
    bloom_days: Vec<f64>,
    short_n: usize,
    shortfall: f64,
}

impl Samples {
    fn add(&mut self, days: ByStage<Option<f64>>, chill_shortfall: f64) {
        if let (Some(first), Some(last)) = (days.balloon, days.end_of_bloom) {
            self.bloom_days.push((last - first).max(0.0));
        }
        self.days
            .push(ByStage::from_fn(|s| days.get(s).unwrap_or(f64::INFINITY)));
        self.short_n += usize::from(chill_shortfall > 0.0);
        self.shortfall += chill_shortfall;
    }

    fn bloom_days(&self) -> Option<Quantiles> {
        let days = ascending(self.bloom_days.iter().copied());
        Some(Quantiles {
            p10: quantile(&days, 0.1)?,
            p50: quantile(&days, 0.5)?,
            p90: quantile(&days, 0.9)?,
        })
    }

    fn date_quantiles(&self, course: &SeasonCourse) -> ByStage<DateQuantiles> {
        ByStage::from_fn(|stage| {
            let days = ascending(self.days.iter().map(|d| *d.get(stage)));
            let at = |share| date_at(course, &days, share);
            DateQuantiles {
                p05: at(0.05),
                p10: at(0.10),
                p25: at(0.25),
                p50: at(0.50),
                p75: at(0.75),
                p90: at(0.90),
                p95: at(0.95),
            }
        })
    }
}

fn ascending(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    values
}

fn date_at(course: &SeasonCourse, ascending_days: &[f64], share: f64) -> Option<Date> {
    quantile(ascending_days, share)
        .filter(|d| d.is_finite())
        .map(|d| course.date_after(d))
}

/// An indicator tree's stage, forecast and seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IndicatorReading {
    /// Median of its forecast.
    pub forecast: Date,
    /// Day it was seen.
    pub observed: Date,
}

/// How much later (positive, days) the season runs than its forecasts, learned from indicator trees.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct IndicatorShift {
    /// Days to add to forecasts.
    pub days: f64,
    /// Standard error of that, days.
    pub standard_error_days: f64,
    /// Trees it rests on.
    pub trees_n: usize,
}

/// Spread of whole seasons about their forecasts, days (ours).
const SEASON_SD_DAYS: f64 = 2.0;
/// Spread of single trees about their season, days (ours).
const TREE_SD_DAYS: f64 = 1.5;
/// A forecast is never surer than this, days.
const LEAST_SD_DAYS: f64 = 1.0;

impl IndicatorShift {
    /// The mean of observed less forecast, drawn towards 0 the fewer trees there are.
    pub fn from_readings(readings: &[IndicatorReading]) -> Self {
        if readings.is_empty() {
            return Self::default();
        }
        let trees = readings.len() as f64;
        let mean = readings
            .iter()
            .map(|r| r.observed.duration_since(r.forecast).as_secs_f64() / 86_400.0)
            .sum::<f64>()
            / trees;
        let trust = trees / (trees + (TREE_SD_DAYS / SEASON_SD_DAYS).powi(2));
        Self {
            days: trust * mean,
            standard_error_days: SEASON_SD_DAYS * (1.0 - trust).sqrt(),
            trees_n: readings.len(),
        }
    }

    /// Residual spread once the season's own share of it is known from indicator trees.
    fn remaining_sd_days(&self, residual_sd_days: f64) -> f64 {
        if self.trees_n == 0 {
            return residual_sd_days.max(LEAST_SD_DAYS);
        }
        let tree_part = residual_sd_days.powi(2) - SEASON_SD_DAYS.powi(2);
        (tree_part.max(LEAST_SD_DAYS.powi(2)) + self.standard_error_days.powi(2)).sqrt()
    }
}

/// A past season to be forecast as if it had not happened.
#[derive(Clone, Debug)]
pub struct PastSeason {
    /// Its temperatures.
    pub hours: CompleteHours,
    /// The variety's dates.
    pub observed: BloomDates,
}

/// From when a blind forecast looks ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BlindFrom {
    /// From a number of days after the start of the season, continued by the other seasons.
    DaysIntoSeason(u16),
    /// With the whole season's temperatures known: tests the requirement alone.
    TemperaturesKnown,
}

/// One blind forecast.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlindForecast {
    /// The stage.
    pub stage: BloomStage,
    /// Day seen.
    pub observed: Date,
    /// Median of the forecast made without that season's dates; `None` when not reached.
    pub forecast: Option<Date>,
    /// The mean date of the other seasons.
    pub mean_date: Date,
}

/// Mean absolute errors of blind forecasts and of the mean-date rule over the same dates.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlindScore {
    /// Of the forecast, days.
    pub forecast_mae_days: f64,
    /// Of the mean date of the other seasons, days.
    pub mean_date_mae_days: f64,
    /// Dates scored.
    pub dates_n: usize,
    /// Dates that the forecast did not reach within the season; scored at the season's end.
    pub unreached_n: usize,
}

/// Blind forecasts and their scores by stage; `None` for a stage with fewer than two dates.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlindScores {
    /// Scores by stage.
    pub stages: ByStage<Option<BlindScore>>,
    /// Every forecast.
    pub forecasts: Vec<BlindForecast>,
}

const LEAST_SEASONS_N: usize = 3;

/// Forecasts each past season from a fit to the others and compares it with the mean-date rule.
///
/// # Errors
/// [`ForecastError`] for fewer than three seasons with a date, or dates that do not fit.
pub fn score_blind(
    seasons: &[PastSeason],
    prior: &RequirementPrior,
    from: BlindFrom,
) -> Result<BlindScores, ForecastError> {
    let dated: Vec<&PastSeason> = seasons
        .iter()
        .filter(|s| {
            BloomStage::ALL
                .iter()
                .any(|&stage| s.observed.get(stage).is_some())
        })
        .collect();
    if dated.len() < LEAST_SEASONS_N {
        let (seasons_n, needed_n) = (dated.len(), LEAST_SEASONS_N);
        return Err(FitError::TooFewSeasons {
            seasons_n,
            needed_n,
        }
        .into());
    }
    let courses: Vec<SeasonCourse> = dated.iter().map(|s| SeasonCourse::new(&s.hours)).collect();
    let settings = FitSettings {
        draws_n: 0,
        ..FitSettings::default()
    };
    let mut forecasts = Vec::new();
    let mut errors: Vec<(BloomStage, f64, f64, bool)> = Vec::new();
    for (left_out, season) in dated.iter().enumerate() {
        let others = || (0..dated.len()).filter(move |&i| i != left_out);
        let records: Vec<SeasonRecord<'_>> = others()
            .map(|i| SeasonRecord {
                course: &courses[i],
                observed: dated[i].observed,
            })
            .collect();
        let requirement = fit_requirement(&records, prior, settings)?;
        let outlook = match from {
            BlindFrom::TemperaturesKnown => Outlook::known(&season.hours),
            BlindFrom::DaysIntoSeason(days) => {
                let then = season.hours.start().saturating_add(i64::from(days).days());
                let past: Vec<CompleteHours> = others().map(|i| dated[i].hours.clone()).collect();
                Outlook::continued(&season.hours.until(then), &past)?
            }
        };
        let medians = outlook.median_dates(&requirement);
        for stage in BloomStage::ALL {
            let Some(observed) = *season.observed.get(stage) else {
                continue;
            };
            let other_days: Vec<f64> = others()
                .filter_map(|i| {
                    dated[i]
                        .observed
                        .get(stage)
                        .map(|d| days_from_new_year(&dated[i].hours, d))
                })
                .collect();
            if other_days.is_empty() {
                continue;
            }
            let mean_day = other_days.iter().sum::<f64>() / other_days.len() as f64;
            let day = days_from_new_year(&season.hours, observed);
            let forecast = *medians.get(stage);
            let forecast_day =
                days_from_new_year(&season.hours, forecast.unwrap_or(season.hours.end().date()));
            errors.push((
                stage,
                (forecast_day - day).abs(),
                (mean_day - day).abs(),
                forecast.is_none(),
            ));
            let mean_date =
                new_year(&season.hours).saturating_add((mean_day.round() as i64).days());
            forecasts.push(BlindForecast {
                stage,
                observed,
                forecast,
                mean_date,
            });
        }
    }
    let stages = ByStage::from_fn(|stage| {
        let of_stage: Vec<_> = errors.iter().filter(|e| e.0 == stage).collect();
        let n = of_stage.len() as f64;
        (of_stage.len() > 1).then(|| BlindScore {
            forecast_mae_days: of_stage.iter().map(|e| e.1).sum::<f64>() / n,
            mean_date_mae_days: of_stage.iter().map(|e| e.2).sum::<f64>() / n,
            dates_n: of_stage.len(),
            unreached_n: of_stage.iter().filter(|e| e.3).count(),
        })
    });
    Ok(BlindScores { stages, forecasts })
}

/// The New Year that follows the season's start, from which days are counted in every season.
fn new_year(season: &CompleteHours) -> Date {
    jiff::civil::date(season.start().year().saturating_add(1), 1, 1)
}

fn days_from_new_year(season: &CompleteHours, date: Date) -> f64 {
    date.duration_since(new_year(season)).as_secs_f64() / 86_400.0
}
