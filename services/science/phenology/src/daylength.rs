//! Day length from latitude and day of year. All clocks are local solar time (noon = 12).

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;
use thiserror::Error;

/// A latitude in degrees, north positive, from −90 to 90.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Latitude(f64);

/// A number that is no latitude.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[error(
    "latitude {degrees} is not between -90 and 90 degrees; give decimal degrees, north positive"
)]
pub struct LatitudeError {
    /// The number given.
    pub degrees: f64,
}

impl Latitude {
    /// Checks a latitude.
    ///
    /// # Errors
    /// [`LatitudeError`] outside −90..=90 or when not finite.
    pub fn new(degrees: f64) -> Result<Self, LatitudeError> {
        if (-90.0..=90.0).contains(&degrees) {
            Ok(Self(degrees))
        } else {
            Err(LatitudeError { degrees })
        }
    }

    /// The latitude in degrees.
    pub fn degrees(self) -> f64 {
        self.0
    }

    fn radians(self) -> f64 {
        self.0.to_radians()
    }
}

impl TryFrom<f64> for Latitude {
    type Error = LatitudeError;
    fn try_from(degrees: f64) -> Result<Self, Self::Error> {
        Self::new(degrees)
    }
}

impl From<Latitude> for f64 {
    fn from(latitude: Latitude) -> f64 {
        latitude.0
    }
}

/// Sun's height at sunrise and sunset, degrees, with refraction and the disc's radius.
pub const APPARENT_HORIZON_DEG: f64 = -0.8333;
/// Sun's height at the geometric sunrise and sunset, degrees.
pub const GEOMETRIC_HORIZON_DEG: f64 = 0.0;

/// Solar declination in radians on a day of year (1 = 1 January; a season may run past 365),
/// Spencer 1971, with the second harmonic in twice the day angle.
pub fn declination_rad(day_of_year: u32) -> f64 {
    let g = 2.0 * PI * (f64::from(day_of_year) - 1.0) / 365.0;
    0.006918 - 0.399912 * g.cos() + 0.070257 * g.sin() - 0.006758 * (2.0 * g).cos()
        + 0.000907 * (2.0 * g).sin()
        - 0.002697 * (3.0 * g).cos()
        + 0.00148 * (3.0 * g).sin()
}

/// Day length in hours by Spencer's declination, with the sun at `horizon_deg` at sunrise
/// (definition after Almorox 2005); 0 in polar night, 24 in polar day.
pub fn day_length_spencer_h(latitude: Latitude, day_of_year: u32, horizon_deg: f64) -> f64 {
    let (lat, declination) = (latitude.radians(), declination_rad(day_of_year));
    let cos_hour_angle = (horizon_deg.to_radians().sin() - lat.sin() * declination.sin())
        / (lat.cos() * declination.cos());
    2.0 * cos_hour_angle.clamp(-1.0, 1.0).acos().to_degrees() / 15.0
}

/// Day length in hours by the CBM model of Forsythe and others 1995 (Ecol. Model. 80:87–95), with
/// the sun `below_horizon_deg` degrees under the horizon at sunrise (0.8333 is usual).
pub fn day_length_cbm_h(latitude: Latitude, day_of_year: u32, below_horizon_deg: f64) -> f64 {
    let lat = latitude.radians();
    let revolution = 0.216_310_8
        + 2.0 * (0.967_139_6 * (0.0086 * (f64::from(day_of_year) - 186.0)).tan()).atan();
    let declination = (0.39795 * revolution.cos()).asin();
    let cos_night = (below_horizon_deg.to_radians().sin() + lat.sin() * declination.sin())
        / (lat.cos() * declination.cos());
    24.0 - 24.0 / PI * cos_night.clamp(-1.0, 1.0).acos()
}

/// Day length in hours by the short formula printed with Linvill's method (coefficients after a
/// public program); sensible between about 55° S and 55° N.
pub fn day_length_calendar_h(latitude: Latitude, month: u8, day: u8) -> f64 {
    let day_count = (30.6 * f64::from(month) + f64::from(day) + 1.0 - 91.3).trunc();
    12.25 + (1.6164 + 1.7643 * latitude.radians().tan().powi(2)) * (0.0172 * day_count - 1.95).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_two_day_lengths_agree_in_orchard_latitudes() {
        for latitude in (-50..=50)
            .step_by(5)
            .map(|d| Latitude::new(f64::from(d)).unwrap())
        {
            for day in 1..=365 {
                let spencer = day_length_spencer_h(latitude, day, APPARENT_HORIZON_DEG);
                let cbm = day_length_cbm_h(latitude, day, 0.8333);
                assert!((spencer - cbm).abs() < 0.0082, "{latitude:?} day {day}");
            }
        }
    }

    #[test]
    fn refuses_what_is_no_latitude() {
        assert!(Latitude::new(91.0).is_err() && Latitude::new(f64::NAN).is_err());
    }
}
