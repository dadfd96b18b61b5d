//! Chill and heat of temperature series.

use contract::crossing::{ChillReply, ChillRequest, DailyTemperature, HeatReply, HeatRequest};
use jiff::ToSpan as _;
use phenology::chill::{ChillModel, ChillUnit, chill_account};
use phenology::daylength::Latitude;
use phenology::heat::{HeatModel, running_heat};
use phenology::hourly::{DailyExtremes, hourly_from_daily};
use phenology::series::{Fill, SeriesError, checked_hours};
use phenology::temperature::{Celsius, TemperatureUnit};
use platform::{Fault, Fields, Unit};

use crate::CrossingApp;

/// The models that can be asked for.
const MODELS: [(&str, ChillModel); 5] = [
    ("hours_0_7_2", ChillModel::Hours0To7_2),
    ("hours_below_7_2", ChillModel::HoursBelow7_2),
    ("utah", ChillModel::Utah),
    ("positive_utah", ChillModel::PositiveUtah),
    ("dynamic", ChillModel::Dynamic),
];
/// Longest gap that daily extremes are filled over, days.
const LONGEST_GAP_DAYS: usize = 3;

/// Winter chill.
pub async fn chill(
    _app: &CrossingApp,
    _unit: &mut Unit,
    request: ChillRequest,
) -> Result<ChillReply, Fault> {
    let mut fields = Fields::new();
    let model = MODELS
        .iter()
        .find(|(name, _)| *name == request.model)
        .map(|(_, model)| *model);
    if model.is_none() {
        let names: Vec<&str> = MODELS.iter().map(|(name, _)| *name).collect();
        fields.fault(
            "model",
            format!(
                "{:?} is not known; one of {}",
                request.model,
                names.join(", ")
            ),
        );
    }
    let hours = hours(
        &mut fields,
        &request.hourly_c,
        &request.daily,
        request.latitude_deg,
        request.unit_confirmed,
    );
    fields.finish()?;
    let (Some(model), Some((hours, flags))) = (model, hours) else {
        return Err(Fault::field("/hourly_c", "is required"));
    };
    let account = chill_account(model, &hours);
    let unit = match account.unit {
        ChillUnit::ChillHours => "chill_hours",
        ChillUnit::ChillUnits => "chill_units",
        ChillUnit::PositiveChillUnits => "positive_chill_units",
        ChillUnit::ChillPortions => "chill_portions",
    };
    Ok(ChillReply {
        total: account.total,
        running: account.running,
        unit: unit.to_owned(),
        flags,
    })
}

/// Growing degree hours.
pub async fn heat(
    _app: &CrossingApp,
    _unit: &mut Unit,
    request: HeatRequest,
) -> Result<HeatReply, Fault> {
    let mut fields = Fields::new();
    let hours = hours(
        &mut fields,
        &request.hourly_c,
        &request.daily,
        request.latitude_deg,
        request.unit_confirmed,
    );
    fields.finish()?;
    let (hours, flags) = hours.ok_or_else(|| Fault::field("/hourly_c", "is required"))?;
    let running = running_heat(HeatModel::Curvilinear, &hours);
    Ok(HeatReply {
        gdh_c: running.last().copied().unwrap_or(0.0),
        running,
        flags,
    })
}

/// Hourly temperatures, read or built from daily extremes, with what was done to them.
fn hours(
    fields: &mut Fields,
    hourly_c: &[f64],
    daily: &[DailyTemperature],
    latitude_deg: Option<f64>,
    unit_confirmed: bool,
) -> Option<(Vec<Celsius>, Vec<String>)> {
    let unit = if unit_confirmed {
        TemperatureUnit::CelsiusConfirmed
    } else {
        TemperatureUnit::Celsius
    };
    match (hourly_c.is_empty(), daily.is_empty()) {
        (true, true) => {
            fields.fault(
                "hourly_c",
                "is required, or daily with latitude_deg in its place",
            );
            None
        }
        (false, false) => {
            fields.fault("daily", "give hourly or daily temperatures, not both");
            None
        }
        (false, true) => match checked_hours(hourly_c, unit) {
            Ok(hours) => Some((hours, Vec::new())),
            Err(error) => {
                fault(fields, "hourly_c", &error);
                None
            }
        },
        (true, false) => built(fields, daily, latitude_deg, unit),
    }
}

fn fault(fields: &mut Fields, field: &str, error: &SeriesError) {
    match error {
        SeriesError::Reading { index, .. } => {
            fields.fault(&format!("{field}/{index}"), error.to_string());
        }
        SeriesError::LooksFahrenheit(_) => fields.fault(
            field,
            format!("{error}; if they are in °C all the same, send unit_confirmed"),
        ),
        _ => fields.fault(field, error.to_string()),
    }
}

fn built(
    fields: &mut Fields,
    daily: &[DailyTemperature],
    latitude_deg: Option<f64>,
    unit: TemperatureUnit,
) -> Option<(Vec<Celsius>, Vec<String>)> {
    let latitude = match latitude_deg {
        None => {
            fields.fault(
                "latitude_deg",
                "is required with daily temperatures, north positive",
            );
            None
        }
        Some(degrees) => match Latitude::new(degrees) {
            Ok(latitude) => Some(latitude),
            Err(error) => {
                fields.fault("latitude_deg", error.to_string());
                None
            }
        },
    };
    let mut days = Vec::with_capacity(daily.len());
    for (index, day) in daily.iter().enumerate() {
        let date = fields.date(&format!("daily/{index}/date"), &day.date);
        if let Some(date) = date {
            days.push(DailyExtremes {
                date,
                min_c: day.min_c,
                max_c: day.max_c,
            });
        }
    }
    if fields.any() {
        return None;
    }
    let series = match hourly_from_daily(&days, latitude?, unit) {
        Ok(series) => series,
        Err(error) => {
            fault(fields, "daily", &error);
            return None;
        }
    };
    let mut flags = vec![format!(
        "hours were built from daily minimum and maximum of {} days with the sun's hours at {}°",
        days.len(),
        latitude_deg.unwrap_or_default()
    )];
    flags.extend(series.gaps().iter().map(|gap| {
        let days = gap.hours_n.div_ceil(24);
        let until = gap.from.checked_add(
            i64::try_from(gap.hours_n)
                .unwrap_or(0)
                .saturating_sub(1)
                .hours(),
        );
        format!(
            "{days} missing days from {} to {} were filled from the days around them",
            gap.from.date(),
            until.map_or(gap.from.date(), |end| end.date())
        )
    }));
    let filled = series.filled(Fill::NeighbouringDays {
        longest_h: LONGEST_GAP_DAYS * 24,
    });
    match filled.complete() {
        Ok(hours) => Some((hours.hours().to_vec(), flags)),
        Err(error) => {
            fault(fields, "daily", &error);
            None
        }
    }
}
