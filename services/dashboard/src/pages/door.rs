//! Coming in and going out.

use axum::Form;
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use axum::{Extension, extract::rejection::FormRejection};
use http::StatusCode;
use maud::{Markup, html};
use serde::Deserialize;

use crate::Dashboard;
use crate::desk::Ask;
use crate::layout::Page;
use crate::session::{Visitor, go_on, local_path};
use crate::trouble::Trouble;

/// What the sign-in form holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignIn {
    login: String,
    password: String,
    #[serde(default)]
    next: String,
}

/// The sign-in page.
pub async fn show(visitor: Option<Extension<Visitor>>, ask: Ask) -> Response {
    let next = ask.text("next");
    match visitor {
        Some(_) => Redirect::to(local_path(&next)).into_response(),
        None => Page::new("Sign in", form("", &next, None)).into_response(),
    }
}

/// Signs a person in and goes on to where they wanted to be.
pub async fn sign_in(
    State(dashboard): State<Dashboard>,
    form: Result<Form<SignIn>, FormRejection>,
) -> Response {
    let Ok(Form(SignIn {
        login,
        password,
        next,
    })) = form
    else {
        return refused(
            "",
            "",
            "Give a login and a password.",
            StatusCode::UNPROCESSABLE_ENTITY,
        );
    };
    match dashboard.0.sessions.sign_in(login.trim(), &password).await {
        Ok(cookie) => go_on(local_path(&next), cookie),
        Err(Trouble::SignIn) => refused(
            &login,
            &next,
            "This login and password do not fit together.",
            StatusCode::UNAUTHORIZED,
        ),
        Err(trouble) => refused(&login, &next, trouble.detail(), trouble.status()),
    }
}

/// Ends the session.
pub async fn sign_out(
    State(dashboard): State<Dashboard>,
    visitor: Option<Extension<Visitor>>,
) -> Response {
    let visitor = visitor.map(|Extension(visitor)| visitor);
    let cookie = dashboard.0.sessions.sign_out(visitor.as_ref()).await;
    go_on("/sign-in", cookie)
}

fn refused(login: &str, next: &str, why: &str, status: StatusCode) -> Response {
    Page::new("Sign in", form(login, next, Some(why)))
        .with_status(status)
        .into_response()
}

fn form(login: &str, next: &str, why: Option<&str>) -> Markup {
    html! {
        @if let Some(why) = why { p.caution role="alert" { (why) } }
        form.door method="post" action="/sign-in" {
            div.field {
                label for="login" { "Login" }
                input #login name="login" value=(login) autocomplete="username" autocapitalize="none" spellcheck="false" required autofocus[login.is_empty()];
            }
            div.field {
                label for="password" { "Password" }
                input #password name="password" type="password" autocomplete="current-password" required autofocus[!login.is_empty()];
            }
            input type="hidden" name="next" value=(local_path(next));
            button { "Sign in" }
        }
        p.quiet { "An administrator of your programme registers people. After fifteen minutes the session is renewed by itself; after two weeks without a visit it ends." }
    }
}
