//! What a label may tell anyone who scans it: a plain page for a browser, JSON for a program.

use axum::extract::{Path, State};
use axum::response::{IntoResponse, Response};
use contract::release::release_client::ReleaseClient;
use contract::release::{LabelAnswer, VerifyLabelRequest};
use http::{HeaderMap, StatusCode, header};
use maud::{Markup, html};
use platform::Fault;
use platform::peers::ServiceName;

use crate::Dashboard;
use crate::desk::Ask;
use crate::html::{caution, day, facts, field, text};
use crate::layout::Page;
use crate::trouble::Trouble;

/// The page of a label. Nobody need be signed in, and whoever is learns no more.
pub async fn show(
    State(dashboard): State<Dashboard>,
    Path(token): Path<String>,
    ask: Ask,
    headers: HeaderMap,
) -> Result<Response, Trouble> {
    let request = VerifyLabelRequest {
        label_token: token,
        country: ask.text("country"),
    };
    let transport = dashboard.0.peers.transport(ServiceName::Release)?;
    let told = ReleaseClient::new(transport).verify_label(request).await;
    let json = wants_json(&headers);
    Ok(match told {
        Ok(told) if json => (
            [(header::CONTENT_TYPE, "application/json")],
            serde_json::to_string(&told.into_inner()).map_err(Fault::internal)?,
        )
            .into_response(),
        Ok(told) => page(&told.into_inner(), &ask).into_response(),
        Err(status) if json => Fault::from(status).into_response(),
        Err(status) if status.code() == tonic::Code::NotFound => unknown().into_response(),
        Err(status) => return Err(status.into()),
    })
}

/// Whether a program asks, which says so; a browser asks for HTML first.
fn wants_json(headers: &HeaderMap) -> bool {
    headers
        .get(header::ACCEPT)
        .and_then(|accept| accept.to_str().ok())
        .is_some_and(|accept| accept.contains("application/json") && !accept.contains("text/html"))
}

fn page(told: &LabelAnswer, ask: &Ask) -> Page {
    let protected = match told.protection.as_str() {
        "granted" => "Yes: a right is granted",
        "pending" => "An application is pending",
        _ => "No",
    };
    let licensed = if told.licensed {
        "Yes, the licence is in force"
    } else {
        "No, no licence is in force"
    };
    Page::new(
        format!("‘{}’", told.denomination),
        html! {
            p { "As of " (day(&told.as_of)) ", in " strong { (told.country) } "." }
            (facts(vec![
                ("Species", html! { i { (text(&told.species)) } }),
                ("Protected there", text(protected)),
                ("Nursery", text(&told.licensed_to)),
                ("Licensed to this nursery there", text(licensed)),
            ]))
            (caution(&told.caution))
            (other_country(ask))
        },
    )
}

fn other_country(ask: &Ask) -> Markup {
    html! {
        form.ask method="get" {
            (field("country", "Another country (ISO 3166, as US)", "text", &ask.text("country")))
            button { "Ask" }
        }
    }
}

/// The same for a label that was never issued and for one that was changed.
fn unknown() -> Page {
    Page::new(
        "This label is not known",
        html! {
            p.lead { "No label with this seal was issued here. It was misread, changed or made by somebody else." }
            p { "Nothing can be told about the tree it hangs on. Ask the nursery, or whoever holds the rights in the variety." }
        },
    )
    .with_status(StatusCode::NOT_FOUND)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_browser_is_shown_the_page_and_a_program_the_data() {
        for (accept, json) in [
            ("text/html,application/xhtml+xml,*/*;q=0.8", false),
            ("application/json", true),
            ("application/json, text/html", false),
            ("*/*", false),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert(header::ACCEPT, accept.parse().unwrap());
            assert_eq!(wants_json(&headers), json, "{accept}");
        }
        assert!(!wants_json(&HeaderMap::new()));
    }
}
