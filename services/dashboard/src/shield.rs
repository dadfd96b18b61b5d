//! What keeps pages safe in a browser: headers on every reply, and no writing on behalf of
//! another site.

use axum::extract::Request;
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};
use http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use maud::html;
use platform::server::Faces;

use crate::layout::{self, Page};

/// Nothing but our own style sheet and pictures, and forms that lead nowhere else.
pub const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; \
     form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 5] = [
    (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
    (header::REFERRER_POLICY, "same-origin"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(), geolocation=(), microphone=()",
    ),
];

/// Refuses forms that another site sent, and adds the headers to every reply.
pub async fn guard(request: Request, next: Next) -> Response {
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    let mut response = if reads || is_our_own_form(request.headers()) {
        next.run(request).await
    } else {
        let page = Page::new(
            "Not taken",
            html! { p.lead { "This form was sent from another site and was not taken." } p { a href="/" { "To the start page" } } },
        );
        let framed = layout::frame(&page, None, request.uri().path(), Faces::default());
        (StatusCode::FORBIDDEN, Html(framed.into_string())).into_response()
    };
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    }
    // Pages hold what only this person may see; files for everyone say otherwise themselves.
    response
        .headers_mut()
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Whether a form comes from our own pages. Browsers say so in `Sec-Fetch-Site` or at least in
/// `Origin`; a caller that sends neither is no browser and carries nobody's cookies by accident.
fn is_our_own_form(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return matches!(site, "same-origin" | "none");
    }
    match (text("origin"), text("host")) {
        (None, _) => !headers.contains_key("origin"),
        (Some(origin), Some(host)) => origin
            .split_once("://")
            .is_some_and(|(_, from)| from.eq_ignore_ascii_case(host)),
        (Some(_), None) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| {
                (
                    HeaderName::from_static(name),
                    HeaderValue::from_str(value).unwrap(),
                )
            })
            .collect()
    }

    #[test]
    fn forms_of_other_sites_are_refused() {
        let host = ("host", "drupeline.example");
        for (pairs, own) in [
            (vec![host], true),
            (vec![host, ("sec-fetch-site", "same-origin")], true),
            (vec![host, ("sec-fetch-site", "cross-site")], false),
            (vec![host, ("sec-fetch-site", "same-site")], false),
            (vec![host, ("origin", "https://drupeline.example")], true),
            (vec![host, ("origin", "https://elsewhere.example")], false),
            (vec![host, ("origin", "null")], false),
            (vec![("origin", "https://drupeline.example")], false),
        ] {
            assert_eq!(is_our_own_form(&headers(&pairs)), own, "{pairs:?}");
        }
    }
}
