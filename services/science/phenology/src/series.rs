//! Hourly temperature series: gaps are explicit, filling is flagged, and only a series without
//! gaps reaches the models (the dynamic model carries a state, so a skipped hour would be wrong).

use crate::temperature::{
    Celsius, LooksFahrenheit, TemperatureError, TemperatureUnit, looks_fahrenheit,
};
use jiff::civil::{Date, DateTime};
use jiff::{SignedDuration, ToSpan as _};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// How an hour that was not measured got its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Read by the station.
    Measured,
    /// On the straight line between the neighbouring hours.
    StraightLine,
    /// Mean of the same clock hour on the days before and after.
    NeighbouringDays,
    /// Taken from another series: a nearby station or a reconstruction.
    OtherSeries,
    /// Built from daily minimum and maximum ([`crate::hourly`]).
    DailyExtremes,
}

/// One hour of a series.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Temperature, °C.
    pub temperature: Celsius,
    /// Where it comes from.
    pub origin: Origin,
}

/// Ways to fill gaps; each leaves gaps longer than its limit open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "method")]
pub enum Fill {
    /// A straight line, sensible over a few hours only.
    StraightLine {
        /// Longest gap filled, hours.
        longest_h: usize,
    },
    /// Mean of the same clock hour on the nearest days before and after that have it.
    NeighbouringDays {
        /// Longest gap filled, hours.
        longest_h: usize,
    },
}

/// A run of missing hours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// First missing hour, local standard time.
    pub from: DateTime,
    /// Number of missing hours.
    pub hours_n: usize,
}

/// Why a series cannot be used as it stands.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SeriesError {
    /// Nothing to work on.
    #[error("the temperature series is empty; send at least one hour")]
    Empty,
    /// One reading is no temperature.
    #[error("reading {index}: {error}")]
    Reading {
        /// Position in the input, from 0.
        index: usize,
        /// What is wrong with it.
        error: TemperatureError,
    },
    /// The unit is in doubt.
    #[error(transparent)]
    LooksFahrenheit(#[from] LooksFahrenheit),
    /// One hour is given twice, as happens when clocks go back.
    #[error(
        "hour {at} is given twice ({first_c} and {second_c} °C), as at a clock change; \
         send the series in standard time all year, or keep one reading"
    )]
    DuplicateHour {
        /// The hour.
        at: DateTime,
        /// Value first seen, °C.
        first_c: f64,
        /// Value then seen, °C.
        second_c: f64,
    },
    /// A reading is not on a full hour.
    #[error("reading at {at} is not on a full hour; average the readings of each hour first")]
    NotOnTheHour {
        /// The time given.
        at: DateTime,
    },
    /// The readings lie too far apart to be one season or record.
    #[error("the series runs from {from} to {to}, longer than {longest_years} years; split it")]
    TooLong {
        /// First hour.
        from: DateTime,
        /// Last hour.
        to: DateTime,
        /// The limit.
        longest_years: i32,
    },
    /// Hours are missing where none may be.
    #[error(
        "{missing_n} of {hours_n} hours are missing, the first gap is {} hours from {}; \
         fill them by a stated method or from another series", .first.hours_n, .first.from
    )]
    Gaps {
        /// Missing hours in all.
        missing_n: usize,
        /// Hours in the series.
        hours_n: usize,
        /// The first gap.
        first: Gap,
    },
    /// A day's extremes are the wrong way round.
    #[error("{date}: minimum {min_c} °C is above maximum {max_c} °C; correct the day")]
    MinimumAboveMaximum {
        /// The day.
        date: Date,
        /// Its minimum, °C.
        min_c: f64,
        /// Its maximum, °C.
        max_c: f64,
    },
    /// A day is given twice.
    #[error("day {date} is given twice; keep one")]
    DuplicateDay {
        /// The day.
        date: Date,
    },
}

const LONGEST_YEARS: i32 = 120;

/// Checks undated hourly readings, first hour at midnight.
///
/// # Errors
/// [`SeriesError`] for an empty series, a reading that is no temperature, or a doubtful unit.
pub fn checked_hours(readings: &[f64], unit: TemperatureUnit) -> Result<Vec<Celsius>, SeriesError> {
    if readings.is_empty() {
        return Err(SeriesError::Empty);
    }
    ask_about_unit(readings.iter().copied(), unit)?;
    readings
        .iter()
        .enumerate()
        .map(|(index, &v)| check(index, v, unit))
        .collect()
}

fn check(index: usize, value: f64, unit: TemperatureUnit) -> Result<Celsius, SeriesError> {
    Celsius::new(unit.to_celsius(value)).map_err(|error| SeriesError::Reading { index, error })
}

/// Stops a series said to be °C that looks like °F.
pub(crate) fn ask_about_unit(
    values: impl IntoIterator<Item = f64>,
    unit: TemperatureUnit,
) -> Result<(), LooksFahrenheit> {
    match unit {
        TemperatureUnit::Celsius => looks_fahrenheit(values).map_or(Ok(()), Err),
        TemperatureUnit::CelsiusConfirmed | TemperatureUnit::Fahrenheit => Ok(()),
    }
}

/// A dated hourly series that may have gaps; times are local standard time without clock changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HourlySeries {
    start: DateTime,
    hours: Vec<Option<Reading>>,
}

impl HourlySeries {
    /// Lays dated readings, in any order, on an hourly grid from the first to the last.
    ///
    /// # Errors
    /// [`SeriesError`] for no readings, times off the hour, hours given twice, values that are no
    /// temperatures, or a doubtful unit. Missing hours are no error: they become gaps.
    pub fn from_readings(
        readings: &[(DateTime, f64)],
        unit: TemperatureUnit,
    ) -> Result<Self, SeriesError> {
        ask_about_unit(readings.iter().map(|r| r.1), unit)?;
        let (from, to) = readings
            .iter()
            .map(|r| r.0)
            .fold(None, |span: Option<(DateTime, DateTime)>, at| {
                Some(span.map_or((at, at), |(a, b)| (a.min(at), b.max(at))))
            })
            .ok_or(SeriesError::Empty)?;
        if i32::from(to.year()) - i32::from(from.year()) > LONGEST_YEARS {
            return Err(SeriesError::TooLong {
                from,
                to,
                longest_years: LONGEST_YEARS,
            });
        }
        let mut hours = vec![None; hours_between(from, to) + 1];
        for (index, &(at, value)) in readings.iter().enumerate() {
            if at.minute() != 0 || at.second() != 0 || at.subsec_nanosecond() != 0 {
                return Err(SeriesError::NotOnTheHour { at });
            }
            let temperature = check(index, value, unit)?;
            let slot: &mut Option<Reading> = &mut hours[hours_between(from, at)];
            if let Some(first) = slot {
                return Err(SeriesError::DuplicateHour {
                    at,
                    first_c: first.temperature.value_c(),
                    second_c: temperature.value_c(),
                });
            }
            *slot = Some(Reading {
                temperature,
                origin: Origin::Measured,
            });
        }
        Ok(Self { start: from, hours })
    }

    /// A series from a start hour and one optional reading (°C or °F) for each hour.
    ///
    /// # Errors
    /// As [`HourlySeries::from_readings`].
    pub fn from_hours(
        start: DateTime,
        readings: &[Option<f64>],
        unit: TemperatureUnit,
    ) -> Result<Self, SeriesError> {
        if readings.is_empty() {
            return Err(SeriesError::Empty);
        }
        ask_about_unit(readings.iter().flatten().copied(), unit)?;
        let hours = readings
            .iter()
            .enumerate()
            .map(|(index, reading)| {
                reading
                    .map(|v| {
                        check(index, v, unit).map(|temperature| Reading {
                            temperature,
                            origin: Origin::Measured,
                        })
                    })
                    .transpose()
            })
            .collect::<Result<_, _>>()?;
        Ok(Self { start, hours })
    }

    pub(crate) fn from_parts(start: DateTime, hours: Vec<Option<Reading>>) -> Self {
        Self { start, hours }
    }

    /// First hour of the series.
    pub fn start(&self) -> DateTime {
        self.start
    }

    /// One entry an hour; `None` is a missing hour.
    pub fn hours(&self) -> &[Option<Reading>] {
        &self.hours
    }

    /// The runs of missing hours, in order.
    pub fn gaps(&self) -> Vec<Gap> {
        self.gap_spans()
            .into_iter()
            .map(|(i, n)| Gap {
                from: hour_at(self.start, i),
                hours_n: n,
            })
            .collect()
    }

    /// Number of hours whose value was not measured but filled or reconstructed.
    pub fn filled_n(&self) -> usize {
        self.hours
            .iter()
            .flatten()
            .filter(|r| r.origin != Origin::Measured)
            .count()
    }

    fn gap_spans(&self) -> Vec<(usize, usize)> {
        let mut spans: Vec<(usize, usize)> = Vec::new();
        for (i, hour) in self.hours.iter().enumerate() {
            match (hour, spans.last_mut()) {
                (Some(_), _) => {}
                (None, Some((from, n))) if *from + *n == i => *n += 1,
                (None, _) => spans.push((i, 1)),
            }
        }
        spans
    }

    /// The series with gaps filled by `fill` where it can, each filled hour flagged by its
    /// [`Origin`]. Gaps too long for the method, or without neighbours, stay open.
    #[must_use]
    pub fn filled(mut self, fill: Fill) -> Self {
        let before = self.hours.clone();
        let at = |i: Option<usize>| i.and_then(|i| before.get(i).copied().flatten());
        for (from, n) in self.gap_spans() {
            let (longest_h, origin) = match fill {
                Fill::StraightLine { longest_h } => (longest_h, Origin::StraightLine),
                Fill::NeighbouringDays { longest_h } => (longest_h, Origin::NeighbouringDays),
            };
            if n > longest_h {
                continue;
            }
            for i in from..from + n {
                let ends = match fill {
                    Fill::StraightLine { .. } => at(from.checked_sub(1))
                        .zip(at(Some(from + n)))
                        .map(|(a, b)| (a, b, (i - from + 1) as f64 / (n + 1) as f64)),
                    Fill::NeighbouringDays { .. } => {
                        let days = 1..=n / 24 + 1;
                        let earlier = days.clone().find_map(|d| at(i.checked_sub(24 * d)));
                        let later = days.clone().find_map(|d| at(Some(i + 24 * d)));
                        earlier.zip(later).map(|(a, b)| (a, b, 0.5))
                    }
                };
                self.hours[i] = ends.map(|(a, b, share)| Reading {
                    temperature: a.temperature.towards(b.temperature, share),
                    origin,
                });
            }
        }
        self
    }

    /// The series with its gaps filled from `other` wherever that has the hour: a nearby station,
    /// or hours built from daily extremes. Flags say which.
    #[must_use]
    pub fn filled_from(mut self, other: &Self) -> Self {
        let offset_h = self.start.duration_since(other.start).as_hours();
        for (i, hour) in self
            .hours
            .iter_mut()
            .enumerate()
            .filter(|(_, h)| h.is_none())
        {
            *hour = usize::try_from(i as i64 + offset_h)
                .ok()
                .and_then(|j| other.hours.get(j).copied().flatten())
                .map(|r| match r.origin {
                    Origin::Measured => Reading {
                        origin: Origin::OtherSeries,
                        ..r
                    },
                    _ => r,
                });
        }
        self
    }

    /// The series as one without gaps.
    ///
    /// # Errors
    /// [`SeriesError::Gaps`] when any hour is missing.
    pub fn complete(self) -> Result<CompleteHours, SeriesError> {
        let missing_n = self.hours.iter().filter(|h| h.is_none()).count();
        if let Some(&first) = self.gaps().first() {
            return Err(SeriesError::Gaps {
                missing_n,
                hours_n: self.hours.len(),
                first,
            });
        }
        let filled_n = self.filled_n();
        let hours = self
            .hours
            .into_iter()
            .flatten()
            .map(|r| r.temperature)
            .collect();
        Ok(CompleteHours {
            start: self.start,
            hours,
            filled_n,
        })
    }
}

/// A dated hourly series without gaps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CompleteHours {
    start: DateTime,
    hours: Vec<Celsius>,
    filled_n: usize,
}

impl CompleteHours {
    /// A series from its first hour and its temperatures.
    pub fn new(start: DateTime, hours: Vec<Celsius>) -> Self {
        Self {
            start,
            hours,
            filled_n: 0,
        }
    }

    /// First hour.
    pub fn start(&self) -> DateTime {
        self.start
    }

    /// Temperatures, one an hour.
    pub fn hours(&self) -> &[Celsius] {
        &self.hours
    }

    /// How many of the hours were filled or reconstructed.
    pub fn filled_n(&self) -> usize {
        self.filled_n
    }

    /// Clock hour (0–23) of the first reading.
    pub fn first_clock_hour(&self) -> u8 {
        self.start.hour().unsigned_abs()
    }

    /// Time of hour `index`.
    pub fn at(&self, index: usize) -> DateTime {
        hour_at(self.start, index)
    }

    /// First hour after the series.
    pub fn end(&self) -> DateTime {
        self.at(self.hours.len())
    }

    /// Index of the hour at `time`, when within the series.
    pub fn index_of(&self, time: DateTime) -> Option<usize> {
        usize::try_from(time.duration_since(self.start).as_hours())
            .ok()
            .filter(|&i| i < self.hours.len() && time >= self.start)
    }

    /// The part before `time`.
    #[must_use]
    pub fn until(&self, time: DateTime) -> Self {
        let n = time.duration_since(self.start).as_hours().max(0);
        let n = usize::try_from(n).unwrap_or(0).min(self.hours.len());
        Self {
            hours: self.hours[..n].to_vec(),
            ..self.clone()
        }
    }

    /// This series continued by the hours of `other` that fall, `years` years later, after its
    /// end: another winter taken as the rest of this one.
    #[must_use]
    pub fn continued_by(&self, other: &Self, years: i16) -> Self {
        let end = self.end();
        let shifted = other
            .start
            .checked_add(i64::from(years).years())
            .unwrap_or(other.start);
        let skip = usize::try_from(end.duration_since(shifted).as_hours()).unwrap_or(0);
        let mut hours = self.hours.clone();
        if shifted <= end {
            hours.extend_from_slice(other.hours.get(skip..).unwrap_or(&[]));
        }
        Self {
            start: self.start,
            hours,
            filled_n: self.filled_n,
        }
    }
}

fn hours_between(from: DateTime, to: DateTime) -> usize {
    usize::try_from(to.duration_since(from).as_hours()).unwrap_or(0)
}

pub(crate) fn hour_at(start: DateTime, index: usize) -> DateTime {
    start.saturating_add(SignedDuration::from_hours(index as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn start() -> DateTime {
        date(2025, 11, 1).at(0, 0, 0, 0)
    }

    #[test]
    fn gaps_are_seen_filled_by_method_and_flagged() {
        let series = HourlySeries::from_hours(
            start(),
            &[Some(2.0), None, None, Some(8.0)],
            TemperatureUnit::Celsius,
        )
        .unwrap();
        assert_eq!(
            series.gaps(),
            [Gap {
                from: hour_at(start(), 1),
                hours_n: 2
            }]
        );
        assert!(matches!(
            series.clone().complete(),
            Err(SeriesError::Gaps {
                missing_n: 2,
                hours_n: 4,
                ..
            })
        ));
        assert!(
            series
                .clone()
                .filled(Fill::StraightLine { longest_h: 1 })
                .complete()
                .is_err()
        );
        let filled = series.filled(Fill::StraightLine { longest_h: 2 });
        assert_eq!(filled.hours()[1].unwrap().origin, Origin::StraightLine);
        let complete = filled.complete().unwrap();
        assert_eq!(complete.filled_n(), 2);
        let values: Vec<f64> = complete.hours().iter().map(|t| t.value_c()).collect();
        assert_eq!(values, [2.0, 4.0, 6.0, 8.0]);
    }

    #[test]
    fn neighbouring_days_keep_the_shape_of_the_day() {
        let mut hours: Vec<Option<f64>> = (0..72)
            .map(|h| Some(f64::from(h % 24) + f64::from(h / 24)))
            .collect();
        hours[24..44].fill(None);
        let series = HourlySeries::from_hours(start(), &hours, TemperatureUnit::Celsius).unwrap();
        let filled = series
            .filled(Fill::NeighbouringDays { longest_h: 24 })
            .complete()
            .unwrap();
        assert_eq!(filled.hours()[30].value_c(), 7.0);
    }

    #[test]
    fn clock_changes_are_reported() {
        let two = hour_at(start(), 2);
        let twice = [(start(), 4.0), (two, 5.0), (two, 6.0)];
        let error = HourlySeries::from_readings(&twice, TemperatureUnit::Celsius).unwrap_err();
        assert!(error.to_string().contains("clock change"), "{error}");
        let missing = [(two, 5.0), (start(), 4.0)];
        let series = HourlySeries::from_readings(&missing, TemperatureUnit::Celsius).unwrap();
        assert_eq!(series.gaps().len(), 1);
    }

    #[test]
    fn gaps_are_filled_from_another_station_and_flagged() {
        let hours = |values: &[Option<f64>], from| {
            HourlySeries::from_hours(hour_at(start(), from), values, TemperatureUnit::Celsius)
                .unwrap()
        };
        let series = hours(&[None, Some(2.0), None], 1);
        let filled = series.filled_from(&hours(&[Some(7.0), Some(8.0), Some(9.0)], 0));
        let first = filled.hours()[0].unwrap();
        assert_eq!(
            (first.temperature.value_c(), first.origin),
            (8.0, Origin::OtherSeries)
        );
        assert_eq!(filled.hours()[1].unwrap().origin, Origin::Measured);
        assert_eq!(filled.gaps().len(), 1);
    }

    #[test]
    fn another_winter_continues_this_one() {
        let c = |v: f64| Celsius::new(v).unwrap();
        let now = CompleteHours::new(start(), vec![c(1.0); 48]);
        let past = CompleteHours::new(
            date(2020, 11, 1).at(0, 0, 0, 0),
            (0..96).map(|h| c(f64::from(h) / 10.0)).collect(),
        );
        let whole = now.continued_by(&past, 5);
        assert_eq!(whole.hours().len(), 96);
        assert_eq!(whole.hours()[48].value_c(), 4.8);
    }
}
