//! Temperatures that can be trusted: one unit, a physical range, and questions instead of guesses.

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Lowest air temperature accepted, °C.
pub const COLDEST_C: f64 = -60.0;
/// Highest air temperature accepted, °C.
pub const HOTTEST_C: f64 = 60.0;

/// Readings above this, °C, hardly occur in an orchard; a series that holds one is asked about.
const IMPLAUSIBLY_HOT_C: f64 = 50.0;
/// ... while half of the readings are above this, °C, so that it is no single faulty reading.
const WARM_MEDIAN_C: f64 = 20.0;
/// Half of all readings above this, °C, would be above the critical temperature of plant growth.
const IMPLAUSIBLE_MEDIAN_C: f64 = 36.0;
/// Over ten days or more, a winter or spring in °C cannot have a median as high as this.
const IMPLAUSIBLE_LONG_MEDIAN_C: f64 = 28.0;
const TEN_DAYS_H: usize = 240;

/// An air temperature in degrees Celsius, finite and within [`COLDEST_C`]..=[`HOTTEST_C`].
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Celsius(f64);

impl Celsius {
    /// Checks one value.
    ///
    /// # Errors
    /// [`TemperatureError`] when the value is not finite or not a possible air temperature.
    pub fn new(value_c: f64) -> Result<Self, TemperatureError> {
        if !value_c.is_finite() {
            Err(TemperatureError::NotFinite)
        } else if !(COLDEST_C..=HOTTEST_C).contains(&value_c) {
            Err(TemperatureError::OutOfRange { value_c })
        } else {
            Ok(Self(value_c))
        }
    }

    /// Checks one value given in degrees Fahrenheit.
    ///
    /// # Errors
    /// As [`Celsius::new`], on the converted value.
    pub fn from_fahrenheit(value_f: f64) -> Result<Self, TemperatureError> {
        Self::new(fahrenheit_to_celsius(value_f))
    }

    /// The value in °C.
    #[inline]
    pub fn value_c(self) -> f64 {
        self.0
    }

    /// The point at `share` (0..=1) of the way from `self` to `other`.
    pub(crate) fn towards(self, other: Self, share: f64) -> Self {
        Self(self.0 + (other.0 - self.0) * share.clamp(0.0, 1.0))
    }

    /// For results computed from checked temperatures, which formulas keep near their range.
    pub(crate) fn clamped(value_c: f64) -> Self {
        Self(value_c.clamp(COLDEST_C, HOTTEST_C))
    }
}

impl TryFrom<f64> for Celsius {
    type Error = TemperatureError;
    fn try_from(value_c: f64) -> Result<Self, Self::Error> {
        Self::new(value_c)
    }
}

impl From<Celsius> for f64 {
    fn from(t: Celsius) -> f64 {
        t.0
    }
}

/// Degrees Fahrenheit to degrees Celsius.
pub fn fahrenheit_to_celsius(value_f: f64) -> f64 {
    (value_f - 32.0) / 1.8
}

/// Why a single value is no air temperature.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum TemperatureError {
    /// NaN or infinite.
    #[error("temperature is not a finite number; leave the hour empty if it was not measured")]
    NotFinite,
    /// Outside what air near the ground can be.
    #[error(
        "temperature {value_c} °C is outside {COLDEST_C} to {HOTTEST_C} °C; \
         correct it or leave the hour empty"
    )]
    OutOfRange {
        /// The value seen, °C.
        value_c: f64,
    },
}

/// What is known about the unit of incoming readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TemperatureUnit {
    /// Said to be °C; a series that looks like °F is asked about.
    #[default]
    Celsius,
    /// Someone has looked and confirms °C: no question is asked.
    CelsiusConfirmed,
    /// Degrees Fahrenheit, to be converted.
    Fahrenheit,
}

impl TemperatureUnit {
    pub(crate) fn to_celsius(self, value: f64) -> f64 {
        match self {
            Self::Celsius | Self::CelsiusConfirmed => value,
            Self::Fahrenheit => fahrenheit_to_celsius(value),
        }
    }
}

/// What makes a series look like degrees Fahrenheit.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[error(
    "the series looks like degrees Fahrenheit: of {readings_n} readings the median is {median:.1} \
     and the highest {highest:.1} (as °F that would be {:.1} and {:.1} °C); \
     say that the unit is Fahrenheit, or confirm Celsius",
    fahrenheit_to_celsius(*.median), fahrenheit_to_celsius(*.highest)
)]
pub struct LooksFahrenheit {
    /// Number of readings looked at.
    pub readings_n: usize,
    /// Their median, as given.
    pub median: f64,
    /// Their highest, as given.
    pub highest: f64,
}

/// Looks at finite readings said to be °C. Returns the evidence when they look like °F: one
/// above 50 with a median above 20, a median above 36, or over ten days a median above 28.
pub fn looks_fahrenheit(readings: impl IntoIterator<Item = f64>) -> Option<LooksFahrenheit> {
    let mut values: Vec<f64> = readings.into_iter().filter(|v| v.is_finite()).collect();
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let (median, highest) = (values[values.len() / 2], values[values.len() - 1]);
    let long = values.len() >= TEN_DAYS_H;
    let suspicious = highest > IMPLAUSIBLY_HOT_C && median > WARM_MEDIAN_C
        || median > IMPLAUSIBLE_MEDIAN_C
        || long && median > IMPLAUSIBLE_LONG_MEDIAN_C;
    suspicious.then_some(LooksFahrenheit {
        readings_n: values.len(),
        median,
        highest,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_is_no_temperature() {
        assert_eq!(Celsius::new(f64::NAN), Err(TemperatureError::NotFinite));
        assert!(matches!(
            Celsius::new(61.0),
            Err(TemperatureError::OutOfRange { .. })
        ));
        assert_eq!(Celsius::from_fahrenheit(32.0).unwrap().value_c(), 0.0);
    }

    #[test]
    fn asks_about_fahrenheit_and_leaves_celsius_alone() {
        let winter_c = (0..2400).map(|h| 7.0 + 6.0 * (h as f64 / 24.0).sin());
        assert_eq!(looks_fahrenheit(winter_c.clone()), None);
        let asked = looks_fahrenheit(winter_c.map(|c| c * 1.8 + 32.0)).expect("looks like °F");
        assert!(asked.to_string().contains("confirm Celsius"));
        assert_eq!(looks_fahrenheit([36.0; 24]), None);
        assert!(looks_fahrenheit([45.0, 44.0, 47.0]).is_some());
    }
}
