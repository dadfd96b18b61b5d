//! What a variety needs of winter and spring, learned from its own dated bloom.
//!
//! The model is sequential: chill portions, then growing degree hours, one amount of heat for each
//! of balloon, full bloom and end of bloom. Published ranges by species are the prior; records
//! pull away from it as they come. Intervals come from refits to resampled seasons with the prior
//! and the dates redrawn, so they stay honest with few records and equal the prior with none.

use crate::chill::{ChillAccumulator, ChillModel};
use crate::heat::{HeatModel, running_heat};
use crate::series::{CompleteHours, hour_at};
use jiff::civil::{Date, DateTime};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF as _, Normal};
use thiserror::Error;

/// The stages forecast, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BloomStage {
    /// BBCH 59, balloon.
    Balloon,
    /// BBCH 65, full bloom.
    FullBloom,
    /// BBCH 69, end of bloom.
    EndOfBloom,
}

impl BloomStage {
    /// The three stages in order.
    pub const ALL: [Self; 3] = [Self::Balloon, Self::FullBloom, Self::EndOfBloom];

    /// The BBCH code.
    pub fn bbch(self) -> u8 {
        match self {
            Self::Balloon => 59,
            Self::FullBloom => 65,
            Self::EndOfBloom => 69,
        }
    }

    /// Heat beyond full bloom, °C·h, assumed while a stage has no records: about five days before
    /// and ten after at 13 °C. Ours.
    fn heat_from_full_bloom_gdh(self) -> f64 {
        match self {
            Self::Balloon => -900.0,
            Self::FullBloom => 0.0,
            Self::EndOfBloom => 1800.0,
        }
    }
}

/// One value for each of balloon, full bloom and end of bloom.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ByStage<T> {
    /// BBCH 59.
    pub balloon: T,
    /// BBCH 65.
    pub full_bloom: T,
    /// BBCH 69.
    pub end_of_bloom: T,
}

impl<T> ByStage<T> {
    /// Makes each value from its stage.
    pub fn from_fn(mut f: impl FnMut(BloomStage) -> T) -> Self {
        Self {
            balloon: f(BloomStage::Balloon),
            full_bloom: f(BloomStage::FullBloom),
            end_of_bloom: f(BloomStage::EndOfBloom),
        }
    }

    /// The value of one stage.
    pub fn get(&self, stage: BloomStage) -> &T {
        match stage {
            BloomStage::Balloon => &self.balloon,
            BloomStage::FullBloom => &self.full_bloom,
            BloomStage::EndOfBloom => &self.end_of_bloom,
        }
    }
}

/// Dates on which a variety reached its stages in one season, as far as recorded.
pub type BloomDates = ByStage<Option<Date>>;

/// Species with published ranges.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Species {
    /// *Prunus persica*.
    Peach,
    /// *Prunus persica* without fuzz.
    Nectarine,
    /// *Prunus armeniaca*.
    Apricot,
    /// *Prunus avium*.
    SweetCherry,
    /// *Prunus salicina* and its hybrids.
    JapanesePlum,
    /// *Prunus domestica*.
    EuropeanPlum,
}

/// A range of published values, taken as one standard deviation either side of its middle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Range {
    /// Lowest value.
    pub low: f64,
    /// Highest value.
    pub high: f64,
}

impl Range {
    fn middle(self) -> f64 {
        f64::midpoint(self.low, self.high)
    }

    fn sd(self) -> f64 {
        ((self.high - self.low) / 2.0).max(1e-6)
    }
}

/// Where a requirement starts from before there are records.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RequirementPrior {
    /// Chill, portions.
    pub chill_cp: Range,
    /// Heat from the end of rest to full bloom, °C·h.
    pub heat_gdh: Range,
    /// Source, and whether it was read.
    pub source: String,
}

impl RequirementPrior {
    /// The published range of a species.
    pub fn of(species: Species) -> Self {
        let (chill, heat, source) = match species {
            Species::Peach => (
                (8.0, 75.0),
                (4808.0, 7721.0),
                "portions: UC compilation after Erez 2000; heat: Agronomy 2022, 12:1002, 136 cultivars",
            ),
            Species::Nectarine => (
                (12.0, 63.0),
                (4808.0, 7721.0),
                "portions: UC compilation; heat taken from peach",
            ),
            Species::Apricot => (
                (30.0, 69.0),
                (2624.0, 6000.0),
                "portions: UC compilation after Ruiz 2007, Campoy 2012; heat: Acta Hortic. 1214:15-18, \
                 upper end widened from memory",
            ),
            Species::SweetCherry => (
                (30.0, 70.0),
                (5000.0, 9500.0),
                "portions: UC compilation after Alburquerque 2008, Erez 2000; heat from memory",
            ),
            Species::JapanesePlum => (
                (15.0, 60.0),
                (5990.0, 9228.0),
                "portions from memory; heat: Ruiz and others 2018, Sci. Hortic. 242:164-169",
            ),
            Species::EuropeanPlum => (
                (45.0, 75.0),
                (5000.0, 9500.0),
                "portions: UC compilation (55-60 for one cultivar), widened; heat from memory",
            ),
        };
        let range = |(low, high)| Range { low, high };
        Self {
            chill_cp: range(chill),
            heat_gdh: range(heat),
            source: source.to_owned(),
        }
    }
}

/// What happens when the winter ends short of the chill needed. The direction is well known, the
/// sizes are ours: replace them by own records.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LowChill {
    /// Extra heat needed as a share of the need, for each unit share of chill missing.
    pub heat_per_shortfall: f64,
    /// Extra length of bloom as a share of it, for each unit share of chill missing.
    pub spread_per_shortfall: f64,
}

impl Default for LowChill {
    fn default() -> Self {
        Self {
            heat_per_shortfall: 1.0,
            spread_per_shortfall: 2.0,
        }
    }
}

impl LowChill {
    /// How many times its usual length a bloom lasts when a share of the chill is missing.
    pub fn spread(self, chill_shortfall: f64) -> f64 {
        1.0 + self.spread_per_shortfall * chill_shortfall
    }
}

/// Running chill (portions) and heat (°C·h) of one season at one station; made once, used for every
/// variety there.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonCourse {
    start: DateTime,
    chill_cp: Vec<f64>,
    heat_gdh: Vec<f64>,
    last_chill_hour: usize,
}

/// A need in numbers: chill and heat for each stage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Need {
    /// Chill, portions.
    pub chill_cp: f64,
    /// Heat after chill, °C·h.
    pub heat_gdh: ByStage<f64>,
}

/// When a course reaches the stages of a need.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Days from the start of the season; `None` when not reached within it.
    pub days: ByStage<Option<f64>>,
    /// Share of the chill need that the whole season leaves unmet, 0 to 1.
    pub chill_shortfall: f64,
}

/// Where heat starts to count, and what the need is multiplied by.
#[derive(Clone, Copy)]
struct HeatStart {
    at_gdh: f64,
    need_factor: f64,
    chill_shortfall: f64,
}

const HOURS_A_DAY: f64 = 24.0;

impl SeasonCourse {
    /// The course of a season's temperatures by the dynamic model and curvilinear heat.
    pub fn new(season: &CompleteHours) -> Self {
        let mut chill =
            ChillAccumulator::starting_at(ChillModel::Dynamic, season.first_clock_hour());
        let chill_cp: Vec<f64> = season.hours().iter().map(|&t| chill.push(t)).collect();
        let last_chill_hour = chill_cp
            .windows(2)
            .rposition(|pair| pair[1] > pair[0])
            .map_or(0, |i| i + 1);
        Self {
            start: season.start(),
            heat_gdh: running_heat(HeatModel::Curvilinear, season.hours()),
            chill_cp,
            last_chill_hour,
        }
    }

    /// First hour.
    pub fn start(&self) -> DateTime {
        self.start
    }

    /// Chill at the end, portions.
    pub fn total_chill_cp(&self) -> f64 {
        self.chill_cp.last().copied().unwrap_or(0.0)
    }

    /// Running chill after each hour, portions.
    pub fn chill_cp(&self) -> &[f64] {
        &self.chill_cp
    }

    /// Running heat after each hour, °C·h.
    pub fn heat_gdh(&self) -> &[f64] {
        &self.heat_gdh
    }

    /// The date some days after the start.
    pub fn date_after(&self, days: f64) -> Date {
        hour_at(self.start, (days.max(0.0) * HOURS_A_DAY) as usize).date()
    }

    /// Days from the start to noon of a date; negative before it.
    pub fn days_to(&self, date: Date) -> f64 {
        date.at(12, 0, 0, 0)
            .duration_since(self.start)
            .as_secs_f64()
            / 86_400.0
    }

    fn length_days(&self) -> f64 {
        self.heat_gdh.len() as f64 / HOURS_A_DAY
    }

    fn heat_start(&self, chill_cp: f64, low_chill: LowChill) -> HeatStart {
        let met = self.chill_cp.partition_point(|&sum| sum < chill_cp);
        let (hour, chill_shortfall) = if met < self.chill_cp.len() {
            (met, 0.0)
        } else {
            (self.last_chill_hour, 1.0 - self.total_chill_cp() / chill_cp)
        };
        HeatStart {
            at_gdh: self.heat_gdh.get(hour).copied().unwrap_or(0.0),
            need_factor: 1.0 + low_chill.heat_per_shortfall * chill_shortfall,
            chill_shortfall,
        }
    }

    fn day_of_heat(&self, start: HeatStart, need_gdh: f64) -> Option<f64> {
        let goal = start.at_gdh + need_gdh * start.need_factor;
        let hour = self.heat_gdh.partition_point(|&sum| sum < goal);
        (hour < self.heat_gdh.len()).then(|| (hour + 1) as f64 / HOURS_A_DAY)
    }

    /// Heat sum at a day, °C·h.
    fn heat_at_gdh(&self, day: f64) -> f64 {
        let hour = (day * HOURS_A_DAY).max(0.0) as usize;
        hour.checked_sub(1)
            .map_or(0.0, |i| self.heat_gdh[i.min(self.heat_gdh.len() - 1)])
    }

    /// When the season reaches the stages of a need. When chill ends short, heat counts from the
    /// last hour that brought chill, and [`LowChill`] lengthens what follows.
    pub fn reaches(&self, need: &Need, low_chill: LowChill) -> Course {
        let start = self.heat_start(need.chill_cp, low_chill);
        let mut days = ByStage::from_fn(|stage| self.day_of_heat(start, *need.heat_gdh.get(stage)));
        if let (Some(first), Some(last)) = (days.balloon, days.end_of_bloom) {
            let spread = low_chill.spread(start.chill_shortfall);
            days.end_of_bloom = Some(first + (last - first) * spread);
        }
        Course {
            days,
            chill_shortfall: start.chill_shortfall,
        }
    }
}

/// One season of a variety: its station's course and the dates seen.
#[derive(Clone, Copy, Debug)]
pub struct SeasonRecord<'a> {
    /// The season at the variety's station.
    pub course: &'a SeasonCourse,
    /// Dates seen.
    pub observed: BloomDates,
}

/// Why a variety cannot be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum FitError {
    /// A date outside its temperatures.
    #[error("BBCH {} on {date} lies outside the temperatures of the season, {from} to {to}; give the \
             season's temperatures up to the date", .stage.bbch())]
    OutsideSeason {
        /// The stage.
        stage: BloomStage,
        /// The date.
        date: Date,
        /// First day of temperatures.
        from: Date,
        /// Last day of temperatures.
        to: Date,
    },
    /// Stages that run backwards.
    #[error("BBCH {} on {later_on} comes before BBCH {} on {earlier_on}; correct one of the dates",
            .later.bbch(), .earlier.bbch())]
    OutOfOrder {
        /// The stage that should come first.
        earlier: BloomStage,
        /// Its date.
        earlier_on: Date,
        /// The stage that should follow.
        later: BloomStage,
        /// Its date.
        later_on: Date,
    },
    /// Too few seasons to leave one out.
    #[error("scoring needs at least {needed_n} seasons with a date, {seasons_n} given")]
    TooFewSeasons {
        /// Seasons given.
        seasons_n: usize,
        /// Seasons needed.
        needed_n: usize,
    },
}

/// A fitted value with a 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
}

/// A variety's requirement, with the draws that carry its uncertainty into forecasts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FittedRequirement {
    /// Best fit.
    pub best: Need,
    /// Chill, portions.
    pub chill_cp: Estimate,
    /// Heat by stage, °C·h.
    pub heat_gdh: ByStage<Estimate>,
    /// Standard deviation of observed about predicted dates, days.
    pub residual_sd_days: f64,
    /// Seasons with at least one date.
    pub seasons_n: usize,
    /// Dates used.
    pub dates_n: usize,
    /// Where the fit started from.
    pub prior: RequirementPrior,
    /// Assumptions about short winters.
    pub low_chill: LowChill,
    /// Refits.
    pub draws: Vec<Need>,
}

/// How to fit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FitSettings {
    /// Refits for the intervals.
    pub draws_n: usize,
    /// Seed of the refits.
    pub seed: u64,
    /// Assumptions about short winters.
    pub low_chill: LowChill,
}

impl Default for FitSettings {
    fn default() -> Self {
        Self {
            draws_n: 200,
            seed: 1,
            low_chill: LowChill::default(),
        }
    }
}

/// Spread of observed about predicted dates that records are weighed by, days.
const DATE_SD_DAYS: f64 = 3.0;
/// Error of a recorded date itself, days.
const RECORDING_SD_DAYS: f64 = 1.0;
/// Residual spread assumed before records, days, and how many dates that assumption is worth.
const ASSUMED_RESIDUAL: (f64, f64) = (4.0, 3.0);
/// Least heat between stages, °C·h.
const LEAST_STEP_GDH: f64 = 100.0;
/// Error charged for a stage that the season never reaches, days beyond its end.
const UNREACHED_DAYS: f64 = 10.0;

/// Fits chill and heat to a variety's records (none are needed), with intervals from refits.
///
/// # Errors
/// [`FitError`] when a date lies outside its season or stages run backwards.
pub fn fit_requirement(
    records: &[SeasonRecord<'_>],
    prior: &RequirementPrior,
    settings: FitSettings,
) -> Result<FittedRequirement, FitError> {
    records.iter().try_for_each(check)?;
    let targets: Vec<Target<'_>> = records.iter().filter_map(Target::new).collect();
    let low_chill = settings.low_chill;
    let best = Fit {
        targets: &targets,
        centre: Centre::of(prior),
        prior,
        low_chill,
    }
    .best();

    let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
    let draws: Vec<Need> = (0..settings.draws_n)
        .map(|_| {
            let resampled: Vec<Target<'_>> = (0..targets.len())
                .map(|_| targets[rng.random_range(0..targets.len())].jittered(&mut rng))
                .collect();
            let centre = Centre::drawn(prior, &mut rng);
            Fit {
                targets: &resampled,
                centre,
                prior,
                low_chill,
            }
            .best()
        })
        .collect();

    let residuals: Vec<f64> = targets
        .iter()
        .flat_map(|t| t.errors(&best, low_chill))
        .collect();
    let (assumed_sd, worth) = ASSUMED_RESIDUAL;
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    let residual_sd_days =
        ((worth * assumed_sd * assumed_sd + squares) / (worth + residuals.len() as f64)).sqrt();
    let estimate = |value: f64, of: &dyn Fn(&Need) -> f64| {
        let mut values: Vec<f64> = draws.iter().map(of).collect();
        values.sort_unstable_by(f64::total_cmp);
        let low = quantile(&values, 0.05).unwrap_or(value).min(value);
        let high = quantile(&values, 0.95).unwrap_or(value).max(value);
        Estimate { value, low, high }
    };
    Ok(FittedRequirement {
        best,
        chill_cp: estimate(best.chill_cp, &|need| need.chill_cp),
        heat_gdh: ByStage::from_fn(|stage| {
            estimate(*best.heat_gdh.get(stage), &move |need| {
                *need.heat_gdh.get(stage)
            })
        }),
        residual_sd_days,
        seasons_n: targets.len(),
        dates_n: residuals.len(),
        prior: prior.clone(),
        low_chill,
        draws,
    })
}

fn check(record: &SeasonRecord<'_>) -> Result<(), FitError> {
    let SeasonRecord { course, observed } = record;
    let seen: Vec<(BloomStage, Date)> = BloomStage::ALL
        .into_iter()
        .filter_map(|s| observed.get(s).map(|d| (s, d)))
        .collect();
    for &(stage, date) in &seen {
        if !(0.0..=course.length_days()).contains(&course.days_to(date)) {
            return Err(FitError::OutsideSeason {
                stage,
                date,
                from: course.start.date(),
                to: course.date_after(course.length_days()),
            });
        }
    }
    for pair in seen.windows(2) {
        let ((earlier, earlier_on), (later, later_on)) = (pair[0], pair[1]);
        if later_on < earlier_on {
            return Err(FitError::OutOfOrder {
                earlier,
                earlier_on,
                later,
                later_on,
            });
        }
    }
    Ok(())
}

/// Value at a share (0..=1) of ascending values, with straight lines between them.
pub(crate) fn quantile(ascending: &[f64], share: f64) -> Option<f64> {
    let last = ascending.len().checked_sub(1)?;
    let position = share * last as f64;
    let (below, above) = (
        ascending[position.floor() as usize],
        ascending[position.ceil() as usize],
    );
    let part = position.fract();
    // Infinite values stand for "never"; a straight line towards them is never, too.
    Some(if part == 0.0 || below == above {
        below
    } else {
        below + (above - below) * part
    })
}

pub(crate) fn standard_normal(rng: &mut ChaCha8Rng) -> f64 {
    Normal::standard().inverse_cdf(rng.random_range(1e-12..1.0 - 1e-12))
}

/// A season's observed days, ready to be fitted.
#[derive(Clone, Copy)]
struct Target<'a> {
    course: &'a SeasonCourse,
    days: ByStage<Option<f64>>,
}

impl<'a> Target<'a> {
    fn new(record: &SeasonRecord<'a>) -> Option<Self> {
        let course = record.course;
        let days = ByStage::from_fn(|s| record.observed.get(s).map(|d| course.days_to(d)));
        BloomStage::ALL
            .iter()
            .any(|&s| days.get(s).is_some())
            .then_some(Self { course, days })
    }

    fn jittered(&self, rng: &mut ChaCha8Rng) -> Self {
        let days = ByStage::from_fn(|s| {
            self.days
                .get(s)
                .map(|d| d + RECORDING_SD_DAYS * standard_normal(rng))
        });
        Self {
            course: self.course,
            days,
        }
    }

    fn error(&self, start: HeatStart, heat_gdh: f64, observed: f64) -> f64 {
        let unreached = self.course.length_days() + UNREACHED_DAYS;
        self.course
            .day_of_heat(start, heat_gdh)
            .unwrap_or(unreached)
            - observed
    }

    fn errors(&self, need: &Need, low_chill: LowChill) -> Vec<f64> {
        let start = self.course.heat_start(need.chill_cp, low_chill);
        BloomStage::ALL
            .into_iter()
            .filter_map(|s| {
                self.days
                    .get(s)
                    .map(|observed| self.error(start, *need.heat_gdh.get(s), observed))
            })
            .collect()
    }

    /// Heat between the start of the count and an observed day, and the heat of a day around it.
    fn heat_to(&self, start: HeatStart, day: f64) -> (f64, f64) {
        const AROUND_DAYS: f64 = 2.0;
        const LEAST_A_DAY_GDH: f64 = 10.0;
        let heat = (self.course.heat_at_gdh(day) - start.at_gdh) / start.need_factor;
        let around =
            self.course.heat_at_gdh(day + AROUND_DAYS) - self.course.heat_at_gdh(day - AROUND_DAYS);
        (
            heat.max(0.0),
            (around / (2.0 * AROUND_DAYS)).max(LEAST_A_DAY_GDH),
        )
    }
}

/// Where the prior pulls to.
#[derive(Clone, Copy)]
struct Centre {
    chill_cp: f64,
    heat_gdh: f64,
}

impl Centre {
    fn of(prior: &RequirementPrior) -> Self {
        Self {
            chill_cp: prior.chill_cp.middle(),
            heat_gdh: prior.heat_gdh.middle(),
        }
    }

    fn drawn(prior: &RequirementPrior, rng: &mut ChaCha8Rng) -> Self {
        let centre = Self::of(prior);
        let mut around = |middle: f64, sd: f64| {
            (middle + sd * standard_normal(rng))
                .clamp((middle - 2.0 * sd).max(0.0), middle + 2.0 * sd)
        };
        Self {
            chill_cp: around(centre.chill_cp, prior.chill_cp.sd()),
            heat_gdh: around(centre.heat_gdh, prior.heat_gdh.sd()),
        }
    }
}

/// One penalised least-squares fit of dates.
struct Fit<'a> {
    targets: &'a [Target<'a>],
    centre: Centre,
    prior: &'a RequirementPrior,
    low_chill: LowChill,
}

impl Fit<'_> {
    /// Searches chill on a coarse, then a fine grid; heat follows from chill.
    fn best(&self) -> Need {
        const COARSE_CP: f64 = 3.0;
        const FINE_CP: f64 = 0.5;
        if self.targets.is_empty() {
            return self.need(self.centre.chill_cp, ByStage::default());
        }
        let sd = self.prior.chill_cp.sd();
        let low = (self.prior.chill_cp.low - sd).max(1.0);
        let steps = ((self.prior.chill_cp.high + sd - low) / COARSE_CP).ceil() as usize;
        let coarse = (0..=steps).map(|i| low + COARSE_CP * i as f64);
        let near = self.cheapest(coarse, 0).chill_cp;
        let fine = (-5..=5).map(|i| (near + FINE_CP * f64::from(i)).max(0.5));
        self.cheapest(fine, 5)
    }

    fn cheapest(&self, chills: impl Iterator<Item = f64>, refinements: u32) -> Need {
        chills
            .map(|chill_cp| self.at_chill(chill_cp, refinements))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or_else(
                || self.need(self.centre.chill_cp, ByStage::default()),
                |best| best.1,
            )
    }

    /// The cost and need at one amount of chill.
    fn at_chill(&self, chill_cp: f64, refinements: u32) -> (f64, Need) {
        let starts: Vec<HeatStart> = self
            .targets
            .iter()
            .map(|t| t.course.heat_start(chill_cp, self.low_chill))
            .collect();
        let mut cost = ((chill_cp - self.centre.chill_cp) / self.prior.chill_cp.sd()).powi(2);
        let heats = ByStage::from_fn(|stage| {
            let seen: Vec<(&Target<'_>, HeatStart, f64)> = self
                .targets
                .iter()
                .zip(&starts)
                .filter_map(|(t, &s)| t.days.get(stage).map(|day| (t, s, day)))
                .collect();
            if seen.is_empty() {
                return None;
            }
            let (stage_cost, heat) = self.heat_of_stage(stage, &seen, refinements);
            cost += stage_cost;
            Some(heat)
        });
        (cost, self.need(chill_cp, heats))
    }

    /// Least-squares heat of a stage: a linearised solution, then a search around it on the dates.
    fn heat_of_stage(
        &self,
        stage: BloomStage,
        seen: &[(&Target<'_>, HeatStart, f64)],
        refinements: u32,
    ) -> (f64, f64) {
        let sd = self.prior.heat_gdh.sd();
        let centre = (self.centre.heat_gdh + stage.heat_from_full_bloom_gdh()).max(LEAST_STEP_GDH);
        let cost = |heat: f64| {
            let dates: f64 = seen
                .iter()
                .map(|(target, start, day)| {
                    (target.error(*start, heat, *day) / DATE_SD_DAYS).powi(2)
                })
                .sum();
            dates + ((heat - centre) / sd).powi(2)
        };
        let (weighted, weights) = seen.iter().fold(
            (centre / (sd * sd), 1.0 / (sd * sd)),
            |sum, (target, start, day)| {
                let (heat, a_day) = target.heat_to(*start, *day);
                let weight = 1.0 / (a_day * DATE_SD_DAYS).powi(2);
                (sum.0 + weight * heat, sum.1 + weight)
            },
        );
        let mut best = (weighted / weights).max(LEAST_STEP_GDH);
        let mut best_cost = cost(best);
        let mut step = 400.0;
        for _ in 0..refinements {
            for candidate in [best - step, best + step] {
                let candidate_cost = cost(candidate.max(LEAST_STEP_GDH));
                if candidate_cost < best_cost {
                    (best, best_cost) = (candidate.max(LEAST_STEP_GDH), candidate_cost);
                }
            }
            step /= 2.0;
        }
        (best_cost, best)
    }

    /// Completes stages without records from those with, and keeps the stages in order.
    fn need(&self, chill_cp: f64, heats: ByStage<Option<f64>>) -> Need {
        let at_full_bloom: Vec<f64> = BloomStage::ALL
            .into_iter()
            .filter_map(|s| heats.get(s).map(|heat| heat - s.heat_from_full_bloom_gdh()))
            .collect();
        let full_bloom = if at_full_bloom.is_empty() {
            self.centre.heat_gdh
        } else {
            at_full_bloom.iter().sum::<f64>() / at_full_bloom.len() as f64
        };
        let mut least = LEAST_STEP_GDH;
        let heat_gdh = ByStage::from_fn(|stage| {
            let heat = heats
                .get(stage)
                .unwrap_or(full_bloom + stage.heat_from_full_bloom_gdh());
            let heat = heat.max(least);
            least = heat + LEAST_STEP_GDH;
            heat
        });
        Need { chill_cp, heat_gdh }
    }
}
