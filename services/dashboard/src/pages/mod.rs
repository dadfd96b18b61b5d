//! The pages, one module to a subject.

mod account;
mod adviser;
mod analyses;
mod candidates;
mod corrections;
mod crosses;
mod days;
mod docs;
mod door;
mod doubts;
mod figures;
mod find;
mod forecast;
mod germplasm;
mod greenhouse;
mod keys;
mod labels;
mod licence;
mod objective;
mod partner;
mod pipeline;
mod pollinizers;
mod problems;
mod record_file;
mod rights;
mod seasons;
mod seed;
mod seedlings;
mod selection;
mod start;
mod steps;
mod trials;
mod upbringing;
mod webhooks;
mod what_if;
mod winter;

use axum::Router;
use axum::extract::Request;
use axum::response::{IntoResponse, Response};
use axum::routing::{any, get, post};
use http::{HeaderMap, header};
use platform::server::Faces;

use crate::Dashboard;
use crate::layout::Page;
use crate::trouble::Trouble;

/// What a page's handler gives back.
pub type Shown = Result<Page, Trouble>;

/// Where the style sheet is; a new version of the program has another path.
pub const STYLE_PATH: &str = concat!("/style.css?v=", env!("CARGO_PKG_VERSION"));

const STYLE: &str = include_str!("style.css");
const ICON: &str = include_str!("icon.svg");

/// Every page.
pub fn routes(faces: Faces) -> Router<Dashboard> {
    let router = if faces.docs {
        Router::new().route("/docs", get(docs::show))
    } else {
        Router::new()
    };
    router
        .route("/", get(start::show))
        .route("/sign-in", get(door::show).post(door::sign_in))
        .route("/sign-in/step", post(door::step))
        .route("/recover", get(door::recovery).post(door::recover))
        .route("/sign-out", post(door::sign_out))
        .route("/account", get(account::show))
        .route("/account/sessions/{id}/end", post(account::end_session))
        .route("/account/codes", post(account::begin_codes))
        .route("/account/codes/confirm", post(account::confirm_codes))
        .route("/account/codes/end", post(account::end_codes))
        .route("/account/password", post(account::change_password))
        .route("/find", get(find::find))
        .route("/days", get(days::today))
        .route("/days/{date}", get(days::show))
        .route("/days/{date}/sheet.pdf", get(days::sheet))
        .route("/seasons", get(seasons::list))
        .route("/season/{year}", get(seasons::show))
        .route("/season/{year}/seed", get(seed::of_season))
        .route("/crosses", get(crosses::list))
        .route("/crosses/{id}", get(crosses::show))
        .route("/crosses/{id}/seed", get(seed::of_cross))
        .route("/crosses/{id}/seedlings", get(seedlings::field))
        .route("/seedlings", get(seedlings::ground))
        .route("/seedlings/{id}", get(seedlings::show))
        .route("/germplasm", get(germplasm::list))
        .route("/germplasm/{id}", get(germplasm::show))
        .route("/winter", get(winter::chill))
        .route("/bloom-forecast", get(winter::bloom))
        .route("/adviser", get(adviser::show))
        .route("/season-plan", get(adviser::plan))
        .route("/pollinizer-trials", get(pollinizers::list))
        .route("/pollinizer-trials/{id}", get(pollinizers::show))
        .route("/pollen-lots/{id}", get(greenhouse::pollen_lot))
        .route("/mothers/{id}", get(greenhouse::mother))
        .route("/trials", get(trials::list))
        .route("/trials/{id}", get(trials::show))
        .route("/trials/{id}/selection", get(selection::board))
        .route("/trials/{id}/stability", get(selection::stability))
        .route("/trials/{id}/assessors", get(selection::assessors))
        .route("/trials/{id}/doubts", get(doubts::list))
        .route("/records/{id}/judgement", post(doubts::decide))
        .route(
            "/record-file",
            get(record_file::show).post(record_file::take),
        )
        .route("/what-if", get(what_if::show))
        .route("/trials/{id}/decisions", post(selection::decide))
        .route("/trials/{id}/analyses", post(analyses::ask))
        .route("/analyses/{id}", get(analyses::show))
        .route("/analyses/{id}/repeat", post(analyses::repeat))
        .route("/trials/{id}/figures", post(figures::choose))
        .route("/pipeline", get(pipeline::show))
        .route("/due-dates", get(pipeline::due_dates))
        .route("/calendar-links", post(pipeline::make_link))
        .route("/calendar-links/{id}/revoke", post(pipeline::revoke_link))
        .route("/forecast", get(forecast::show))
        .route("/candidates", get(candidates::list))
        .route("/candidates/{id}", get(candidates::show))
        .route("/candidates/{id}/what-if", get(rights::what_if))
        .route("/laws", get(rights::laws))
        .route("/licences", get(rights::licences))
        .route("/licences/{id}", get(licence::show))
        .route("/partner", get(partner::show))
        .route("/labels/{token}", get(labels::show))
        .route("/partner/reports", post(partner::report))
        .route("/keys", get(keys::list).post(keys::make))
        .route("/keys/{id}/revoke", post(keys::revoke))
        .route("/webhooks", get(webhooks::list))
        .route("/webhooks/{id}", get(webhooks::show))
        .route("/webhooks/{id}/switch", post(webhooks::switch))
        .route("/webhooks/{id}/test", post(webhooks::test))
        .route(
            "/webhooks/{id}/deliveries/{delivery}/again",
            post(webhooks::again),
        )
        .route("/problems", get(problems::list))
        .route("/problems/{slug}", get(problems::show))
        .route("/{*elsewhere}", any(elsewhere))
}

/// Paths where there is nothing: a page for a browser, what the platform answers for a program.
async fn elsewhere(request: Request) -> Response {
    if asks_for_a_page(request.headers()) {
        let path = request.uri().path().to_owned();
        return Trouble::not_found("page", &path).into_response();
    }
    platform::server::unknown(request).await
}

/// Whether a browser asks, which names HTML among what it takes.
pub fn asks_for_a_page(headers: &HeaderMap) -> bool {
    headers
        .get_all(header::ACCEPT)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .any(|kind| {
            let kind = kind.split(';').next().unwrap_or_default().trim();
            kind.eq_ignore_ascii_case("text/html")
        })
}

/// Files that are the same for everyone.
pub fn files() -> Router<Dashboard> {
    Router::new()
        .route(
            "/style.css",
            get(async || file("text/css; charset=utf-8", STYLE)),
        )
        .route("/icon.svg", get(async || file("image/svg+xml", ICON)))
}

fn file(content_type: &'static str, content: &'static str) -> Response {
    let headers = [
        (header::CONTENT_TYPE, content_type),
        (header::CACHE_CONTROL, "public, max-age=86400"),
    ];
    (headers, content).into_response()
}
