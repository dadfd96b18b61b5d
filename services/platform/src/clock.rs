//! Time as a parameter, so that every date can be asked "as of".

use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Where the time comes from.
#[derive(Debug, Clone, Default)]
pub enum Clock {
    /// The machine's clock.
    #[default]
    System,
    /// A clock that stands still until it is set; for tests and for loading history.
    Set(Arc<Mutex<Timestamp>>),
}

impl Clock {
    /// A clock that stands at `at`.
    pub fn standing_at(at: Timestamp) -> Self {
        Self::Set(Arc::new(Mutex::new(at)))
    }

    /// Sets a standing clock; the machine's clock cannot be set.
    pub fn set(&self, at: Timestamp) {
        if let Self::Set(cell) = self {
            *cell.lock().unwrap_or_else(|e| e.into_inner()) = at;
        }
    }

    /// The present instant.
    pub fn now(&self) -> Timestamp {
        match self {
            Self::System => Timestamp::now(),
            Self::Set(cell) => *cell.lock().unwrap_or_else(|e| e.into_inner()),
        }
    }

    /// The present day in UTC.
    pub fn today(&self) -> Date {
        self.now().to_zoned_datetime(TimeZone::UTC).date()
    }
}
