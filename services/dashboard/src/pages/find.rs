//! From a number on a label to its page.

use axum::response::{IntoResponse, Redirect, Response};
use contract::crossing::FindNumberRequest;

use crate::desk::Desk;
use crate::trouble::Trouble;

/// Goes on to the page of what carries a number.
pub async fn find(desk: Desk) -> Result<Response, Trouble> {
    let number = desk.ask.text("number");
    if number.is_empty() {
        return Ok(Redirect::to("/").into_response());
    }
    let request = FindNumberRequest {
        number: number.clone(),
    };
    let thing = desk.crossing()?.find_number(request).await?.into_inner();
    let path = match thing.kind.as_str() {
        "germplasm" => format!("/germplasm/{}", thing.id),
        "cross" => format!("/crosses/{}", thing.id),
        "seedling" => format!("/seedlings/{}", thing.id),
        "pollen_lot" => format!("/pollen-lots/{}", thing.id),
        "seed_lot" => format!("/crosses/{}/seed", thing.cross_id),
        "mother" => format!("/mothers/{}", thing.id),
        _ => return Err(Trouble::not_found("page for the number", &number)),
    };
    Ok(Redirect::to(&path).into_response())
}
