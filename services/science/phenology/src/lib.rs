//! Chill, heat and bloom of stone fruit.
//!
//! Temperatures are °C, heat is °C·h, dates are local, hours are local standard time. Nothing here
//! does I/O, reads a clock or holds state; randomness comes from a seed given by the caller.
//!
//! From readings to a chill total:
//!
//! ```
//! use phenology::chill::{ChillModel, chill_account};
//! use phenology::series::checked_hours;
//! use phenology::temperature::TemperatureUnit;
//!
//! let hours = checked_hours(&[6.0; 48], TemperatureUnit::Celsius)?;
//! let account = chill_account("dynamic".parse::<ChillModel>()?, &hours);
//! assert_eq!(account.unit.name(), "chill_portions");
//! assert_eq!(account.running.len(), 48);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! From daily extremes through [`hourly::hourly_from_daily`] to
//! [`series::HourlySeries::complete`]; from a season's hours and dated bloom through
//! [`requirement::fit_requirement`] to [`forecast::Outlook::forecast`].

pub mod chill;
pub mod daylength;
pub mod forecast;
pub mod heat;
pub mod hourly;
pub mod overlap;
pub mod pollen;
pub mod requirement;
pub mod series;
pub mod stage;
pub mod temperature;
