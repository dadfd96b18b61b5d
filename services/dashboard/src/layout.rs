//! The frame around every page.

use axum::response::{IntoResponse, Response};
use http::StatusCode;
use maud::{DOCTYPE, Markup, html};
use platform::Permission;
use platform::server::Faces;

use crate::session::Visitor;

/// A page without its frame.
#[derive(Debug, Clone)]
pub struct Page {
    title: String,
    body: Markup,
    status: StatusCode,
}

impl Page {
    /// A page with a title, which is also its heading.
    pub fn new(title: impl Into<String>, body: Markup) -> Self {
        Self {
            title: title.into(),
            body,
            status: StatusCode::OK,
        }
    }

    /// The page with another status.
    #[must_use]
    pub fn with_status(mut self, status: StatusCode) -> Self {
        self.status = status;
        self
    }
}

impl IntoResponse for Page {
    /// Leaves the page for [`crate::session::enter`] to frame, which knows who reads it.
    fn into_response(self) -> Response {
        let mut response = self.status.into_response();
        response.extensions_mut().insert(self);
        response
    }
}

/// A place to start from.
pub struct Place {
    /// Where it is.
    pub path: &'static str,
    /// Its name in the menu.
    pub name: &'static str,
    /// What one finds there.
    pub what: &'static str,
    /// Who may see it.
    pub permission: Permission,
}

const fn place(
    path: &'static str,
    name: &'static str,
    what: &'static str,
    permission: Permission,
) -> Place {
    Place {
        path,
        name,
        what,
        permission,
    }
}

/// The places to start from, in the order of the menu.
pub const PLACES: [Place; 19] = [
    place(
        "/days",
        "The day’s list",
        "What today’s bloom asks for: flowers to gather, lots coming dry, mothers due a pass, in walking order; for the phone and for print.",
        Permission::ReadProgramme,
    ),
    place(
        "/seasons",
        "Seasons",
        "What each crossing season came to, its bloom and its pollen.",
        Permission::ReadProgramme,
    ),
    place(
        "/crosses",
        "Crosses",
        "Crosses with their passes, the fruit to expect, warnings and the out-cross doubt.",
        Permission::ReadProgramme,
    ),
    place(
        "/winter",
        "Winter",
        "Chill by day against earlier winters, and what was filled.",
        Permission::ReadProgramme,
    ),
    place(
        "/bloom-forecast",
        "Bloom forecast",
        "Balloon stage, full bloom and end of bloom by variety, with the passes to expect and how such forecasts have done.",
        Permission::ReadProgramme,
    ),
    place(
        "/adviser",
        "Cross adviser",
        "Possible pairs for an objective with their reasons side by side, and a season’s crosses at once.",
        Permission::ReadProgramme,
    ),
    place(
        "/pollinizer-trials",
        "Pollinizers",
        "Several pollens on one variety: set with exact intervals, and whether it can be told yet.",
        Permission::ReadProgramme,
    ),
    place(
        "/germplasm",
        "Germplasm",
        "Varieties, selections and seedlings with their pedigree and inbreeding.",
        Permission::ReadProgramme,
    ),
    place(
        "/trials",
        "Trials",
        "Maps of trials with values, and entry means with their intervals.",
        Permission::ReadProgramme,
    ),
    place(
        "/pipeline",
        "Pipeline",
        "Counts at each stage by crossing year, seasons to release, dates due, licences by territory.",
        Permission::ReadPipeline,
    ),
    place(
        "/candidates",
        "Candidates",
        "Each candidate’s whole life: descent, stages, clocks, routes to protection, licences.",
        Permission::ReadPipeline,
    ),
    place(
        "/due-dates",
        "Dates due",
        "Every date of every candidate in order of the safe day, with the law behind it.",
        Permission::ReadPipeline,
    ),
    place(
        "/forecast",
        "Forecast",
        "Releases to expect by year, with intervals, and how earlier forecasts fared.",
        Permission::ReadPipeline,
    ),
    place(
        "/licences",
        "Licences",
        "Who may do what with which candidate in which territory, until when.",
        Permission::ReadPipeline,
    ),
    place(
        "/laws",
        "Laws",
        "The rules behind every date: law, period, what starts it, how well it is known.",
        Permission::ReadPipeline,
    ),
    place(
        "/partner",
        "Release status",
        "What you may propagate, where, how many and until when, with the text for the tag, what is coming, your reports, and your devices’ keys.",
        Permission::AskReleaseStatus,
    ),
    place(
        "/keys",
        "Keys",
        "Keys of partners’ devices and of the programme’s machines: what each may do, how much, when it was last used.",
        Permission::AdministerPeople,
    ),
    place(
        "/webhooks",
        "Webhooks",
        "Who is told of which events, and how the last deliveries went.",
        Permission::KeepWebhooks,
    ),
    place(
        "/docs",
        "API",
        "Every operation over REST and gRPC.",
        Permission::Anyone,
    ),
];

/// The places to start from that a visitor may see.
pub fn places(visitor: &Visitor, faces: Faces) -> impl Iterator<Item = &'static Place> {
    PLACES
        .iter()
        .filter(move |place| faces.docs || place.path != "/docs")
        .filter(|place| visitor.caller.may(place.permission).is_ok())
}

fn is_here(place: &Place, path: &str) -> bool {
    let root = place.path.trim_end_matches('s');
    path == place.path
        || path
            .strip_prefix(place.path)
            .is_some_and(|rest| rest.starts_with('/'))
        || path
            .strip_prefix(root)
            .is_some_and(|rest| rest.starts_with('/'))
}

/// A whole document.
pub fn frame(page: &Page, visitor: Option<&Visitor>, path: &str, faces: Faces) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (page.title) " – Drupeline" }
                link rel="stylesheet" href=(crate::pages::STYLE_PATH);
                link rel="icon" href="/icon.svg" type="image/svg+xml";
            }
            body {
                a.skip href="#main" { "To the content" }
                header.site {
                    a.home href="/" { "Drupeline" }
                    @if let Some(visitor) = visitor {
                        @if visitor.caller.may(Permission::ReadProgramme).is_ok() {
                            form.find method="get" action="/find" role="search" {
                                label.hidden for="find" { "Find a number" }
                                input #find name="number" type="search" placeholder="Number on a label" autocomplete="off";
                                button { "Find" }
                            }
                        }
                        form.who method="post" action="/sign-out" {
                            a href="/account" { (visitor.caller.name) }
                            button { "Sign out" }
                        }
                    } @else {
                        nav.who aria-label="Signing in" {
                            @if faces.docs { a href="/docs" { "API" } }
                            @if path != "/sign-in" { a href="/sign-in" { "Sign in" } }
                        }
                    }
                }
                @if let Some(visitor) = visitor {
                    nav.menu aria-label="Menu" {
                        ul {
                            @for place in places(visitor, faces) {
                                li {
                                    a href=(place.path) aria-current=[is_here(place, path).then_some("page")] { (place.name) }
                                }
                            }
                        }
                    }
                }
                main #main tabindex="-1" {
                    h1 { (page.title) }
                    (page.body)
                }
                footer.site {
                    p { "Dates of rights are an aid, not legal advice; the office’s own records and a licensed practitioner prevail. Chemicals, embryo rescue and grafting follow labels, local codes and licensed practice." }
                }
            }
        }
    }
}
