//! Coming in and going out.

use axum::Form;
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use axum::{Extension, extract::rejection::FormRejection};
use contract::identity::{ContinueSignInRequest, RecoverPasswordRequest, Session};
use http::{HeaderMap, StatusCode};
use maud::{Markup, html};
use serde::Deserialize;

use crate::Dashboard;
use crate::desk::Ask;
use crate::layout::Page;
use crate::session::{Entry, Visitor, go_on, local_path};
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
    headers: HeaderMap,
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
    match dashboard
        .0
        .sessions
        .sign_in(login.trim(), &password, &headers)
        .await
    {
        Ok(entry) => entered(entry, &next, None),
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
    go_on("/sign-in", [cookie])
}

/// Goes on to where somebody wanted to be, or asks for what is missing still.
fn entered(entry: Entry, next: &str, why: Option<&str>) -> Response {
    match entry {
        Entry::In(cookies) => go_on(local_path(next), cookies),
        Entry::Step(session) => Page::new("Sign in", step_form(&session, next, why))
            .with_status(why.map_or(StatusCode::OK, |_| StatusCode::UNPROCESSABLE_ENTITY))
            .into_response(),
    }
}

/// What the forms for the missing step hold.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    step: String,
    step_token: String,
    #[serde(default)]
    code: String,
    #[serde(default)]
    new_password: String,
    #[serde(default)]
    again: String,
    #[serde(default)]
    next: String,
}

impl Step {
    /// The step once more, as when it did not hold.
    fn asked_again(&self, why: &str) -> Response {
        let session = Session {
            step: self.step.clone(),
            step_token: self.step_token.clone(),
            ..Session::default()
        };
        entered(Entry::Step(Box::new(session)), &self.next, Some(why))
    }

    /// A code of the app is six digits; anything else is taken for a recovery code.
    fn request(&self) -> ContinueSignInRequest {
        let digits: String = self.code.chars().filter(|c| !c.is_whitespace()).collect();
        let of_app = digits.len() == 6 && digits.bytes().all(|b| b.is_ascii_digit());
        let (app_code, recovery_code) = if of_app {
            (digits, String::new())
        } else {
            (String::new(), self.code.trim().to_owned())
        };
        ContinueSignInRequest {
            step_token: self.step_token.clone(),
            app_code,
            recovery_code,
            new_password: self.new_password.clone(),
            ..ContinueSignInRequest::default()
        }
    }
}

/// Takes the missing step.
pub async fn step(
    State(dashboard): State<Dashboard>,
    headers: HeaderMap,
    form: Result<Form<Step>, FormRejection>,
) -> Response {
    let Ok(Form(step)) = form else {
        return Redirect::to("/sign-in").into_response();
    };
    if step.step == "new_password" && step.new_password != step.again {
        return step.asked_again("The two do not agree.");
    }
    match dashboard.0.sessions.step(step.request(), &headers).await {
        Ok(entry) => entered(entry, &step.next, None),
        Err(Trouble::SignIn) => {
            step.asked_again("This does not hold now. Try once more, or begin again.")
        }
        Err(trouble) => step.asked_again(trouble.detail()),
    }
}

fn step_form(session: &Session, next: &str, why: Option<&str>) -> Markup {
    html! {
        @if let Some(why) = why { p.caution role="alert" { (why) } }
        form.door method="post" action="/sign-in/step" {
            input type="hidden" name="step" value=(session.step);
            input type="hidden" name="step_token" value=(session.step_token);
            input type="hidden" name="next" value=(local_path(next));
            @if session.step == "new_password" {
                p { "Somebody else gave you this password. Choose one that only you know: at least twelve characters, such as four words that do not belong together." }
                (new_password())
                button { "Keep this password and sign in" }
            } @else {
                p { "Give the code that your app shows now, or one of your recovery codes." }
                div.field {
                    label for="code" { "Code" }
                    input #code name="code" autocomplete="one-time-code" autocapitalize="none" spellcheck="false" required autofocus;
                }
                button { "Sign in" }
            }
        }
        p { a href="/sign-in" { "Begin again" } }
    }
}

fn new_password() -> Markup {
    html! {
        div.field {
            label for="new_password" { "New password" }
            input #new_password name="new_password" type="password" autocomplete="new-password" required autofocus;
        }
        div.field {
            label for="again" { "Once more" }
            input #again name="again" type="password" autocomplete="new-password" required;
        }
    }
}

/// The page under a link to set a new password.
pub async fn recovery(ask: Ask) -> Response {
    Page::new("A new password", recovery_form(&ask.text("link"), None)).into_response()
}

/// What the form for a new password holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recovery {
    link: String,
    new_password: String,
    again: String,
}

/// Sets a new password with a link.
pub async fn recover(
    State(dashboard): State<Dashboard>,
    form: Result<Form<Recovery>, FormRejection>,
) -> Response {
    let Ok(Form(form)) = form else {
        return Redirect::to("/sign-in").into_response();
    };
    let again = |why: &str, status| {
        Page::new("A new password", recovery_form(&form.link, Some(why)))
            .with_status(status)
            .into_response()
    };
    if form.new_password != form.again {
        return again("The two do not agree.", StatusCode::UNPROCESSABLE_ENTITY);
    }
    let request = RecoverPasswordRequest {
        link_token: form.link.clone(),
        new_password: form.new_password.clone(),
    };
    match dashboard.0.sessions.recover(request).await {
        Ok(login) => Page::new(
            "A new password",
            html! {
                p { "Your new password stands, " strong { (login) } ". Your other sessions have ended." }
                p { a href="/sign-in" { "Sign in" } }
            },
        )
        .into_response(),
        Err(Trouble::SignIn) => again(
            "This link is not known, was used or has ended. Have your administrator make another.",
            StatusCode::UNAUTHORIZED,
        ),
        Err(trouble) => again(trouble.detail(), trouble.status()),
    }
}

fn recovery_form(link: &str, why: Option<&str>) -> Markup {
    html! {
        @if let Some(why) = why { p.caution role="alert" { (why) } }
        form.door method="post" action="/recover" {
            p { "Choose a password that only you know: at least twelve characters, such as four words that do not belong together." }
            input type="hidden" name="link" value=(link);
            (new_password())
            button { "Keep this password" }
        }
    }
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
