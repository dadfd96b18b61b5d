//! Counts on the way from flower to seedling, as a picture with its table; every page that shows
//! such a way shows it like this.

use maud::Markup;

use crate::html::{Table, count, text};
use crate::picture::{Bar, Bars, Fill};
use crate::words;

/// Counts that follow one from another.
pub struct Steps<'a> {
    /// Names the picture within its page.
    pub key: &'a str,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Whether the axis is in powers of ten.
    pub powers_of_ten: bool,
    /// The steps in their order.
    pub steps: &'a [(&'a str, u32)],
}

impl Steps<'_> {
    /// Whether nothing was counted yet.
    pub fn are_empty(&self) -> bool {
        self.steps.iter().all(|(_, n)| *n == 0)
    }

    /// The picture with its table.
    pub fn show(self) -> Markup {
        let table = Table::new("From flower to seedling")
            .text("Step")
            .number("Number")
            .rows(self.steps, |(label, n)| vec![text(label), count(*n)]);
        let picture = Bars {
            key: self.key.to_owned(),
            title: self.title,
            description: self.description,
            axis: "number".into(),
            powers_of_ten: self.powers_of_ten,
            bars: self
                .steps
                .iter()
                .map(|(label, n)| Bar {
                    label: (*label).to_owned(),
                    value: f64::from(*n),
                    text: words::count(*n),
                    fill: Fill::Rising,
                })
                .collect(),
        };
        picture.draw().figure(table.show())
    }
}
