//! Invented winters for the tests: a yearly and a daily wave with wandering weather on top.

use jiff::civil::date;
use phenology::series::CompleteHours;
use phenology::temperature::Celsius;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::PI;

/// Hours from 1 October to the end of May, `mean_c` being the mean of the year.
pub fn winter(start_year: i16, mean_c: f64, seed: u64) -> CompleteHours {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let season_anomaly = rng.random_range(-1.5..1.5);
    let mut weather = 0.0;
    let mut hours = Vec::with_capacity(243 * 24);
    for day in 0..243 {
        weather = 0.8 * weather + rng.random_range(-2.5..2.5);
        // Coldest in mid January, 107 days after the start.
        let year = -7.5 * (2.0 * PI * (f64::from(day) - 107.0) / 365.0).cos();
        for hour in 0..24 {
            let day_wave = 6.0 * (2.0 * PI * (f64::from(hour) - 15.0) / 24.0).cos();
            hours.push(Celsius::new(mean_c + season_anomaly + weather + year + day_wave).unwrap());
        }
    }
    CompleteHours::new(date(start_year, 10, 1).at(0, 0, 0, 0), hours)
}
