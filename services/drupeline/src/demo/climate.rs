//! Winters of the demo's home and the bloom that follows from them.
//!
//! Days are drawn about a yearly course with spells that last some days. A winter is told by its
//! chill hours between 0 and 7.2 °C, of which a warm-winter valley has 600 to 700 in a usual year,
//! 300 in a poor one, and had 1,200 some decades ago (common practice, no source); the offset of its
//! coldest months is found so that it has them. Bloom follows from chill and heat by each plant's own
//! need, and from what no model knows: a deviate of its own for each plant and season.

use std::collections::BTreeMap;

use jiff::civil::{Date, date};
use phenology::chill::{ChillModel, chill_account};
use phenology::daylength::Latitude;
use phenology::hourly::{DailyExtremes, hourly_from_daily};
use phenology::requirement::{ByStage, LowChill, Need, SeasonCourse};
use phenology::series::CompleteHours;
use phenology::temperature::TemperatureUnit;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Normal};

use super::biology::{Plant, stream};

/// Where the home lies, degrees north.
pub const LATITUDE_DEG: f64 = 36.72;
const SEED: u64 = 0xc0_1d;
/// Day of the year with the lowest mean, mean of the year and half its swing, °C.
const COLDEST_DAY: f64 = 14.0;
const MEAN_C: f64 = 18.5;
const SWING_C: f64 = 8.0;
/// Years before this had the winters of old.
const OLD_WINTERS_UNTIL: i16 = 1995;
/// Standard deviation of a plant's bloom about what its need foretells, days.
const OWN_DAYS: f64 = 1.4;

/// What kind of winter one was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One of decades ago.
    Old,
    /// A usual one.
    Usual,
    /// A warm one, short of chill.
    Poor,
}

impl Kind {
    /// The kind of the winter before a year's bloom; every fifth is poor.
    pub fn of(season: i16) -> Self {
        match season {
            old if old < OLD_WINTERS_UNTIL => Self::Old,
            poor if poor % 5 == 3 => Self::Poor,
            _ => Self::Usual,
        }
    }

    fn chill_hours(self, rng: &mut ChaCha8Rng) -> f64 {
        let (mean, sd) = match self {
            Self::Old => (1200.0, 45.0),
            Self::Usual => (650.0, 25.0),
            Self::Poor => (300.0, 15.0),
        };
        mean + normal(rng, sd)
    }
}

fn normal(rng: &mut ChaCha8Rng, sd: f64) -> f64 {
    Normal::new(0.0, sd).map_or(0.0, |normal| normal.sample(rng))
}

/// The winter and spring that lead to a year's bloom, from 1 October to 30 June, in tenths of a
/// degree as a station writes them.
pub fn days(season: i16) -> Vec<DailyExtremes> {
    let name = season.to_string();
    let wanted = Kind::of(season).chill_hours(&mut stream(SEED, &["chill hours", &name]));
    // Chill hours fall as the coldest months grow warmer.
    let (mut colder, mut warmer) = (-9.0, 9.0);
    for _ in 0..24 {
        let middle = f64::midpoint(colder, warmer);
        if chill_hours(&drawn(season, middle)) > wanted {
            colder = middle;
        } else {
            warmer = middle;
        }
    }
    drawn(season, f64::midpoint(colder, warmer))
}

/// Days with an offset of the coldest months, November to January.
fn drawn(season: i16, offset_c: f64) -> Vec<DailyExtremes> {
    let rng = &mut stream(SEED, &["days", &season.to_string()]);
    let spring_c = normal(rng, 0.6);
    let mut spell_c = 0.0;
    let (first, last) = (date(season - 1, 10, 1), date(season, 6, 30));
    first
        .series(jiff::Span::new().days(1))
        .take_while(|day| *day <= last)
        .map(|day| {
            spell_c = 0.7 * spell_c + normal(rng, 1.25);
            let swing_c = (5.6 + normal(rng, 1.2)).max(2.5);
            let wave =
                std::f64::consts::TAU * (f64::from(day.day_of_year()) - COLDEST_DAY) / 365.25;
            let offset_c = if day.month() == 1 || day.month() >= 11 {
                offset_c
            } else {
                spring_c
            };
            let mean_c = MEAN_C - SWING_C * wave.cos() + offset_c + spell_c;
            let tenths = |value: f64| (value * 10.0).round() / 10.0;
            DailyExtremes {
                date: day,
                min_c: tenths(mean_c - swing_c),
                max_c: tenths(mean_c + swing_c),
            }
        })
        .collect()
}

/// Hours built from days.
///
/// # Panics
/// Never for days drawn here, which follow each other and are plausible.
pub fn hours(days: &[DailyExtremes]) -> CompleteHours {
    let latitude = Latitude::new(LATITUDE_DEG).expect("a latitude");
    hourly_from_daily(days, latitude, TemperatureUnit::CelsiusConfirmed)
        .expect("days in order")
        .complete()
        .expect("no day is missing")
}

/// Chill hours between 0 and 7.2 °C.
pub fn chill_hours(days: &[DailyExtremes]) -> f64 {
    chill_account(ChillModel::Hours0To7_2, hours(days).hours()).total
}

/// The days on which a plant reached its stages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bloom {
    /// BBCH 59.
    pub balloon: Date,
    /// BBCH 65.
    pub full_bloom: Date,
    /// BBCH 69.
    pub end: Date,
}

/// Winters as trees live them.
pub struct Climate {
    courses: BTreeMap<i16, SeasonCourse>,
}

impl Climate {
    /// The winters of some seasons.
    pub fn of(seasons: impl IntoIterator<Item = i16>) -> Self {
        let courses = seasons
            .into_iter()
            .map(|season| (season, SeasonCourse::new(&hours(&days(season)))))
            .collect();
        Self { courses }
    }

    /// Seasons whose winters are known here, oldest first.
    pub fn seasons(&self) -> impl Iterator<Item = i16> + '_ {
        self.courses.keys().copied()
    }

    /// When a plant of some name bloomed.
    ///
    /// # Panics
    /// When the season is not one of this climate.
    pub fn bloom(&self, plant: &Plant, name: &str, season: i16) -> Bloom {
        let course = &self.courses[&season];
        let reached = course.reaches(&need(plant), LowChill::default()).days;
        let rng = &mut stream(SEED, &["bloom", name, &season.to_string()]);
        let own_days = normal(rng, OWN_DAYS);
        let late = course.days_to(date(season, 3, 20));
        let on = |days: Option<f64>| course.date_after(days.unwrap_or(late) + own_days);
        let balloon = on(reached.balloon);
        let full_bloom = on(reached.full_bloom).max(balloon.saturating_add(days_of(3)));
        Bloom {
            balloon,
            full_bloom,
            end: on(reached.end_of_bloom).max(full_bloom.saturating_add(days_of(4))),
        }
    }
}

fn days_of(n: i64) -> jiff::Span {
    jiff::Span::new().days(n)
}

/// A plant's need follows from how late it blooms in a mean year: the late need more chill, and
/// more heat after it.
fn need(plant: &Plant) -> Need {
    let late_days = plant.bloom_day - 46.0;
    let balloon = (5250.0 + 120.0 * late_days).max(4550.0);
    Need {
        chill_cp: (19.5 + 0.5 * late_days).clamp(15.0, 30.0),
        heat_gdh: ByStage {
            balloon,
            full_bloom: balloon + 900.0,
            end_of_bloom: balloon + 2500.0,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 300 chill hours in a poor winter, 600 to 700 in a usual one, 1,200 decades ago (common
    /// practice, no source).
    #[test]
    fn winters_have_the_chill_hours_of_the_trade() {
        let of = |kind: Kind, seasons: std::ops::RangeInclusive<i16>| -> Vec<f64> {
            seasons
                .filter(|season| Kind::of(*season) == kind)
                .map(|season| chill_hours(&days(season)))
                .collect()
        };
        let usual = of(Kind::Usual, 2010..=2026);
        let poor = of(Kind::Poor, 2010..=2026);
        let old = of(Kind::Old, 1980..=1986);
        println!("usual {usual:?}\npoor {poor:?}\nold {old:?}");
        assert!(usual.iter().all(|h| (575.0..=725.0).contains(h)));
        let within = usual
            .iter()
            .filter(|h| (600.0..=700.0).contains(*h))
            .count();
        assert!(
            within * 4 >= usual.len() * 3,
            "most lie between 600 and 700"
        );
        assert!(poor.iter().all(|h| (250.0..=350.0).contains(h)));
        assert!(old.iter().all(|h| (1050.0..=1350.0).contains(h)));
    }

    #[test]
    fn the_same_season_has_the_same_days() {
        assert_eq!(days(2024), days(2024));
        assert_ne!(days(2024), days(2025));
    }
}
