//! Chill, heat and bloom of stone fruit.
//!
//! Temperatures are °C, heat is °C·h, dates are local, hours are local standard time. Nothing here
//! does I/O, reads a clock or holds state; randomness comes from a seed given by the caller.

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
