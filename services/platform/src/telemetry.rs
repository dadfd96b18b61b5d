//! Logs and counts. Secrets are never logged: requests are known by operation, not by content.

use std::sync::LazyLock;
use std::time::Duration;

use prometheus::{Encoder as _, HistogramVec, IntCounterVec, IntGaugeVec, TextEncoder};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::FmtSpan;

use crate::operation::Operation;

static REQUESTS: LazyLock<IntCounterVec> = LazyLock::new(|| {
    prometheus::register_int_counter_vec!(
        "drupeline_requests_total",
        "Requests answered, by operation, skin and HTTP status",
        &["service", "operation", "skin", "status"]
    )
    .expect("the counter is registered once")
});

static DURATIONS: LazyLock<HistogramVec> = LazyLock::new(|| {
    prometheus::register_histogram_vec!(
        "drupeline_request_seconds",
        "Time to answer, by operation and skin",
        &["service", "operation", "skin"]
    )
    .expect("the histogram is registered once")
});

static FEED_BEHIND: LazyLock<IntGaugeVec> = LazyLock::new(|| {
    prometheus::register_int_gauge_vec!(
        "drupeline_feed_behind",
        "Announcements of a source that a follower has not yet taken in",
        &["service", "source"]
    )
    .expect("the gauge is registered once")
});

static FEED_MISSING: LazyLock<IntGaugeVec> = LazyLock::new(|| {
    prometheus::register_int_gauge_vec!(
        "drupeline_feed_missing",
        "Announcements that a source made and a follower passed without taking them in; 0 when all is well",
        &["service", "source"]
    )
    .expect("the gauge is registered once")
});

/// Tells how far a follower is behind its source.
pub(crate) fn feed_behind(service: &str, source: &str, n: i64) {
    FEED_BEHIND.with_label_values(&[service, source]).set(n);
}

/// Tells how many announcements a follower missed.
pub(crate) fn feed_missing(service: &str, source: &str, n: i64) {
    FEED_MISSING.with_label_values(&[service, source]).set(n);
}

/// Starts logging; `RUST_LOG` chooses what, `DRUPELINE_LOG=json` the form.
pub fn start(default_filter: &str) {
    let filter =
        EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(default_filter));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_span_events(FmtSpan::NONE)
        .with_writer(std::io::stderr);
    // A second call, as in tests, changes nothing.
    let _ = if std::env::var("DRUPELINE_LOG").is_ok_and(|form| form == "json") {
        builder.json().try_init()
    } else {
        builder.try_init()
    };
}

/// The span in which a request is carried out.
pub(crate) fn span(operation: &Operation, skin: &str, request_id: &str) -> tracing::Span {
    tracing::info_span!(
        "request",
        request.id = request_id,
        request.operation = operation.name,
        request.skin = skin
    )
}

/// Counts an answered request.
pub fn count(operation: &Operation, skin: &str, status: u16, took: Duration) {
    REQUESTS
        .with_label_values(&[
            operation.service,
            operation.name,
            skin,
            status.to_string().as_str(),
        ])
        .inc();
    DURATIONS
        .with_label_values(&[operation.service, operation.name, skin])
        .observe(took.as_secs_f64());
    tracing::debug!(
        request.operation = operation.name,
        request.skin = skin,
        request.status = status,
        request.duration_ms = took.as_millis(),
        "answered"
    );
}

/// All counts in the Prometheus text form.
pub fn metrics_text() -> String {
    let mut text = Vec::new();
    // The encoder only fails when its writer does, and a vector does not.
    let _ = TextEncoder::new().encode(&prometheus::gather(), &mut text);
    String::from_utf8(text).unwrap_or_default()
}
