//! Winter chill. Hours, units and portions do not convert into each other, so every total carries
//! its model and unit.
//!
//! Every model is an accumulator that takes one hour at a time in constant memory; its state can be
//! saved and taken up again, so that a corrected reading recomputes only what follows it.

use crate::series::CompleteHours;
use crate::temperature::Celsius;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// A chill model in one stated reading of its literature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum ChillModel {
    /// Hours with 0 ≤ T ≤ 7.2 °C, both ends counted (Weinberger 1950; Bennett 1949).
    #[serde(rename = "hours_0_7_2")]
    Hours0To7_2,
    /// Hours with T ≤ 7.2 °C, frost counted ("old 45 °F").
    #[serde(rename = "hours_below_7_2")]
    HoursBelow7_2,
    /// Hours with T < 7.2 °C, the limit itself not counted.
    #[serde(rename = "hours_strictly_below_7_2")]
    HoursStrictlyBelow7_2,
    /// Utah chill units (Richardson, Seeley and Walker 1974), counted from the first hour.
    #[serde(rename = "utah")]
    Utah,
    /// Utah chill units counted from the last most negative running total, the rule of 1974
    /// (from memory).
    #[serde(rename = "utah_season_peak_negative")]
    UtahSeasonPeakNegative,
    /// Utah units with every negative hour taken as 0 (after Linsley-Noakes and others 1995).
    #[serde(rename = "positive_utah")]
    PositiveUtah,
    /// Utah units summed within each calendar day, a negative day taken as 0 ("daily positive").
    #[serde(rename = "positive_utah_daily")]
    PositiveUtahDaily,
    /// Dynamic model (Fishman, Erez and Couvillon 1987), every hour a step.
    #[serde(rename = "dynamic")]
    Dynamic,
    /// Dynamic model in which the first hour only sets the start, as spreadsheets have it.
    #[serde(rename = "dynamic_skip_first")]
    DynamicSkipFirst,
}

/// The unit of a chill total.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChillUnit {
    /// Chilling hours.
    ChillHours,
    /// Utah chill units.
    ChillUnits,
    /// Positive Utah chill units.
    PositiveChillUnits,
    /// Chill portions of the dynamic model.
    ChillPortions,
}

impl ChillUnit {
    /// The name used in exchange, such as `chill_portions`.
    pub fn name(self) -> &'static str {
        match self {
            Self::ChillHours => "chill_hours",
            Self::ChillUnits => "chill_units",
            Self::PositiveChillUnits => "positive_chill_units",
            Self::ChillPortions => "chill_portions",
        }
    }

    /// The usual short form: CH, CU, PCU or CP.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::ChillHours => "CH",
            Self::ChillUnits => "CU",
            Self::PositiveChillUnits => "PCU",
            Self::ChillPortions => "CP",
        }
    }
}

impl ChillModel {
    /// All models.
    pub const ALL: [Self; 9] = [
        Self::Hours0To7_2,
        Self::HoursBelow7_2,
        Self::HoursStrictlyBelow7_2,
        Self::Utah,
        Self::UtahSeasonPeakNegative,
        Self::PositiveUtah,
        Self::PositiveUtahDaily,
        Self::Dynamic,
        Self::DynamicSkipFirst,
    ];

    /// The name used in exchange, such as `hours_0_7_2`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Hours0To7_2 => "hours_0_7_2",
            Self::HoursBelow7_2 => "hours_below_7_2",
            Self::HoursStrictlyBelow7_2 => "hours_strictly_below_7_2",
            Self::Utah => "utah",
            Self::UtahSeasonPeakNegative => "utah_season_peak_negative",
            Self::PositiveUtah => "positive_utah",
            Self::PositiveUtahDaily => "positive_utah_daily",
            Self::Dynamic => "dynamic",
            Self::DynamicSkipFirst => "dynamic_skip_first",
        }
    }

    /// The unit of the model's totals.
    pub fn unit(self) -> ChillUnit {
        match self {
            Self::Hours0To7_2 | Self::HoursBelow7_2 | Self::HoursStrictlyBelow7_2 => {
                ChillUnit::ChillHours
            }
            Self::Utah | Self::UtahSeasonPeakNegative => ChillUnit::ChillUnits,
            Self::PositiveUtah | Self::PositiveUtahDaily => ChillUnit::PositiveChillUnits,
            Self::Dynamic | Self::DynamicSkipFirst => ChillUnit::ChillPortions,
        }
    }

    /// The reading in one sentence, to print beside a total.
    pub fn reading(self) -> &'static str {
        match self {
            Self::Hours0To7_2 => "hours from 0 to 7.2 °C, both ends counted",
            Self::HoursBelow7_2 => "hours at or below 7.2 °C, frost counted",
            Self::HoursStrictlyBelow7_2 => "hours below 7.2 °C, 7.2 itself not counted",
            Self::Utah => "Utah units from the first hour, warmth subtracts",
            Self::UtahSeasonPeakNegative => {
                "Utah units from the last most negative running total, warmth subtracts"
            }
            Self::PositiveUtah => "Utah units, negative hours taken as 0",
            Self::PositiveUtahDaily => "Utah units, negative calendar days taken as 0",
            Self::Dynamic => "portions of the dynamic model, every hour a step",
            Self::DynamicSkipFirst => "portions of the dynamic model, first hour only a start",
        }
    }
}

impl fmt::Display for ChillModel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A chill model name that is not known.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("chill model {name:?} is not known; use one of {}",
    ChillModel::ALL.map(ChillModel::name).join(", "))]
pub struct UnknownChillModel {
    /// The name given.
    pub name: String,
}

impl FromStr for ChillModel {
    type Err = UnknownChillModel;
    fn from_str(name: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|m| m.name() == name)
            .ok_or_else(|| UnknownChillModel {
                name: name.to_owned(),
            })
    }
}

/// Utah weight of one hour: 0 to 1.4 °C, 0.5 to 2.4, 1 to 9.1, 0.5 to 12.4, 0 to 15.9, −0.5 to
/// 18.0, −1 above; each upper edge belongs to the lower band (Richardson, Seeley and Walker 1974,
/// HortScience 9:331–332, table as printed in later texts).
pub fn utah_weight(t: Celsius) -> f64 {
    match t.value_c() {
        t if t <= 1.4 => 0.0,
        t if t <= 2.4 => 0.5,
        t if t <= 9.1 => 1.0,
        t if t <= 12.4 => 0.5,
        t if t <= 15.9 => 0.0,
        t if t <= 18.0 => -0.5,
        _ => -1.0,
    }
}

/// The dynamic model's constants and step (Fishman, Erez and Couvillon 1987, J. theor. Biol.
/// 124:473–483 and 126:309–321; hourly form Erez and others 1990, Acta Hortic. 276:165–174).
mod dynamic {
    const E0_K: f64 = 4153.5;
    const E1_K: f64 = 12888.8;
    const A0_PER_H: f64 = 139_500.0;
    const A1_PER_H: f64 = 2.567e18;
    const SLOPE: f64 = 1.6;
    const TF_K: f64 = 277.0;
    /// 273, not 273.15: every published program of the model uses it, and totals depend on it.
    const KELVIN: f64 = 273.0;

    /// One hour: takes the precursor, returns the new precursor and the portion laid down.
    pub(super) fn step(precursor: f64, t_c: f64) -> (f64, f64) {
        let k = t_c + KELVIN;
        let steady = A0_PER_H / A1_PER_H * ((E1_K - E0_K) / k).exp();
        let loss_per_h = A1_PER_H * (-E1_K / k).exp();
        let precursor = steady - (steady - precursor) * (-loss_per_h).exp();
        if precursor < 1.0 {
            return (precursor, 0.0);
        }
        let share = 1.0 / (1.0 + (-SLOPE * TF_K * (k - TF_K) / k).exp());
        (precursor * (1.0 - share), precursor * share)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "state")]
enum State {
    Sum {
        total: f64,
    },
    SinceLowest {
        sum: f64,
        lowest: f64,
    },
    ByDay {
        past_days: f64,
        today: f64,
        clock_hour: u8,
    },
    Dynamic {
        precursor: f64,
        portions: f64,
        started: bool,
    },
}

/// Chill summed hour by hour in constant memory. Clone or serialise it to take up from there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChillAccumulator {
    model: ChillModel,
    state: State,
}

impl ChillAccumulator {
    /// Starts at midnight with nothing accumulated.
    pub fn new(model: ChillModel) -> Self {
        Self::starting_at(model, 0)
    }

    /// Starts at a clock hour (taken modulo 24), which matters to models that sum by day.
    pub fn starting_at(model: ChillModel, clock_hour: u8) -> Self {
        let state = match model {
            ChillModel::UtahSeasonPeakNegative => State::SinceLowest {
                sum: 0.0,
                lowest: 0.0,
            },
            ChillModel::PositiveUtahDaily => State::ByDay {
                past_days: 0.0,
                today: 0.0,
                clock_hour: clock_hour % 24,
            },
            ChillModel::Dynamic => State::Dynamic {
                precursor: 0.0,
                portions: 0.0,
                started: true,
            },
            ChillModel::DynamicSkipFirst => State::Dynamic {
                precursor: 0.0,
                portions: 0.0,
                started: false,
            },
            _ => State::Sum { total: 0.0 },
        };
        Self { model, state }
    }

    /// The model.
    pub fn model(&self) -> ChillModel {
        self.model
    }

    /// Takes one more hour and returns the running total.
    #[inline]
    pub fn push(&mut self, t: Celsius) -> f64 {
        let model = self.model;
        match &mut self.state {
            State::Sum { total } => *total += hourly_amount(model, t),
            State::SinceLowest { sum, lowest } => {
                *sum += utah_weight(t);
                *lowest = lowest.min(*sum);
            }
            State::ByDay {
                past_days,
                today,
                clock_hour,
            } => {
                *today += utah_weight(t);
                *clock_hour += 1;
                if *clock_hour == 24 {
                    *past_days += today.max(0.0);
                    (*today, *clock_hour) = (0.0, 0);
                }
            }
            State::Dynamic {
                started: started @ false,
                ..
            } => *started = true,
            State::Dynamic {
                precursor,
                portions,
                ..
            } => {
                let (next, laid_down) = dynamic::step(*precursor, t.value_c());
                *precursor = next;
                *portions += laid_down;
            }
        }
        self.total()
    }

    /// The running total; a day not yet over counts as if it ended now.
    pub fn total(&self) -> f64 {
        match self.state {
            State::Sum { total } => total,
            State::SinceLowest { sum, lowest } => sum - lowest,
            State::ByDay {
                past_days, today, ..
            } => past_days + today.max(0.0),
            State::Dynamic { portions, .. } => portions,
        }
    }
}

fn hourly_amount(model: ChillModel, t: Celsius) -> f64 {
    let counted = |yes: bool| if yes { 1.0 } else { 0.0 };
    let t_c = t.value_c();
    match model {
        ChillModel::Hours0To7_2 => counted((0.0..=7.2).contains(&t_c)),
        ChillModel::HoursBelow7_2 => counted(t_c <= 7.2),
        ChillModel::HoursStrictlyBelow7_2 => counted(t_c < 7.2),
        ChillModel::PositiveUtah => utah_weight(t).max(0.0),
        _ => utah_weight(t),
    }
}

/// A chill account: its total, its running totals, and how to read them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChillAccount {
    /// The model used.
    pub model: ChillModel,
    /// The unit of all totals.
    pub unit: ChillUnit,
    /// Total after the last hour.
    pub total: f64,
    /// Running total after each hour.
    pub running: Vec<f64>,
}

/// Chill of hours that begin at midnight, with running totals.
pub fn chill_account(model: ChillModel, hours: &[Celsius]) -> ChillAccount {
    account(ChillAccumulator::new(model), hours)
}

/// Chill of a dated series, with running totals.
pub fn chill_account_dated(model: ChillModel, series: &CompleteHours) -> ChillAccount {
    account(
        ChillAccumulator::starting_at(model, series.first_clock_hour()),
        series.hours(),
    )
}

fn account(mut sum: ChillAccumulator, hours: &[Celsius]) -> ChillAccount {
    let running: Vec<f64> = hours.iter().map(|&t| sum.push(t)).collect();
    ChillAccount {
        model: sum.model,
        unit: sum.model.unit(),
        total: sum.total(),
        running,
    }
}

/// Total chill of a stream of hours that begins at midnight, in constant memory.
pub fn total_chill(model: ChillModel, hours: impl IntoIterator<Item = Celsius>) -> f64 {
    let mut sum = ChillAccumulator::new(model);
    hours.into_iter().for_each(|t| {
        sum.push(t);
    });
    sum.total()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(values: &[f64]) -> Vec<Celsius> {
        values.iter().map(|&v| Celsius::new(v).unwrap()).collect()
    }

    #[test]
    fn names_round_trip_and_unknown_names_list_the_known() {
        for model in ChillModel::ALL {
            assert_eq!(model.name().parse::<ChillModel>().unwrap(), model);
        }
        let error = "utha".parse::<ChillModel>().unwrap_err().to_string();
        assert!(
            error.contains("utha") && error.contains("positive_utah"),
            "{error}"
        );
    }

    #[test]
    fn forty_five_fahrenheit_lies_outside_the_closed_limit() {
        let t = Celsius::from_fahrenheit(45.0).unwrap();
        assert_eq!(total_chill(ChillModel::Hours0To7_2, [t]), 0.0);
    }

    #[test]
    fn season_start_follows_the_lowest_running_total() {
        let autumn = hours(&[20.0, 20.0, 6.0, 20.0, 20.0, 6.0, 6.0]);
        assert_eq!(
            total_chill(ChillModel::UtahSeasonPeakNegative, autumn.clone()),
            2.0
        );
        assert_eq!(total_chill(ChillModel::Utah, autumn), -1.0);
    }

    #[test]
    fn first_portion_falls_at_the_published_hour() {
        for (t_c, first_hour) in [(6.0, 29), (8.0, 29), (4.0, 30), (10.0, 31), (12.0, 39)] {
            let account = chill_account(ChillModel::Dynamic, &hours(&[t_c; 48]));
            let hour = account.running.iter().position(|&p| p > 0.0).unwrap() + 1;
            assert_eq!(hour, first_hour, "at {t_c} °C");
        }
    }
}
