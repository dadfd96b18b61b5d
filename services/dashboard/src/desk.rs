//! What a page works with: the services, asked as the person who reads it.

use std::collections::{BTreeSet, HashMap};
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use axum::extract::{FromRequestParts, Query, Request};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use contract::crossing::crossing_client::CrossingClient;
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::identity::identity_client::IdentityClient;
use contract::release::release_client::ReleaseClient;
use http::Method;
use http::request::Parts;
use jiff::civil::Date;
use platform::gate::{Admission, BATCH_BYTES, Gate};
use platform::peers::{Authorised, Peers, ServiceName};
use platform::server::Faces;
use platform::{Fault, FieldError, Permission, reading};

use crate::Dashboard;
use crate::layout::{self, Place};
use crate::pages::asks_for_a_page;
use crate::session::Visitor;
use crate::trouble::Trouble;

/// Largest reply of a service that a page takes; the layout of a large trial is some megabytes.
const LARGEST_REPLY: usize = 64 << 20;

/// The desk of somebody who is signed in. Nobody else has one, and there is no other way to the
/// services' data.
pub struct Desk {
    peers: Peers,
    visitor: Visitor,
    faces: Faces,
    gate: Gate,
    now: jiff::Timestamp,
    /// What the page was asked for after the question mark.
    pub ask: Ask,
}

impl FromRequestParts<Dashboard> for Desk {
    type Rejection = Trouble;

    async fn from_request_parts(parts: &mut Parts, dashboard: &Dashboard) -> Result<Self, Trouble> {
        let visitor = parts
            .extensions
            .get::<Visitor>()
            .cloned()
            .ok_or(Trouble::SignIn)?;
        Ok(Self {
            peers: dashboard.0.peers.clone(),
            visitor,
            faces: dashboard.0.faces,
            gate: dashboard.0.gate.clone(),
            now: dashboard.0.clock.now(),
            ask: Ask::of(parts),
        })
    }
}

macro_rules! client {
    ($(#[$doc:meta])* $name:ident, $service:ident, $client:ident) => {
        $(#[$doc])*
        ///
        /// # Errors
        /// When the service is not reachable from here.
        pub fn $name(&self) -> Result<$client<Authorised>, Trouble> {
            let transport = self.peers.reach_as(ServiceName::$service, &self.visitor.access_token)?;
            Ok($client::new(transport).max_decoding_message_size(LARGEST_REPLY))
        }
    };
}

impl Desk {
    client! {
        /// The identity service.
        identity, Identity, IdentityClient
    }
    client! {
        /// The crossing service.
        crossing, Crossing, CrossingClient
    }
    client! {
        /// The evaluation service.
        evaluation, Evaluation, EvaluationClient
    }
    client! {
        /// The release service.
        release, Release, ReleaseClient
    }

    /// Whether this person's roles hold a permission; for what a page offers, never for what it
    /// gives out, which the services decide.
    pub fn may(&self, permission: Permission) -> bool {
        self.visitor.caller.may(permission).is_ok()
    }

    /// Reads a large body as the gate of the services reads one: within bounds, at a least pace and
    /// out of the memory that all bodies share. The body keeps its memory for as long as the admission
    /// is kept.
    ///
    /// # Errors
    /// Too large, too slow or broken off; unavailable when other bodies fill the memory.
    pub async fn read(&self, request: Request) -> Result<(Admission, Bytes), Trouble> {
        let admission = self.gate.enter(self.visitor.caller.clone()).await?;
        let (parts, body) = request.into_parts();
        let bytes = admission.read(body, &parts.headers, BATCH_BYTES).await?;
        // Once more in the message that is made of it, and once on its way.
        admission.hold(2 * bytes.len()).await?;
        Ok((admission, bytes))
    }

    /// The places this person may start from.
    pub fn places(&self) -> impl Iterator<Item = &'static Place> {
        layout::places(&self.visitor, self.faces)
    }

    /// The person's name.
    pub fn name(&self) -> &str {
        &self.visitor.caller.name
    }

    /// The present day in a time zone, or in UTC when the zone is not known.
    pub fn today(&self, time_zone: &str) -> Date {
        let zone = jiff::tz::TimeZone::get(time_zone).unwrap_or(jiff::tz::TimeZone::UTC);
        self.now.to_zoned_datetime(zone).date()
    }
}

/// What a page was asked for after the question mark.
#[derive(Debug, Clone, Default)]
pub struct Ask {
    values: HashMap<String, String>,
    looked_for: LookedFor,
}

/// The names that a page has looked for, and so those that it knows.
#[derive(Debug, Clone, Default)]
struct LookedFor(Arc<Mutex<BTreeSet<String>>>);

impl LookedFor {
    fn note(&self, name: &str) {
        let mut names = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !names.contains(name) {
            names.insert(name.to_owned());
        }
    }

    fn names(&self) -> BTreeSet<String> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

/// Refuses what a page was asked for and knows nothing of, with the nearest name that it looks
/// for. A page that was shown would otherwise seem to have answered, as a list of all seasons to a
/// misspelt `?season=`. Forms bring nothing behind the question mark.
pub async fn nothing_passed_over(mut request: Request, next: Next) -> Response {
    let Ok(Query(asked)) = Query::<Vec<(String, String)>>::try_from_uri(request.uri()) else {
        return Trouble::from(Fault::malformed("the query cannot be read")).into_response();
    };
    let page = asks_for_a_page(request.headers());
    let looked_for = LookedFor::default();
    request.extensions_mut().insert(looked_for.clone());
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    if reads {
        let response = next.run(request).await;
        let faults = passed_over(&asked, &looked_for.names());
        if !response.status().is_success() || faults.is_empty() {
            return response;
        }
        return refused(page, faults);
    }
    match passed_over(&asked, &BTreeSet::new()) {
        faults if faults.is_empty() => next.run(request).await,
        faults => refused(page, faults),
    }
}

fn refused(page: bool, faults: Vec<FieldError>) -> Response {
    let fault = Fault::invalid(faults);
    if page {
        Trouble::from(fault).into_response()
    } else {
        fault.into_response()
    }
}

/// Faults of names that are unknown, or there twice. An empty value asks for nothing.
fn passed_over(asked: &[(String, String)], known: &BTreeSet<String>) -> Vec<FieldError> {
    let known: Vec<&str> = known.iter().map(String::as_str).collect();
    let mut faults = Vec::new();
    for (place, (name, value)) in asked.iter().enumerate() {
        let pointer = format!("/{name}");
        if value.is_empty() {
            continue;
        }
        if !known.contains(&name.as_str()) {
            faults.push(reading::unknown(name, pointer, &known));
        } else if asked[..place].iter().any(|(other, _)| other == name) {
            faults.push(FieldError::new(pointer, "is there twice; keep one"));
        }
    }
    faults
}

impl Ask {
    fn of(parts: &Parts) -> Self {
        let values = Query::<HashMap<String, String>>::try_from_uri(&parts.uri)
            .map(|Query(values)| values)
            .unwrap_or_default();
        let looked_for = parts.extensions.get().cloned().unwrap_or_default();
        Self { values, looked_for }
    }

    fn value(&self, name: &str) -> Option<&str> {
        self.looked_for.note(name);
        self.values.get(name).map(|value| value.trim())
    }

    /// A value as text; empty when it is not there.
    pub fn text(&self, name: &str) -> String {
        self.value(name).unwrap_or_default().to_owned()
    }

    /// A value as a number; none when it is not there or is no number.
    pub fn number<N: std::str::FromStr>(&self, name: &str) -> Option<N> {
        self.value(name)?.parse().ok()
    }

    /// The same without one of the values.
    #[must_use]
    pub fn without(&self, name: &str) -> Self {
        let mut ask = self.clone();
        ask.values.remove(name);
        ask
    }

    /// The same question with a value changed, as a query string with its question mark.
    pub fn with(&self, name: &str, value: &str) -> String {
        let mut pairs: Vec<(&str, &str)> = self
            .values
            .iter()
            .map(|(n, v)| (n.as_str(), v.as_str()))
            .filter(|(n, v)| *n != name && !v.is_empty())
            .collect();
        pairs.sort_unstable();
        if !value.is_empty() {
            pairs.push((name, value));
        }
        let text: Vec<String> = pairs
            .iter()
            .map(|(n, v)| format!("{}={}", encode(n), encode(v)))
            .collect();
        format!("?{}", text.join("&"))
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Ask {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self::of(parts))
    }
}

/// Percent-encodes all but the unreserved characters of RFC 3986.
pub fn encode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                out.push(char::from(byte));
            }
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_keeps_its_other_values() {
        let ask = Ask {
            values: HashMap::from([
                ("season".to_owned(), "2026".to_owned()),
                ("cursor".to_owned(), "old".to_owned()),
            ]),
            ..Ask::default()
        };
        assert_eq!(ask.with("cursor", "a b&c"), "?season=2026&cursor=a%20b%26c");
        assert_eq!(ask.with("cursor", ""), "?season=2026");
    }

    #[test]
    fn what_no_page_looks_for_is_told_with_the_nearest_name() {
        let ask = Ask::default();
        ask.text("season");
        ask.number::<u32>("least1");
        let pairs = |query: &[(&str, &str)]| -> Vec<(String, String)> {
            let pairs = query.iter();
            pairs
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect()
        };
        let told = |query: &[(&str, &str)]| passed_over(&pairs(query), &ask.looked_for.names());
        assert!(told(&[("season", "2026"), ("least1", "3"), ("empty", "")]).is_empty());
        let faults = told(&[("seasn", "2026"), ("season", "1"), ("season", "2")]);
        assert_eq!(faults.len(), 2);
        assert!(faults[0].message.contains("\"season\""), "{faults:?}");
    }
}
