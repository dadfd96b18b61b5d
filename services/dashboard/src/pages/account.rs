//! One's own account: sessions that are open, and second factors.

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse, Redirect, Response};
use contract::identity::{
    BeginCodesRequest, ChangePasswordRequest, ConfirmCodesRequest, EndSecondFactorsRequest,
    EndSessionRequest, ListSecondFactorsRequest, ListSessionsRequest, OpenSession, SecondFactors,
};
use maud::{Markup, PreEscaped, html};
use platform::Fault;
use qrcode::QrCode;
use qrcode::render::svg;
use serde::Deserialize;

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, instant, text};
use crate::layout::Page;
use crate::trouble::Trouble;
use crate::words;

/// Sessions and second factors.
pub async fn show(desk: Desk) -> Shown {
    let mut identity = desk.identity()?;
    let sessions = identity
        .list_sessions(ListSessionsRequest {})
        .await?
        .into_inner()
        .items;
    let factors = identity
        .list_second_factors(ListSecondFactorsRequest {})
        .await?
        .into_inner();
    Ok(Page::new(
        "Your account",
        html! {
            h2 #sessions { "Where you are signed in" }
            (sessions_open(&sessions))
            h2 #codes { "Second factor" }
            (second_factor(&factors))
            h2 #password { "Password" }
            form.ask method="post" action="/account/password" {
                (password("current_password", "Present password", "current-password"))
                (password("new_password", "New password", "new-password"))
                (password("again", "Once more", "new-password"))
                button { "Change" }
            }
        },
    ))
}

fn sessions_open(sessions: &[OpenSession]) -> Markup {
    Table::new("Sessions")
        .text("Opened")
        .text("Last renewed")
        .text("From")
        .text("Proved by")
        .text("")
        .stacking()
        .or_say("No session is open.")
        .rows(sessions, |session| {
            let proofs: Vec<String> = session.proofs.iter().map(|p| words::plain(p)).collect();
            vec![
                instant(&session.opened_at),
                instant(&session.seen_at),
                text(&session.address),
                text(proofs.join(", ")),
                html! {
                    @if session.current { "this one" }
                    @else {
                        form method="post" action={ "/account/sessions/" (session.id) "/end" } {
                            button { "End" span.hidden { " the session from " (session.address) } }
                        }
                    }
                },
            ]
        })
        .show()
}

fn second_factor(factors: &SecondFactors) -> Markup {
    html! {
        @if factors.codes_since.is_empty() {
            p { "With an app that shows codes, nobody gets in who knows your password alone." }
            form.ask method="post" action="/account/codes" {
                (password("current_password", "Present password", "current-password"))
                button { "Begin to use an app" }
            }
        } @else {
            p { "An app has shown your codes since " (instant(&factors.codes_since)) ". "
                (words::count(factors.recovery_codes_left_n)) " recovery codes are left." }
            form.ask method="post" action="/account/codes" {
                (password("current_password", "Present password", "current-password"))
                button { "Use another app" }
            }
            form.ask method="post" action="/account/codes/end" {
                (password("current_password", "Present password", "current-password"))
                button { "Do without" }
            }
        }
    }
}

fn password(name: &str, label: &str, autocomplete: &str) -> Markup {
    html! {
        label { (label) " " input name=(name) type="password" autocomplete=(autocomplete) required; }
    }
}

/// What a form with passwords holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Passwords {
    #[serde(default)]
    current_password: String,
    #[serde(default)]
    new_password: String,
    #[serde(default)]
    again: String,
}

/// What the form with a code holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Code {
    code: String,
}

fn read<T>(form: Result<Form<T>, FormRejection>) -> Result<T, Fault> {
    form.map(|Form(form)| form)
        .map_err(|rejection| Fault::malformed(rejection.body_text()))
}

/// Ends a session.
pub async fn end_session(desk: Desk, Path(id): Path<String>) -> Result<Response, Trouble> {
    let request = EndSessionRequest { session_id: id };
    desk.identity()?.end_session(request).await?;
    Ok(Redirect::to("/account#sessions").into_response())
}

/// Shows what an app needs to show codes, this once.
pub async fn begin_codes(desk: Desk, form: Result<Form<Passwords>, FormRejection>) -> Shown {
    let request = BeginCodesRequest {
        current_password: read(form)?.current_password,
    };
    let begun = desk.identity()?.begin_codes(request).await?.into_inner();
    let picture = QrCode::new(begun.address.as_bytes())
        .map_err(Fault::internal)?
        .render::<svg::Color<'_>>()
        .min_dimensions(200, 200)
        .build();
    Ok(Page::new(
        "An app that shows codes",
        html! {
            p { "Read this with the app, or type the secret into it. It is shown this once." }
            figure { (PreEscaped(picture.split_once("?>").map_or(picture.as_str(), |(_, svg)| svg))) }
            p { code { (begun.secret) } }
            form.ask method="post" action="/account/codes/confirm" {
                label { "Code that the app shows now " input name="code" autocomplete="one-time-code" inputmode="numeric" required; }
                button { "Confirm" }
            }
        },
    ))
}

/// Confirms the app and shows the recovery codes, this once.
pub async fn confirm_codes(desk: Desk, form: Result<Form<Code>, FormRejection>) -> Shown {
    let request = ConfirmCodesRequest {
        app_code: read(form)?.code,
    };
    let made = desk.identity()?.confirm_codes(request).await?.into_inner();
    Ok(Page::new(
        "Your recovery codes",
        html! {
            p { "The app counts from now on. When it is not at hand, each of these codes works once in its place. Print them or write them down; they are shown this once." }
            ul { @for code in &made.recovery_codes { li { code { (code) } } } }
            p { a href="/account" { "Back to your account" } }
        },
    ))
}

/// Takes the second factors away.
pub async fn end_codes(
    desk: Desk,
    form: Result<Form<Passwords>, FormRejection>,
) -> Result<Response, Trouble> {
    let request = EndSecondFactorsRequest {
        current_password: read(form)?.current_password,
    };
    desk.identity()?.end_second_factors(request).await?;
    Ok(Redirect::to("/account#codes").into_response())
}

/// Changes the password.
pub async fn change_password(
    desk: Desk,
    form: Result<Form<Passwords>, FormRejection>,
) -> Result<Response, Trouble> {
    let form = read(form)?;
    if form.new_password != form.again {
        return Err(Fault::field("/again", "is not the same as the new password").into());
    }
    let request = ChangePasswordRequest {
        current_password: form.current_password,
        new_password: form.new_password,
    };
    desk.identity()?.change_password(request).await?;
    Ok(Redirect::to("/account").into_response())
}
