//! How the process is, as `/healthz`, `/readyz` and gRPC's health service tell it.

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::sync::watch;

/// What is wrong with the process and what is in doubt, by name; shared by all its services.
#[derive(Clone, Default)]
pub struct Health(Arc<watch::Sender<BTreeMap<String, Trouble>>>);

/// One thing that is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// In words.
    pub why: String,
    /// Whether requests cannot be answered for it.
    pub stops: bool,
}

impl Health {
    /// Notes that something without which nothing can be answered is down.
    pub fn down(&self, what: &str, why: impl Into<String>) {
        self.set(what, why.into(), true);
    }

    /// Notes that something needs looking after while requests go on being answered.
    pub fn doubt(&self, what: &str, why: impl Into<String>) {
        self.set(what, why.into(), false);
    }

    /// Notes that something is as it should be.
    pub fn well(&self, what: &str) {
        self.0
            .send_if_modified(|troubles| troubles.remove(what).is_some());
    }

    fn set(&self, what: &str, why: String, stops: bool) {
        let trouble = Trouble { why, stops };
        self.0.send_if_modified(|troubles| {
            let before = troubles.insert(what.to_owned(), trouble.clone());
            before != Some(trouble)
        });
    }

    /// Why nothing can be answered; none when it can.
    pub fn stopped_by(&self) -> Option<String> {
        self.told(true)
    }

    /// What needs looking after; none when nothing does.
    pub fn doubts(&self) -> Option<String> {
        self.told(false)
    }

    fn told(&self, stops: bool) -> Option<String> {
        let troubles = self.0.borrow();
        let lines: Vec<String> = troubles
            .iter()
            .filter(|(_, trouble)| trouble.stops == stops)
            .map(|(what, trouble)| format!("{what}: {}", trouble.why))
            .collect();
        (!lines.is_empty()).then(|| lines.join("\n"))
    }

    /// Hears of every change.
    pub(crate) fn changes(&self) -> watch::Receiver<BTreeMap<String, Trouble>> {
        self.0.subscribe()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_down_stops_and_what_is_in_doubt_does_not() {
        let health = Health::default();
        assert_eq!((health.stopped_by(), health.doubts()), (None, None));
        health.doubt("the feed", "two are missing");
        assert_eq!(health.stopped_by(), None);
        assert_eq!(health.doubts().unwrap(), "the feed: two are missing");
        health.down("PostgreSQL", "it ended");
        assert_eq!(health.stopped_by().unwrap(), "PostgreSQL: it ended");
        health.well("PostgreSQL");
        health.well("the feed");
        assert_eq!((health.stopped_by(), health.doubts()), (None, None));
    }
}
