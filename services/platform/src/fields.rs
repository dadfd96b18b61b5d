//! Parsing of request fields into domain types, collecting every fault before giving up.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::fault::{Fault, FieldError};
use crate::ids::Id;

/// Collects faults while fields are parsed.
///
/// Every reader gives back a value even when the field is at fault (an `Option` or a stand-in), so
/// that all faults of a request are told at once; [`Fields::finish`] must be asked before use.
#[derive(Debug, Default)]
pub struct Fields {
    prefix: String,
    errors: Vec<FieldError>,
}

impl Fields {
    /// Fields at the root of the request.
    pub fn new() -> Self {
        Self::default()
    }

    /// Fields of a part of the request, as `/rows/3`.
    pub fn at(prefix: impl Into<String>) -> Self {
        Self {
            prefix: prefix.into(),
            errors: Vec::new(),
        }
    }

    /// Notes a fault in `field`.
    pub fn fault(&mut self, field: &str, message: impl Into<String>) {
        self.errors
            .push(FieldError::new(format!("{}/{field}", self.prefix), message));
    }

    /// Takes over faults found elsewhere.
    pub fn absorb(&mut self, errors: impl IntoIterator<Item = FieldError>) {
        self.errors.extend(errors);
    }

    /// Notes a fault unless `holds`.
    pub fn require(&mut self, holds: bool, field: &str, message: impl Into<String>) {
        if !holds {
            self.fault(field, message);
        }
    }

    /// A text that must not be empty and not be longer than `max_chars`.
    pub fn text<'a>(&mut self, field: &str, value: &'a str, max_chars: usize) -> &'a str {
        let value = value.trim();
        if value.is_empty() {
            self.fault(field, "is required");
        } else if value.chars().count() > max_chars {
            self.fault(
                field,
                format!("is longer than {max_chars} characters; shorten it"),
            );
        }
        value
    }

    /// An id that must be there.
    pub fn id<T>(&mut self, field: &str, value: &str) -> Option<Id<T>> {
        if value.is_empty() {
            self.fault(field, "is required");
            return None;
        }
        self.optional_id(field, value)
    }

    /// An id, or none when the text is empty.
    pub fn optional_id<T>(&mut self, field: &str, value: &str) -> Option<Id<T>> {
        if value.is_empty() {
            return None;
        }
        match value.parse() {
            Ok(id) => Some(id),
            Err(_) => {
                self.fault(
                    field,
                    format!("{value:?} is not an id; ids are UUIDs as 0190f3a2-…"),
                );
                None
            }
        }
    }

    /// The id made by the client, or a new one of version 7 (time-ordered).
    pub fn client_id<T>(&mut self, value: &str) -> Id<T> {
        self.optional_id("id", value).unwrap_or_else(Id::new)
    }

    /// A date that must be there, as 2026-02-14, between 1900 and 2200.
    pub fn date(&mut self, field: &str, value: &str) -> Option<Date> {
        if value.is_empty() {
            self.fault(field, "is required, as 2026-02-14");
            return None;
        }
        self.optional_date(field, value)
    }

    /// A date, or none when the text is empty.
    pub fn optional_date(&mut self, field: &str, value: &str) -> Option<Date> {
        if value.is_empty() {
            return None;
        }
        match value.parse::<Date>() {
            Ok(date) if (1900..=2200).contains(&date.year()) => Some(date),
            Ok(_) => {
                self.fault(
                    field,
                    format!("{value} is outside 1900 to 2200; check the year"),
                );
                None
            }
            Err(_) => {
                self.fault(
                    field,
                    format!("{value:?} is not a date; write it as 2026-02-14"),
                );
                None
            }
        }
    }

    /// An instant, or none when the text is empty; needs a zone, as 2026-02-14T08:30:00Z.
    pub fn optional_instant(&mut self, field: &str, value: &str) -> Option<Timestamp> {
        if value.is_empty() {
            return None;
        }
        match value.parse::<Timestamp>() {
            Ok(at) => Some(at),
            Err(_) => {
                self.fault(
                    field,
                    format!("{value:?} is not an instant; write it with its zone, as 2026-02-14T08:30:00Z"),
                );
                None
            }
        }
    }

    /// A word of a fixed set, parsed by the domain type.
    pub fn word<T: Words>(&mut self, field: &str, value: &str) -> Option<T> {
        if value.is_empty() {
            self.fault(field, format!("is required; one of {}", T::listed()));
            return None;
        }
        self.optional_word(field, value)
    }

    /// A word of a fixed set, or none when the text is empty.
    pub fn optional_word<T: Words>(&mut self, field: &str, value: &str) -> Option<T> {
        if value.is_empty() {
            return None;
        }
        let found = T::from_word(value);
        if found.is_none() {
            self.fault(
                field,
                format!("{value:?} is not known; one of {}", T::listed()),
            );
        }
        found
    }

    /// A number that must be finite and within bounds.
    pub fn number(&mut self, field: &str, value: f64, min: f64, max: f64) -> f64 {
        if !value.is_finite() || value < min || value > max {
            self.fault(field, format!("{value} is outside {min} to {max}"));
        }
        value
    }

    /// A count within bounds.
    pub fn count(&mut self, field: &str, value: u32, min: u32, max: u32) -> i32 {
        if value < min || value > max {
            self.fault(field, format!("{value} is outside {min} to {max}"));
        }
        i32::try_from(value).unwrap_or(i32::MAX)
    }

    /// True when a fault was noted.
    pub fn any(&self) -> bool {
        !self.errors.is_empty()
    }

    /// The faults noted.
    pub fn into_errors(self) -> Vec<FieldError> {
        self.errors
    }

    /// Ends with a fault when any was noted.
    ///
    /// # Errors
    /// [`crate::fault::FaultKind::Invalid`] with every fault noted.
    pub fn finish(self) -> Result<(), Fault> {
        if self.errors.is_empty() {
            Ok(())
        } else {
            Err(Fault::invalid(self.errors))
        }
    }
}

/// A type with one word for each of its values; see [`crate::words!`].
pub trait Words: Copy + Sized + 'static {
    /// Every value with its word.
    const ALL: &'static [(Self, &'static str)];

    /// The value of a word.
    fn from_word(word: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .find(|(_, w)| *w == word)
            .map(|(value, _)| *value)
    }

    /// The word of a value.
    fn word(self) -> &'static str;

    /// Every word, for messages.
    fn listed() -> String {
        Self::ALL
            .iter()
            .map(|(_, w)| *w)
            .collect::<Vec<_>>()
            .join(", ")
    }
}

/// Declares an enum whose values have fixed words in the API and in the database.
///
/// ```
/// platform::words! {
///     /// Where pollen is kept.
///     pub enum Store {
///         /// A vial with desiccant at room temperature.
///         Vial = "vial",
///         /// A freezer at -18 °C or below.
///         Freezer = "freezer",
///     }
/// }
/// use platform::fields::Words;
/// assert_eq!(Store::from_word("vial"), Some(Store::Vial));
/// assert_eq!(Store::Freezer.word(), "freezer");
/// ```
#[macro_export]
macro_rules! words {
    ($(#[$meta:meta])* $vis:vis enum $name:ident {
        $($(#[$vmeta:meta])* $variant:ident = $word:literal),+ $(,)?
    }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        $vis enum $name {
            $($(#[$vmeta])* $variant),+
        }

        impl $crate::fields::Words for $name {
            const ALL: &'static [(Self, &'static str)] = &[$((Self::$variant, $word)),+];

            fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word),+
                }
            }
        }

        impl ::std::fmt::Display for $name {
            fn fmt(&self, f: &mut ::std::fmt::Formatter<'_>) -> ::std::fmt::Result {
                f.write_str($crate::fields::Words::word(*self))
            }
        }
    };
}
