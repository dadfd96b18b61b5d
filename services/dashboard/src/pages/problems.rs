//! What each kind of problem means and what mends it; the addresses stand in problem documents.

use axum::extract::Path;
use maud::html;
use platform::fault::FaultKind;

use super::Shown;
use crate::html::{Table, text};
use crate::layout::Page;
use crate::trouble::Trouble;

/// All kinds of problem.
pub async fn list() -> Shown {
    let table = Table::new("Kinds of problem")
        .text("Problem")
        .number("HTTP status")
        .text("What mends it")
        .stacking()
        .rows(FaultKind::ALL, |kind| {
            let (status, slug, title) = kind.http();
            vec![
                html! { a href={ "/problems/" (slug) } { (title) } },
                text(status.as_str()),
                text(remedy(kind)),
            ]
        });
    Ok(Page::new(
        "Problems",
        html! {
            p { "A request that is not carried out is answered with a problem document (RFC 9457), whose type is one of these; over gRPC the same document comes in the metadata." }
            (table.show())
        },
    ))
}

/// One kind of problem.
pub async fn show(Path(slug): Path<String>) -> Shown {
    let kind = FaultKind::ALL
        .into_iter()
        .find(|kind| kind.http().1 == slug)
        .ok_or_else(|| Trouble::not_found("kind of problem", &slug))?;
    let (status, _, title) = kind.http();
    Ok(Page::new(
        title,
        html! {
            p.quiet { "HTTP status " (status.as_str()) ", type " code { "/problems/" (slug) } }
            p { (meaning(kind)) }
            h2 { "What mends it" }
            p { (remedy(kind)) }
            p { a href="/problems" { "All kinds of problem" } }
        },
    ))
}

fn meaning(kind: FaultKind) -> &'static str {
    use FaultKind as K;
    match kind {
        K::Malformed => {
            "The body, a parameter or a message could not be read at all, so nothing was looked at and nothing was written."
        }
        K::Invalid => {
            "The request was read, and one or more of its fields do not hold. Every fault is listed under errors with a pointer to its field. Nothing was written."
        }
        K::Unauthenticated => {
            "The request came without an access token, or with one that has ended, was revoked or is not one of ours."
        }
        K::Forbidden => {
            "You are known, and none of your roles in the programme holds the permission that this asks for."
        }
        K::NotFound => {
            "There is no such thing, or none that you may know of. The two read alike on purpose."
        }
        K::MethodNotAllowed => "The path is known and takes other methods.",
        K::Exists => {
            "Something of that name, number or time is there already and would be doubled or crossed."
        }
        K::State => {
            "The thing is there and not in a state in which this can be done, such as a lot that was discarded."
        }
        K::Stale => {
            "Somebody else changed the thing after you had read it. Your edit would have undone theirs."
        }
        K::VersionMissing => {
            "An edit must say on which version it was made, so that nobody’s work is undone unseen."
        }
        K::MediaType => "The content type of the body is not one that this path takes.",
        K::TooLarge => {
            "The body, or what would become of it in memory, is larger than this path takes, or it holds more rows."
        }
        K::TooSlow => "The body came more slowly than a poor connection explains, or stopped.",
        K::RetryMismatch => {
            "An idempotency key, or an id made by the client, came a second time with other contents."
        }
        K::Throttled => {
            "Too many requests came in a short time or were under way at once, or wrong passwords for one login."
        }
        K::Unavailable => {
            "The service, or one that it needs, cannot answer now. The detail says whether nothing was written or something may have been; either way the same request can be sent again with the same Idempotency-Key or id."
        }
        K::Internal => {
            "Something went wrong on our side. The detail says so where nothing was written; otherwise something may have been, and the same Idempotency-Key or id does no harm. The cause is in the log under the request’s id."
        }
    }
}

fn remedy(kind: FaultKind) -> &'static str {
    use FaultKind as K;
    match kind {
        K::Malformed => "Send well-formed JSON or protobuf with parameters of the right kind.",
        K::Invalid => "Mend the fields that the errors point to and send the request again.",
        K::Unauthenticated => {
            "Sign in, or exchange the refresh token for a new pair, and send the access token."
        }
        K::Forbidden => {
            "Ask an administrator of the programme for a role that holds the permission."
        }
        K::NotFound => "Check the id or number; ask for the list.",
        K::MethodNotAllowed => "See the API documentation for the methods of the path.",
        K::Exists => "Use what is there, or choose another name, number or time.",
        K::State => "Read the thing again; its state says what can be done next.",
        K::Stale => "Read it again, and repeat your edit on the new version.",
        K::VersionMissing => {
            "Send the ETag that you read as If-Match; over gRPC fill expected_version."
        }
        K::MediaType => "Send application/json, or what the API documentation names for the path.",
        K::TooLarge => "Send it in several parts, or use the stream or batch made for it.",
        K::TooSlow => "Send it again over a better connection, or in smaller parts.",
        K::RetryMismatch => {
            "Use a new key or id for new contents, or repeat the first request unchanged."
        }
        K::Throttled => "Wait as long as Retry-After says.",
        K::Unavailable => "Try again after a moment; a repeat with the same id or key is harmless.",
        K::Internal => "Try again; if it comes back, tell your administrator the request’s id.",
    }
}
