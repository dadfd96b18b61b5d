//! What a text may hold. Every text of a request passes here before any use case sees it, whichever
//! skin it came by, and so does every cell of a file.
//!
//! Texts are kept in the composed form of Unicode (NFC, UAX #15), so that the same name is the same
//! bytes whatever made it. No text holds U+0000, which PostgreSQL cannot store, nor another control
//! character; names hold no line break and nothing that turns the direction of what stands around
//! them (UAX #9), by which one name can pass for another.

use contract::common;
use contract::shape::{Asked, Step, Text, VisitTexts};
use unicode_normalization::UnicodeNormalization as _;
use unicode_normalization::{IsNormalized, is_nfc_quick};

use crate::fault::{Fault, FieldError};

/// Most faults that are told of one request.
pub(crate) const MOST_FAULTS: usize = 50;

/// Brings a text into the form in which it is kept.
///
/// # Errors
/// What it holds that it may not, with the remedy; the text is left as it is.
pub fn settle(kind: Text, text: &mut String) -> Result<(), String> {
    if text.bytes().all(|byte| (0x20..0x7f).contains(&byte)) {
        return Ok(());
    }
    if let Some(refused) = text.chars().find_map(|char| refusal(kind, char)) {
        return Err(refused);
    }
    if is_nfc_quick(text.chars()) != IsNormalized::Yes {
        *text = text.nfc().collect();
    }
    Ok(())
}

/// Why a character may not stand in a text; none when it may.
fn refusal(kind: Text, char: char) -> Option<String> {
    let code = u32::from(char);
    let why = match char {
        '\t' | '\n' | '\r' if kind == Text::Prose => return None,
        '\n' | '\r' | '\u{85}' | '\u{2028}' | '\u{2029}' if kind == Text::Name => {
            "a line break; write it on one line"
        }
        _ if char.is_control() => "a control character; take it out",
        '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' if kind == Text::Name => {
            "which turns the direction of the letters around it; take it out"
        }
        _ => return None,
    };
    Some(format!("holds U+{code:04X}, {why}"))
}

/// Settles every text of a request. A row of a batch in which a text is refused is marked as one
/// that could not be read, and spoils no other.
///
/// # Errors
/// Invalid, with a pointer to every text that is refused.
pub fn settle_all(by_row: bool, request: &mut impl Asked) -> Result<(), Fault> {
    let mut texts = Texts {
        by_row,
        ..Texts::default()
    };
    request.texts(&mut texts);
    if texts.faults.is_empty() {
        Ok(())
    } else {
        texts.faults.truncate(MOST_FAULTS);
        Err(Fault::invalid(texts.faults))
    }
}

#[derive(Default)]
struct Texts {
    by_row: bool,
    steps: Vec<Step>,
    faults: Vec<FieldError>,
    /// How many steps led to the row, and how many faults there were before it.
    row: (usize, usize),
}

impl Texts {
    fn fault(&mut self, field: &str, message: String) {
        let mut pointer = String::new();
        for step in &self.steps[self.row.0..] {
            pointer.push('/');
            match step {
                Step::Field(name) => pointer.push_str(name),
                Step::Item(n) => pointer.push_str(&n.to_string()),
                Step::Key(key) => pointer.push_str(&escaped(key)),
            }
        }
        if !field.is_empty() {
            pointer.push('/');
            pointer.push_str(field);
        }
        self.faults.push(FieldError::new(pointer, message));
    }
}

impl VisitTexts for Texts {
    fn enter(&mut self, step: Step) {
        self.steps.push(step);
    }

    fn leave(&mut self) {
        self.steps.pop();
    }

    fn text(&mut self, field: &'static str, kind: Text, text: &mut String) {
        if let Err(message) = settle(kind, text) {
            self.fault(field, message);
        }
    }

    fn twice(&mut self, name: &str) {
        self.fault("", format!("{name:?} is there twice; keep one"));
    }

    fn row_begins(&mut self) {
        if self.by_row {
            self.row = (self.steps.len(), self.faults.len());
        }
    }

    fn row_ends(&mut self) -> Vec<common::FieldError> {
        if !self.by_row {
            return Vec::new();
        }
        let (_, before) = std::mem::take(&mut self.row);
        self.faults.drain(before..).map(Into::into).collect()
    }
}

/// A name as one step of a JSON pointer (RFC 6901); a very long one is cut.
pub(crate) fn escaped(name: &str) -> String {
    let name: String = name.chars().take(100).collect();
    name.replace('~', "~0").replace('/', "~1")
}

#[cfg(test)]
mod tests {
    use contract::crossing::RegisterGermplasmRequest;
    use contract::evaluation::{RecordBatchRow, TakeRecordsRequest};
    use proptest::prelude::*;

    use super::*;

    fn faults(by_row: bool, request: &mut impl Asked) -> Vec<(String, String)> {
        settle_all(by_row, request)
            .err()
            .map(Fault::into_field_errors)
            .unwrap_or_default()
            .into_iter()
            .map(|error| (error.pointer, error.message))
            .collect()
    }

    #[test]
    fn texts_are_composed_and_names_on_one_line() {
        let mut request = RegisterGermplasmRequest {
            name: "Ame\u{301}lie".to_owned(),
            notes: "first\nsecond\t".to_owned(),
            ..Default::default()
        };
        settle_all(false, &mut request).unwrap();
        assert_eq!(request.name, "Am\u{e9}lie");
        request.name = "Amelie\nII".to_owned();
        request.notes = "a\0b".to_owned();
        request.traits = [("bri\u{202e}x".to_owned(), "14\u{7}".to_owned())].into();
        let told = faults(false, &mut request);
        let pointers: Vec<&str> = told.iter().map(|(pointer, _)| pointer.as_str()).collect();
        assert!(pointers.contains(&"/name"), "{told:?}");
        assert!(pointers.contains(&"/notes"), "{told:?}");
        assert_eq!(told.len(), 4, "{told:?}");
        assert!(told.iter().any(|(_, message)| message.contains("U+0000")));
    }

    #[test]
    fn two_spellings_of_one_name_in_a_map_are_told() {
        let mut request = RegisterGermplasmRequest {
            traits: [
                ("s\u{fc}\u{df}e".to_owned(), "1".to_owned()),
                ("su\u{308}\u{df}e".to_owned(), "2".to_owned()),
            ]
            .into(),
            ..Default::default()
        };
        assert!(faults(false, &mut request)[0].1.contains("twice"));
    }

    #[test]
    fn a_row_with_a_refused_text_spoils_no_other() {
        let row = |by: &str| RecordBatchRow {
            by: by.to_owned(),
            ..RecordBatchRow::default()
        };
        let mut batch = TakeRecordsRequest {
            rows: vec![row("Wren"), row("W\0"), row("Finch")],
            ..TakeRecordsRequest::default()
        };
        assert_eq!(faults(true, &mut batch), []);
        let marked: Vec<usize> = batch.rows.iter().map(|row| row.malformed.len()).collect();
        assert_eq!(marked, [0, 1, 0]);
        assert_eq!(batch.rows[1].malformed[0].pointer, "/by");
        assert_eq!(faults(false, &mut batch)[0].0, "/rows/1/by");
    }

    proptest! {
        #[test]
        fn a_settled_text_is_settled(text in any::<String>()) {
            for kind in [Text::Name, Text::Prose] {
                let mut once = text.clone();
                if settle(kind, &mut once).is_ok() {
                    prop_assert!(!once.contains('\0'));
                    let mut twice = once.clone();
                    prop_assert_eq!(settle(kind, &mut twice), Ok(()));
                    prop_assert_eq!(once, twice);
                }
            }
        }
    }
}
