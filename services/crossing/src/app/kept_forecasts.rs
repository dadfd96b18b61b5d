//! Forecasts that were worked out before, kept as long as what they rest on stays as it is.
//!
//! A forecast of many varieties is arithmetic for a while, and the same one is asked for again and
//! again. In bloom the programme changes with every pass that is written down, so a forecast is not
//! kept by the programme's changes but by those of what it rests on: readings and notes of bloom,
//! which only grow in number, and stations and plants, which have versions.

use contract::crossing::{BloomForecastList, BloomForecastScores};
use platform::{Fault, Unit};
use quick_cache::sync::Cache;

use crate::domain::weather::StationId;
use crate::store::weather as store;

/// Forecasts and scores kept at most, each.
const KEPT: usize = 64;

/// Forecasts and scores, by their keys.
pub struct KeptForecasts {
    /// Forecasts.
    pub forecasts: Cache<String, BloomForecastList>,
    /// Scores.
    pub scores: Cache<String, BloomForecastScores>,
}

impl Default for KeptForecasts {
    fn default() -> Self {
        Self {
            forecasts: Cache::new(KEPT),
            scores: Cache::new(KEPT),
        }
    }
}

/// Names what was asked together with the state of the data that the answer rests on.
pub async fn key(
    unit: &mut Unit,
    station: StationId,
    asked: &impl std::fmt::Debug,
) -> Result<String, Fault> {
    let programme = unit.programme()?;
    let state = store::state(unit.connection(), station).await?;
    Ok(format!("{programme} {state} {asked:?}"))
}
