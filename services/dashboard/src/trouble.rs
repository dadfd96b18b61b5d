//! What is shown when a page cannot be made.

use axum::response::{IntoResponse, Response};
use http::StatusCode;
use maud::html;
use platform::fault::{Fault, PROBLEM_METADATA, Problem};

use crate::layout::Page;

/// Why a page cannot be made.
#[derive(Debug)]
pub enum Trouble {
    /// Nobody is signed in; the reader is shown the way to the sign-in page and back.
    SignIn,
    /// A service, or the page itself, answers with a problem.
    Problem(Box<Problem>),
}

/// Marks a reply that asks the reader to sign in first.
#[derive(Debug, Clone, Copy)]
pub struct SignInFirst;

impl Trouble {
    /// What was asked for is not there.
    pub fn not_found(what: &str, which: &str) -> Self {
        Fault::not_found(what, which).into()
    }

    /// The sentence for people.
    pub fn detail(&self) -> &str {
        match self {
            Self::SignIn => "Sign in first.",
            Self::Problem(problem) => &problem.detail,
        }
    }

    /// HTTP status.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::SignIn => StatusCode::UNAUTHORIZED,
            Self::Problem(problem) => {
                StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
            }
        }
    }
}

impl From<Fault> for Trouble {
    fn from(fault: Fault) -> Self {
        Self::Problem(Box::new(fault.problem()))
    }
}

impl From<tonic::Status> for Trouble {
    fn from(status: tonic::Status) -> Self {
        let told = status
            .metadata()
            .get_bin(PROBLEM_METADATA)
            .and_then(|value| value.to_bytes().ok())
            .and_then(|bytes| serde_json::from_slice::<Problem>(&bytes).ok());
        if status.code() == tonic::Code::Unauthenticated {
            return Self::SignIn;
        }
        if let Some(problem) = told {
            return Self::Problem(Box::new(problem));
        }
        tracing::warn!(grpc.code = ?status.code(), grpc.message = status.message(), "a service did not answer as agreed");
        Fault::from(status).into()
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        match self {
            Self::SignIn => {
                let mut response = StatusCode::UNAUTHORIZED.into_response();
                response.extensions_mut().insert(SignInFirst);
                response
            }
            Self::Problem(problem) => page(*problem).into_response(),
        }
    }
}

fn page(problem: Problem) -> Page {
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    Page::new(
        problem.title.clone(),
        html! {
            p.lead { (problem.detail) }
            @if !problem.errors.is_empty() {
                ul {
                    @for error in &problem.errors {
                        li { code { (error.pointer.trim_start_matches('/')) } " " (error.message) }
                    }
                }
            }
            p {
                a href="/" { "To the start page" } ", or "
                a href=(problem.r#type) { "what this kind of problem means" } "."
            }
        },
    )
    .with_status(status)
}
