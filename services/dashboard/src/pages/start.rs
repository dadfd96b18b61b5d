//! Where everybody begins.

use maud::html;

use super::Shown;
use crate::desk::Desk;
use crate::layout::Page;

/// The places this person may see.
pub async fn show(desk: Desk) -> Shown {
    Ok(Page::new(
        format!("Good day, {}", desk.name()),
        html! {
            ul.places {
                @for place in desk.places() {
                    li {
                        a href=(place.path) { (place.name) }
                        p { (place.what) }
                    }
                }
            }
        },
    ))
}
