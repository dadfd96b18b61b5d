//! Heat after rest: growing degree hours, and bloom when chill and then heat are met.

use crate::chill::{ChillAccumulator, ChillModel};
use crate::temperature::Celsius;
use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_2, PI};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// A model of growing degree hours (°C·h) in one stated reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum HeatModel {
    /// Asymmetric curvilinear, base 4, optimum 25, critical 36 °C, no stress (Anderson, Richardson
    /// and Kesner 1986, Acta Hortic. 184:71–78).
    #[serde(rename = "gdh")]
    Curvilinear,
    /// Linear above 4.5 °C, held at 20.5 above 25 °C (Richardson and others 1975, usual reading).
    #[serde(rename = "gdh_linear_held")]
    LinearHeld,
    /// Linear above 4.5 °C, nothing above 25 °C (the other reading).
    #[serde(rename = "gdh_linear_cut")]
    LinearCut,
    /// Linear above 4 °C, flat from 25 to 36 °C, nothing above (Anderson and Seeley 1992).
    #[serde(rename = "gdh_linear_flat_to_36")]
    LinearFlatTo36,
}

const BASE_C: f64 = 4.0;
const OPTIMUM_C: f64 = 25.0;
const CRITICAL_C: f64 = 36.0;
const LINEAR_BASE_C: f64 = 4.5;

impl HeatModel {
    /// All models.
    pub const ALL: [Self; 4] = [
        Self::Curvilinear,
        Self::LinearHeld,
        Self::LinearCut,
        Self::LinearFlatTo36,
    ];

    /// The name used in exchange, such as `gdh`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Curvilinear => "gdh",
            Self::LinearHeld => "gdh_linear_held",
            Self::LinearCut => "gdh_linear_cut",
            Self::LinearFlatTo36 => "gdh_linear_flat_to_36",
        }
    }

    /// Growing degree hours (°C·h) of one hour.
    pub fn gdh_c(self, t: Celsius) -> f64 {
        let t_c = t.value_c();
        match self {
            Self::Curvilinear => gdh_c(t),
            Self::LinearHeld => (t_c.min(OPTIMUM_C) - LINEAR_BASE_C).max(0.0),
            Self::LinearCut if t_c > OPTIMUM_C => 0.0,
            Self::LinearCut => (t_c - LINEAR_BASE_C).max(0.0),
            Self::LinearFlatTo36 if t_c > CRITICAL_C => 0.0,
            Self::LinearFlatTo36 => (t_c.min(OPTIMUM_C) - BASE_C).max(0.0),
        }
    }
}

impl fmt::Display for HeatModel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A heat model name that is not known.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("heat model {name:?} is not known; use one of {}",
    HeatModel::ALL.map(HeatModel::name).join(", "))]
pub struct UnknownHeatModel {
    /// The name given.
    pub name: String,
}

impl FromStr for HeatModel {
    type Err = UnknownHeatModel;
    fn from_str(name: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|m| m.name() == name)
            .ok_or_else(|| UnknownHeatModel {
                name: name.to_owned(),
            })
    }
}

/// Asymmetric curvilinear growing degree hours of one hour, °C·h (0 to 21): a rising half cosine
/// from 4 to 25 °C, a falling quarter from 25 to 36 °C, otherwise 0 (Anderson, Richardson and
/// Kesner 1986).
pub fn gdh_c(t: Celsius) -> f64 {
    let span = OPTIMUM_C - BASE_C;
    match t.value_c() {
        t if !(BASE_C..=CRITICAL_C).contains(&t) => 0.0,
        t if t <= OPTIMUM_C => span / 2.0 * (1.0 + (PI + PI * (t - BASE_C) / span).cos()),
        t => {
            let fall = (t - OPTIMUM_C) / (CRITICAL_C - OPTIMUM_C);
            (span * (1.0 + (FRAC_PI_2 + FRAC_PI_2 * fall).cos())).max(0.0)
        }
    }
}

/// Total heat of a stream of hours, °C·h.
pub fn total_heat(model: HeatModel, hours: impl IntoIterator<Item = Celsius>) -> f64 {
    hours.into_iter().map(|t| model.gdh_c(t)).sum()
}

/// Running heat after each hour, °C·h.
pub fn running_heat(model: HeatModel, hours: &[Celsius]) -> Vec<f64> {
    hours
        .iter()
        .scan(0.0, |sum, &t| {
            *sum += model.gdh_c(t);
            Some(*sum)
        })
        .collect()
}

/// Chill, then heat: what a stage needs under the sequential model.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SequentialNeed {
    /// Chill model.
    pub chill_model: ChillModel,
    /// Chill needed, in the model's unit.
    pub chill: f64,
    /// Heat model.
    pub heat_model: HeatModel,
    /// Heat needed after chill is met, °C·h.
    pub heat_gdh: f64,
}

/// Hours (from 0) at which a [`SequentialNeed`] was met.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct NeedMet {
    /// Hour at which chill was met.
    pub chill_hour: Option<usize>,
    /// Hour at which heat was met.
    pub heat_hour: Option<usize>,
}

/// Runs the sequential model over hours that begin at midnight: heat counts from the hour after
/// chill is met.
pub fn need_met(need: SequentialNeed, hours: impl IntoIterator<Item = Celsius>) -> NeedMet {
    let mut chill = ChillAccumulator::new(need.chill_model);
    let mut heat_gdh = 0.0;
    let mut met = NeedMet::default();
    for (hour, t) in hours.into_iter().enumerate() {
        if met.chill_hour.is_some() {
            heat_gdh += need.heat_model.gdh_c(t);
            if heat_gdh >= need.heat_gdh {
                met.heat_hour = Some(hour);
                break;
            }
        } else if chill.push(t) >= need.chill {
            met.chill_hour = Some(hour);
        }
    }
    met
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(v: f64) -> Celsius {
        Celsius::new(v).unwrap()
    }

    #[test]
    fn heat_turns_at_its_cardinal_temperatures() {
        for (t, expected) in [
            (4.0, 0.0),
            (14.5, 10.5),
            (25.0, 21.0),
            (36.0, 0.0),
            (40.0, 0.0),
        ] {
            assert!((gdh_c(c(t)) - expected).abs() < 1e-12, "{t}");
        }
        assert_eq!(HeatModel::LinearHeld.gdh_c(c(30.0)), 20.5);
        assert_eq!(HeatModel::LinearCut.gdh_c(c(30.0)), 0.0);
        assert_eq!(HeatModel::LinearFlatTo36.gdh_c(c(30.0)), 21.0);
    }

    #[test]
    fn heat_waits_for_chill() {
        let need = SequentialNeed {
            chill_model: ChillModel::Hours0To7_2,
            chill: 10.0,
            heat_model: HeatModel::LinearHeld,
            heat_gdh: 20.0,
        };
        let hours = (0..40).map(|h| if h < 10 { c(5.0) } else { c(14.5) });
        let met = need_met(need, hours);
        assert_eq!(
            met,
            NeedMet {
                chill_hour: Some(9),
                heat_hour: Some(11)
            }
        );
    }
}
