//! Small pieces that pages are put together from.

use contract::crossing::CrossWarning;
use maud::{Markup, html};

use crate::desk::Ask;
use crate::trouble::Trouble;
use crate::words;

/// What stands where nothing is known.
pub const NOTHING: &str = "–";

/// A table with a caption; its first column names the row.
pub struct Table {
    caption: String,
    columns: Vec<(String, bool)>,
    rows: Vec<Vec<Markup>>,
    stacking: bool,
    empty: String,
}

impl Table {
    /// A table without columns yet.
    pub fn new(caption: impl Into<String>) -> Self {
        Self {
            caption: caption.into(),
            columns: Vec::new(),
            rows: Vec::new(),
            stacking: false,
            empty: "Nothing yet.".into(),
        }
    }

    /// Adds a column of words.
    #[must_use]
    pub fn text(mut self, name: impl Into<String>) -> Self {
        self.columns.push((name.into(), false));
        self
    }

    /// Adds a column of numbers.
    #[must_use]
    pub fn number(mut self, name: impl Into<String>) -> Self {
        self.columns.push((name.into(), true));
        self
    }

    /// On a narrow screen each row becomes a card with its columns named, so that nothing must be
    /// scrolled sideways.
    #[must_use]
    pub fn stacking(mut self) -> Self {
        self.stacking = true;
        self
    }

    /// What is said in place of a table without rows.
    #[must_use]
    pub fn or_say(mut self, empty: impl Into<String>) -> Self {
        self.empty = empty.into();
        self
    }

    /// Adds a row with a cell for each column.
    pub fn row(&mut self, cells: Vec<Markup>) {
        debug_assert_eq!(cells.len(), self.columns.len(), "{}", self.caption);
        self.rows.push(cells);
    }

    /// The table with rows made from things.
    #[must_use]
    pub fn rows<T>(
        mut self,
        things: impl IntoIterator<Item = T>,
        cells: impl Fn(T) -> Vec<Markup>,
    ) -> Self {
        for thing in things {
            self.row(cells(thing));
        }
        self
    }

    /// Whether it has no rows.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// As markup.
    pub fn show(&self) -> Markup {
        if self.rows.is_empty() {
            return html! { p.quiet { (self.empty) } };
        }
        html! {
            div.scroll tabindex="0" role="region" aria-label=(self.caption) {
                table class=[self.stacking.then_some("stack")] {
                    caption { (self.caption) }
                    thead {
                        tr {
                            @for (name, numeric) in &self.columns {
                                th class=[numeric.then_some("n")] scope="col" { (name) }
                            }
                        }
                    }
                    tbody {
                        @for row in &self.rows {
                            tr {
                                @for (index, (cell, (name, numeric))) in row.iter().zip(&self.columns).enumerate() {
                                    @if index == 0 {
                                        th class=[numeric.then_some("n")] scope="row" { (cell) }
                                    } @else {
                                        td class=[numeric.then_some("n")] data-label=(name) { (cell) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Text in a cell; a dash when it is empty.
pub fn text(value: impl AsRef<str>) -> Markup {
    let value = value.as_ref();
    html! {
        @if value.is_empty() {
            (NOTHING)
        } @else if is_number(value) {
            span.nowrap { (value) }
        } @else {
            (value)
        }
    }
}

/// Whether a text is a number issued by the programme, which must not break at its hyphens.
fn is_number(value: &str) -> bool {
    value.len() <= 16
        && value.contains('-')
        && value.contains(|c: char| c.is_ascii_digit())
        && !value.contains(char::is_whitespace)
}

/// A service's word in a cell.
pub fn word(value: &str) -> Markup {
    text(words::plain(value))
}

/// A count in a cell.
pub fn count(n: impl Into<u64>) -> Markup {
    html! { (words::count(n)) }
}

/// A count that may not be known.
pub fn maybe_count(n: Option<u32>) -> Markup {
    n.map_or_else(|| text(""), count)
}

/// A measure that may not be known.
pub fn maybe_measure(x: Option<f64>) -> Markup {
    text(x.map(words::measure).unwrap_or_default())
}

/// A share that may not be known, in percent.
pub fn maybe_percent(x: Option<f64>) -> Markup {
    text(x.map(words::percent).unwrap_or_default())
}

/// A day in a cell.
pub fn day(value: &str) -> Markup {
    html! {
        @if value.is_empty() { (NOTHING) } @else { time.nowrap datetime=(value) { (words::day(value)) } }
    }
}

/// An instant in a cell.
pub fn instant(value: &str) -> Markup {
    html! {
        @if value.is_empty() { (NOTHING) } @else { time datetime=(value) { (words::instant(value)) } }
    }
}

/// A day that may not be known.
pub fn maybe_day(value: Option<&String>) -> Markup {
    day(value.map(String::as_str).unwrap_or_default())
}

/// A link; plain text when there is nowhere to go.
pub fn link(path: &str, id: &str, name: &str) -> Markup {
    html! {
        @if id.is_empty() || name.is_empty() {
            (text(name))
        } @else {
            a.nowrap[is_number(name)] href={ (path) "/" (id) } { (name) }
        }
    }
}

/// Facts by name, without those that are not known.
pub fn facts(pairs: Vec<(&str, Markup)>) -> Markup {
    html! {
        dl.facts {
            @for (name, value) in pairs {
                @if !value.0.is_empty() && value.0 != NOTHING {
                    div { dt { (name) } dd { (value) } }
                }
            }
        }
    }
}

/// Warnings that stay on a record; of many, all but the first few are folded away.
pub fn warnings(warnings: &[CrossWarning]) -> Markup {
    const OPEN: usize = 3;
    let (open, folded) = warnings.split_at(warnings.len().min(OPEN));
    let list = |some: &[CrossWarning]| {
        html! {
            ul.warnings {
                @for warning in some {
                    li { strong { "Warning" } ": " (warning.message) }
                }
            }
        }
    };
    html! {
        @if !open.is_empty() { (list(open)) }
        @if !folded.is_empty() {
            details {
                summary { (words::some(folded.len() as u64, "more warning", "more warnings")) }
                (list(folded))
            }
        }
    }
}

/// Sentences to heed.
pub fn notes(notes: &[String]) -> Markup {
    html! {
        @if !notes.is_empty() {
            ul.notes { @for note in notes { li { (note) } } }
        }
    }
}

/// The caution that stands beside whatever speaks of rights.
pub fn caution(text: &str) -> Markup {
    html! {
        @if !text.is_empty() {
            p.caution role="note" { strong { "Caution" } ": " (text) }
        }
    }
}

/// The way to the next page of a list and back to its beginning.
pub fn pager(ask: &Ask, next_cursor: Option<&String>) -> Markup {
    let further = !ask.text("cursor").is_empty();
    html! {
        @if further || next_cursor.is_some() {
            nav.pager aria-label="Pages of this list" {
                @if further { a href=(ask.with("cursor", "")) { "From the beginning" } }
                @if let Some(cursor) = next_cursor {
                    a rel="next" href=(ask.with("cursor", cursor)) { "Next page" }
                }
            }
        }
    }
}

/// A part of a page that may be missing: what there is, or why it is not.
pub fn part<T>(asked: Result<T, Trouble>, show: impl FnOnce(T) -> Markup) -> Markup {
    match asked {
        Ok(value) => show(value),
        Err(trouble) => html! {
            p.quiet { "Not shown: " (trouble.detail()) }
        },
    }
}

/// A choice among words in a form; the first choice is that of no choice.
pub fn choice(
    name: &str,
    label: &str,
    any: Option<&str>,
    options: impl IntoIterator<Item = (String, String)>,
    chosen: &str,
) -> Markup {
    let id = format!("choose-{name}");
    html! {
        div.field {
            label for=(id) { (label) }
            select id=(id) name=(name) {
                @if let Some(any) = any {
                    option value="" selected[chosen.is_empty()] { (any) }
                }
                @for (value, text) in options {
                    option value=(value) selected[value == chosen] { (text) }
                }
            }
        }
    }
}

/// A field of a form.
pub fn field(name: &str, label: &str, kind: &str, value: &str) -> Markup {
    let id = format!("field-{name}");
    html! {
        div.field {
            label for=(id) { (label) }
            input id=(id) name=(name) type=(kind) value=(value);
        }
    }
}

/// A field of a form for a number with decimals.
pub fn decimal(name: &str, label: &str, value: &str) -> Markup {
    let id = format!("field-{name}");
    html! {
        div.field {
            label for=(id) { (label) }
            input id=(id) name=(name) type="number" step="any" value=(value);
        }
    }
}

/// Stages in their order, with the words for people, for a choice.
pub fn stages(all: &[&str]) -> Vec<(String, String)> {
    all.iter()
        .map(|stage| ((*stage).to_owned(), words::title(stage)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_names_its_rows_and_escapes_what_it_shows() {
        let shown = Table::new("Trees")
            .text("Name")
            .number("Count")
            .stacking()
            .rows([("<Plum>", 1200_u32)], |(name, n)| {
                vec![text(name), count(n)]
            })
            .show()
            .into_string();
        assert!(
            shown.contains(r#"<th scope="row">&lt;Plum&gt;</th>"#),
            "{shown}"
        );
        assert!(
            shown.contains(r#"<td class="n" data-label="Count">1,200</td>"#),
            "{shown}"
        );
    }

    #[test]
    fn a_table_without_rows_says_so() {
        let shown = Table::new("Trees")
            .text("Name")
            .or_say("No tree stands.")
            .show();
        assert_eq!(
            shown.into_string(),
            r#"<p class="quiet">No tree stands.</p>"#
        );
    }

    #[test]
    fn facts_that_are_not_known_are_left_out() {
        let shown = facts(vec![("Number", text("26-0001")), ("Row", text(""))]).into_string();
        assert!(shown.contains("26-0001") && !shown.contains("Row"));
    }
}
