//! Hourly temperatures from daily minimum and maximum, and back.

use crate::daylength::{APPARENT_HORIZON_DEG, Latitude, day_length_spencer_h};
use crate::series::{CompleteHours, HourlySeries, Origin, Reading, SeriesError, ask_about_unit};
use crate::temperature::{Celsius, TemperatureUnit};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// Version of the reconstruction, to be stored with everything derived from it.
pub const RECONSTRUCTION_VERSION: &str = "linvill-1990, night logarithm over N+1 on both sides of \
     midnight, unrounded sunrise and sunset by Spencer 1971 at -0.8333 degrees, edge days repeated";

/// One day's extremes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DailyExtremes {
    /// The day.
    pub date: Date,
    /// Lowest temperature, °C.
    pub min_c: f64,
    /// Highest temperature, °C.
    pub max_c: f64,
}

/// A day of the reconstruction: its day of year and its extremes, minimum not above maximum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SolarDay {
    day_of_year: u32,
    min: Celsius,
    max: Celsius,
}

impl SolarDay {
    /// A day, unless its minimum is above its maximum. `day_of_year` may run past 365.
    pub fn new(day_of_year: u32, min: Celsius, max: Celsius) -> Option<Self> {
        (min <= max).then_some(Self {
            day_of_year,
            min,
            max,
        })
    }

    fn mean(self) -> Celsius {
        self.min.towards(self.max, 0.5)
    }
}

/// Sunrise, sunset and the temperature at sunset of one day.
#[derive(Clone, Copy)]
struct DayCurve {
    day: SolarDay,
    rise_h: f64,
    set_h: f64,
    sunset_c: f64,
}

impl DayCurve {
    fn new(day: SolarDay, latitude: Latitude) -> Self {
        let length_h = day_length_spencer_h(latitude, day.day_of_year, APPARENT_HORIZON_DEG);
        let mut curve = Self {
            day,
            rise_h: 12.0 - length_h / 2.0,
            set_h: 12.0 + length_h / 2.0,
            sunset_c: 0.0,
        };
        curve.sunset_c = curve.daylight_c(curve.set_h);
        curve
    }

    fn is_polar(&self) -> bool {
        self.set_h - self.rise_h <= 0.0 || self.set_h - self.rise_h >= 24.0
    }

    fn daylight_c(&self, hour: f64) -> f64 {
        let (min_c, max_c) = (self.day.min.value_c(), self.day.max.value_c());
        let length_h = self.set_h - self.rise_h;
        min_c
            + (max_c - min_c)
                * (std::f64::consts::PI * (hour - self.rise_h) / (length_h + 4.0)).sin()
    }

    /// Temperature after this day's sunset, `hour` counted from this day's midnight.
    fn night_c(&self, hour: f64, next: &Self) -> f64 {
        let night_h = 24.0 - self.set_h + next.rise_h;
        let cooled = (hour - self.set_h + 1.0).ln() / (night_h + 1.0).ln();
        self.sunset_c - (self.sunset_c - next.day.min.value_c()) * cooled
    }
}

/// Hourly temperatures (hours 0–23 solar) of consecutive days by Linvill 1990 (HortScience
/// 25:14–16): a sine by day that peaks two hours after noon, a logarithm by night that reaches the
/// next minimum at sunrise. The first and last day are repeated at the edges; in polar day or
/// night every hour has the mean of the extremes. See [`RECONSTRUCTION_VERSION`].
pub fn linvill_hours(days: &[SolarDay], latitude: Latitude) -> Vec<Celsius> {
    let curves: Vec<DayCurve> = days
        .iter()
        .map(|&day| DayCurve::new(day, latitude))
        .collect();
    let mut hours = Vec::with_capacity(24 * curves.len());
    for (i, today) in curves.iter().enumerate() {
        let before = &curves[i.saturating_sub(1)];
        let after = curves.get(i + 1).unwrap_or(today);
        for hour in (0..24).map(f64::from) {
            hours.push(if today.is_polar() {
                today.day.mean()
            } else if hour < today.rise_h {
                if before.is_polar() {
                    today.day.min
                } else {
                    Celsius::clamped(before.night_c(hour + 24.0, today))
                }
            } else if hour <= today.set_h {
                Celsius::clamped(today.daylight_c(hour))
            } else if after.is_polar() {
                after.day.min
            } else {
                Celsius::clamped(today.night_c(hour, after))
            });
        }
    }
    hours
}

/// An hourly series from daily extremes in any order of days, every hour flagged as
/// reconstructed. Days that are missing stay as gaps; the days beside a gap are edge days.
///
/// # Errors
/// [`SeriesError`] for no days, a day given twice, a minimum above its maximum, a value that is no
/// temperature (with the day's position), or a doubtful unit.
pub fn hourly_from_daily(
    days: &[DailyExtremes],
    latitude: Latitude,
    unit: TemperatureUnit,
) -> Result<HourlySeries, SeriesError> {
    ask_about_unit(days.iter().flat_map(|d| [d.min_c, d.max_c]), unit)?;
    let mut checked: Vec<(Date, SolarDay)> = Vec::with_capacity(days.len());
    for (index, day) in days.iter().enumerate() {
        let value = |v: f64| {
            Celsius::new(unit.to_celsius(v)).map_err(|error| SeriesError::Reading { index, error })
        };
        let day_of_year = u32::from(day.date.day_of_year().unsigned_abs());
        let (min, max) = (value(day.min_c)?, value(day.max_c)?);
        let solar =
            SolarDay::new(day_of_year, min, max).ok_or(SeriesError::MinimumAboveMaximum {
                date: day.date,
                min_c: min.value_c(),
                max_c: max.value_c(),
            })?;
        checked.push((day.date, solar));
    }
    checked.sort_by_key(|d| d.0);
    if let Some(pair) = checked.windows(2).find(|p| p[0].0 == p[1].0) {
        return Err(SeriesError::DuplicateDay { date: pair[0].0 });
    }
    let Some(&(first, _)) = checked.first() else {
        return Err(SeriesError::Empty);
    };

    let mut hours: Vec<Option<Reading>> = Vec::new();
    for run in checked.chunk_by(|a, b| a.0.tomorrow().is_ok_and(|next| next == b.0)) {
        let before_run = days_between(first, run[0].0) * 24;
        hours.resize(before_run, None);
        let solar: Vec<SolarDay> = run.iter().map(|d| d.1).collect();
        hours.extend(
            linvill_hours(&solar, latitude)
                .into_iter()
                .map(|temperature| {
                    Some(Reading {
                        temperature,
                        origin: Origin::DailyExtremes,
                    })
                }),
        );
    }
    Ok(HourlySeries::from_parts(first.at(0, 0, 0, 0), hours))
}

fn days_between(from: Date, to: Date) -> usize {
    usize::try_from(to.duration_since(from).as_hours() / 24).unwrap_or(0)
}

/// The extremes of each whole day of an hourly series; part days at either end are left out.
pub fn daily_from_hourly(series: &CompleteHours) -> Vec<DailyExtremes> {
    let lead_in = (24 - usize::from(series.first_clock_hour())) % 24;
    let Some(whole) = series.hours().get(lead_in..) else {
        return Vec::new();
    };
    whole
        .chunks_exact(24)
        .enumerate()
        .map(|(i, day)| {
            let values = || day.iter().map(|t| t.value_c());
            DailyExtremes {
                date: series.at(lead_in + 24 * i).date(),
                min_c: values().fold(f64::INFINITY, f64::min),
                max_c: values().fold(f64::NEG_INFINITY, f64::max),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn day(d: i8, min_c: f64, max_c: f64) -> DailyExtremes {
        DailyExtremes {
            date: date(2026, 1, d),
            min_c,
            max_c,
        }
    }

    fn at_45() -> Latitude {
        Latitude::new(45.0).unwrap()
    }

    #[test]
    fn missing_days_stay_gaps() {
        let days = [day(5, 1.0, 9.0), day(1, 0.0, 8.0), day(2, 2.0, 9.0)];
        let series = hourly_from_daily(&days, at_45(), TemperatureUnit::Celsius).unwrap();
        assert_eq!(series.hours().len(), 120);
        assert_eq!(
            series.gaps().iter().map(|g| g.hours_n).collect::<Vec<_>>(),
            [48]
        );
    }

    #[test]
    fn reconstruction_is_flagged_and_bad_days_named() {
        let series =
            hourly_from_daily(&[day(1, 0.0, 8.0)], at_45(), TemperatureUnit::Celsius).unwrap();
        assert_eq!(series.filled_n(), 24);
        let error =
            hourly_from_daily(&[day(1, 9.0, 8.0)], at_45(), TemperatureUnit::Celsius).unwrap_err();
        assert!(error.to_string().contains("2026-01-01"), "{error}");
        let error = hourly_from_daily(
            &[day(1, 38.0, 61.0), day(2, 40.0, 58.0)],
            at_45(),
            TemperatureUnit::Celsius,
        )
        .unwrap_err();
        assert!(matches!(error, SeriesError::LooksFahrenheit(_)), "{error}");
    }

    #[test]
    fn extremes_come_back_from_the_hours() {
        let days: Vec<_> = (1..=5).map(|d| day(d, 1.0, 11.0)).collect();
        let hours = hourly_from_daily(&days, at_45(), TemperatureUnit::Celsius)
            .unwrap()
            .complete()
            .unwrap();
        for back in daily_from_hourly(&hours) {
            assert!(
                (back.max_c - 11.0).abs() < 1e-9 && (back.min_c - 1.0).abs() < 0.2,
                "{back:?}"
            );
        }
    }

    #[test]
    fn polar_night_has_the_mean() {
        let t = |v| Celsius::new(v).unwrap();
        let solar = [SolarDay::new(355, t(-10.0), t(-4.0)).unwrap()];
        let hours = linvill_hours(&solar, Latitude::new(75.0).unwrap());
        assert!(hours.iter().all(|h| h.value_c() == -7.0));
    }
}
