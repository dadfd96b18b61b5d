//! Webhooks: who is told of what, and how deliveries went. Secrets are never shown again.

use axum::extract::Path;
use axum::response::{IntoResponse, Redirect, Response};
use contract::release::{
    EditWebhookRequest, GetWebhookRequest, ListWebhookDeliveriesRequest, ListWebhooksRequest,
    RedeliverWebhookRequest, TestWebhookRequest, Webhook, WebhookDelivery,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, choice, count, facts, instant, pager, part, text, word};
use crate::layout::Page;
use crate::picture::{Fill, StackedBars};
use crate::trouble::Trouble;
use crate::words;

/// Where a delivery may stand.
const STATES: [&str; 4] = ["waiting", "sending", "delivered", "dead"];

/// Every webhook that this person keeps.
pub async fn list(desk: Desk) -> Shown {
    let request = ListWebhooksRequest {
        limit: 0,
        cursor: desk.ask.text("cursor"),
    };
    let list = desk.release()?.list_webhooks(request).await?.into_inner();
    let table = Table::new("Webhooks")
        .text("What it is for")
        .text("Where it leads")
        .text("Whose")
        .text("Told of")
        .text("Standing")
        .number("Waiting")
        .number("Given up")
        .text("Made")
        .stacking()
        .or_say("Nobody asked to be told of events.")
        .rows(&list.items, |hook| {
            vec![
                html! { a href={ "/webhooks/" (hook.id) } { (hook.name) } },
                html! { code { (hook.url) } },
                whose(hook),
                text(topics(hook)),
                standing(hook),
                count(hook.waiting_n),
                count(hook.dead_n),
                html! { (instant(&hook.created_at)) " by " (hook.created_by) },
            ]
        });
    Ok(Page::new(
        "Webhooks",
        html! {
            p { "Each event is posted to the address, signed with a secret that was shown when the webhook was made, and tried again with growing waits until it is taken. A webhook is made over the API: " code { "POST /api/release/v1/webhooks" } "." }
            (picture(&list.items))
            (table.show())
            (pager(&desk.ask, list.next_cursor.as_ref()))
        },
    ))
}

fn topics(hook: &Webhook) -> String {
    let all: Vec<String> = hook
        .topics
        .iter()
        .map(|topic| words::plain(&topic.replace('.', " ")))
        .collect();
    all.join(", ")
}

fn whose(hook: &Webhook) -> Markup {
    text(if hook.organisation_id.is_empty() {
        "the programme’s"
    } else {
        "a partner’s"
    })
}

fn standing(hook: &Webhook) -> Markup {
    html! {
        @if hook.active { "switched on" } @else { span.tag.strong { "switched off" } }
        @if !hook.stopped_reason.is_empty() { ": " (hook.stopped_reason) }
    }
}

fn picture(all: &[Webhook]) -> Markup {
    let troubled: Vec<&Webhook> = all
        .iter()
        .filter(|hook| hook.waiting_n + hook.dead_n > 0)
        .collect();
    if troubled.is_empty() {
        return html! { p.quiet { "Everything that was to be told was taken." } };
    }
    let table = Table::new("What was not taken yet")
        .text("Webhook")
        .number("Waiting")
        .number("Given up")
        .rows(&troubled, |hook| {
            vec![text(&hook.name), count(hook.waiting_n), count(hook.dead_n)]
        });
    StackedBars {
        key: "untaken".into(),
        title: "Deliveries that were not taken yet".into(),
        description: "Waiting ones are tried again by themselves; those given up only by hand."
            .into(),
        axis: "deliveries".into(),
        series: vec![
            ("waiting".into(), Fill::Rising),
            ("given up".into(), Fill::Full),
        ],
        rows: troubled
            .iter()
            .map(|hook| (hook.name.clone(), vec![hook.waiting_n, hook.dead_n]))
            .collect(),
    }
    .draw()
    .figure(table.show())
}

/// One webhook with its last deliveries.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut release = desk.release()?;
    let hook = release
        .get_webhook(GetWebhookRequest {
            webhook_id: id.clone(),
        })
        .await?
        .into_inner();
    let state = desk.ask.text("state");
    let deliveries = release
        .list_webhook_deliveries(ListWebhookDeliveriesRequest {
            webhook_id: id,
            limit: 50,
            cursor: desk.ask.text("cursor"),
            state: state.clone(),
        })
        .await
        .map(tonic::Response::into_inner);
    let options = STATES.map(|state| (state.to_owned(), said(state).to_owned()));
    Ok(Page::new(
        format!("Webhook {}", hook.name),
        html! {
            p { a href="/webhooks" { "All webhooks" } }
            (facts(vec![
                ("Where it leads", html! { code { (hook.url) } }),
                ("Whose", whose(&hook)),
                ("Told of", text(topics(&hook))),
                ("Standing", standing(&hook)),
                ("Waiting", count(hook.waiting_n)),
                ("Given up", count(hook.dead_n)),
                ("Made", html! { (instant(&hook.created_at)) " by " (hook.created_by) }),
                ("Secret", text("shown once, when it was made; never again")),
            ]))
            form.ask method="post" action={ "/webhooks/" (hook.id) "/switch" } {
                button { (if hook.active { "Switch off" } else { "Switch on" }) }
            }
            @if hook.active {
                form.ask method="post" action={ "/webhooks/" (hook.id) "/test" } { button { "Send a trial event" } }
            }
            h2 #deliveries { "Last deliveries" }
            form.ask method="get" {
                (choice("state", "Where they stand", Some("any"), options, &state))
                button { "Show" }
            }
            (part(deliveries.map_err(Into::into), |list| html! {
                (table(&hook, &list.items))
                (pager(&desk.ask, list.next_cursor.as_ref()))
            }))
        },
    ))
}

/// What a state means, for people.
fn said(state: &str) -> &str {
    match state {
        "dead" => "given up",
        "sending" => "on its way",
        other => other,
    }
}

fn table(hook: &Webhook, all: &[WebhookDelivery]) -> Markup {
    Table::new("Deliveries, newest first")
        .text("Event")
        .text("Happened")
        .text("Where it stands")
        .number("Attempts")
        .text("What the receiver said")
        .text("Next attempt")
        .text("")
        .stacking()
        .or_say("No event was told yet.")
        .rows(all, |delivery| {
            vec![
                word(&delivery.topic.replace('.', " ")),
                instant(&delivery.created_at),
                html! {
                    span.tag.strong[delivery.state == "dead"] { (said(&delivery.state)) }
                    @if !delivery.delivered_at.is_empty() { " " (instant(&delivery.delivered_at)) }
                },
                count(delivery.attempts_n),
                html! {
                    @for attempt in &delivery.attempts {
                        p {
                            (instant(&attempt.at)) ": "
                            @if attempt.fault.is_empty() { "taken" } @else { (attempt.fault) }
                            " (" (words::count(attempt.took_ms)) " ms)"
                        }
                    }
                },
                if delivery.next_attempt_at.is_empty() { text("") } else { instant(&delivery.next_attempt_at) },
                html! {
                    @if matches!(delivery.state.as_str(), "dead" | "delivered") {
                        form method="post" action={ "/webhooks/" (hook.id) "/deliveries/" (delivery.id) "/again" } {
                            button { "Deliver again" }
                        }
                    }
                },
            ]
        })
        .show()
}

fn back(id: &str) -> Response {
    Redirect::to(&format!("/webhooks/{id}#deliveries")).into_response()
}

/// Switches a webhook on or off.
pub async fn switch(desk: Desk, Path(id): Path<String>) -> Result<Response, Trouble> {
    let mut release = desk.release()?;
    let hook = release
        .get_webhook(GetWebhookRequest {
            webhook_id: id.clone(),
        })
        .await?
        .into_inner();
    let request = EditWebhookRequest {
        webhook_id: hook.id,
        expected_version: hook.version,
        name: hook.name,
        url: hook.url,
        topics: hook.topics,
        active: !hook.active,
    };
    release.edit_webhook(request).await?;
    Ok(back(&id))
}

/// Sends a trial event.
pub async fn test(desk: Desk, Path(id): Path<String>) -> Result<Response, Trouble> {
    let request = TestWebhookRequest {
        webhook_id: id.clone(),
    };
    desk.release()?.test_webhook(request).await?;
    Ok(back(&id))
}

/// Delivers again, under the same id.
pub async fn again(
    desk: Desk,
    Path((id, delivery)): Path<(String, String)>,
) -> Result<Response, Trouble> {
    let request = RedeliverWebhookRequest {
        webhook_id: id.clone(),
        delivery_id: delivery,
    };
    desk.release()?.redeliver_webhook(request).await?;
    Ok(back(&id))
}
