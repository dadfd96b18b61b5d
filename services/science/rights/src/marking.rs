//! What the law asks of the text on a tag.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::book::{Book, Confidence};
use crate::{CAUTION, RightsError};

/// What one jurisdiction's law asks of a tag. Texts may hold `{denomination}`, `{number}` and
/// `{file_by}`, which are filled in.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkingRule {
    /// Text once the right is granted; none when the law's wording is not known.
    #[serde(default)]
    pub granted: Option<String>,
    /// Text while an application is pending; none when the law's wording is not known.
    #[serde(default)]
    pub pending: Option<String>,
    /// Text on material sold to test the market before an application; none when the law asks for
    /// none or its wording is not known.
    #[serde(default)]
    pub before_application: Option<String>,
    /// What the notice is for, or what follows from leaving it away, in words.
    pub effect: String,
    /// The law.
    pub law: String,
    /// How well it is known.
    pub confidence: Confidence,
}

/// Whether a right is granted or applied for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Protection {
    /// Granted and in force.
    Granted,
    /// Applied for.
    Pending,
    /// Sold to test the market before an application, which must be filed by this day.
    Unfiled {
        /// Last day to file.
        file_by: Date,
    },
}

/// Text for a tag in one jurisdiction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Marking<'b> {
    /// Code of the jurisdiction.
    pub jurisdiction: &'b str,
    /// Word for the right.
    pub kind: &'b str,
    /// The text; none when the law's wording is not known or the number is missing.
    pub text: Option<String>,
    /// Why there is no text.
    pub missing: Option<&'static str>,
    /// The denomination, which is used on every tag whether or not a notice is asked.
    pub denomination: String,
    /// What the notice is for.
    pub effect: &'b str,
    /// The law.
    pub law: &'b str,
    /// How well it is known.
    pub confidence: Confidence,
    /// An aid, not legal advice.
    pub caution: &'static str,
}

impl Book {
    /// The text that a tag carries in one jurisdiction. `number` is the office's number of the
    /// grant or application.
    ///
    /// # Errors
    /// Unknown jurisdiction or right; an empty denomination.
    pub fn marking(
        &self,
        jurisdiction: &str,
        kind: &str,
        protection: Protection,
        denomination: &str,
        number: Option<&str>,
    ) -> Result<Marking<'_>, RightsError> {
        let denomination = denomination.trim();
        if denomination.is_empty() {
            return Err(RightsError::Empty {
                field: "denomination".to_owned(),
                remedy: "give the denomination under which the variety is filed or granted",
            });
        }
        let jurisdiction = self.jurisdiction(jurisdiction)?;
        let route = jurisdiction.route(kind)?;
        let rule = &route.marking;
        let template = match protection {
            Protection::Granted => &rule.granted,
            Protection::Pending => &rule.pending,
            Protection::Unfiled { .. } => &rule.before_application,
        };
        let number = number.map(str::trim).filter(|number| !number.is_empty());
        let (text, missing) = match (template, number) {
            (None, _) => (
                None,
                Some("no wording is known here for this stage; ask the office"),
            ),
            (Some(template), None) if template.contains("{number}") => {
                (None, Some("the office's number; the text states it"))
            }
            (Some(template), number) => {
                // The number first, so that a denomination is never searched for marks.
                let mut text = template.replace("{number}", number.unwrap_or_default());
                if let Protection::Unfiled { file_by } = protection {
                    text = text.replace("{file_by}", &file_by.to_string());
                }
                (Some(text.replace("{denomination}", denomination)), None)
            }
        };
        Ok(Marking {
            jurisdiction: &jurisdiction.code,
            kind: &route.kind,
            text,
            missing,
            denomination: denomination.to_owned(),
            effect: &rule.effect,
            law: &rule.law,
            confidence: rule.confidence,
            caution: CAUTION,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(protection: Protection, number: Option<&str>) -> Option<String> {
        let book = Book::embedded();
        book.marking("US", "plant_patent", protection, "Vela", number)
            .unwrap()
            .text
    }

    #[test]
    fn a_granted_plant_patent_states_its_number_and_a_pending_one_needs_none() {
        let granted = text(Protection::Granted, Some("PP12,345"));
        assert_eq!(
            granted.as_deref(),
            Some("‘Vela’ U.S. Plant Patent No. PP12,345")
        );
        let pending = text(Protection::Pending, None);
        assert_eq!(pending.as_deref(), Some("‘Vela’ U.S. plant patent pending"));
        assert_eq!(text(Protection::Granted, Some(" ")), None);
    }

    #[test]
    fn a_test_sale_states_the_day_by_which_to_file() {
        let unfiled = Protection::Unfiled {
            file_by: jiff::civil::date(2027, 3, 1),
        };
        let book = Book::embedded();
        let marking = book.marking("AU", "pbr", unfiled, "Vela", None).unwrap();
        assert!(
            marking
                .text
                .unwrap()
                .ends_with("will expire on 2027-03-01.")
        );
        assert_eq!(
            book.marking("EU", "cpvr", unfiled, "Vela", None)
                .unwrap()
                .text,
            None
        );
    }

    #[test]
    fn wording_that_was_not_read_is_not_made_up() {
        let book = Book::embedded();
        let marking = book
            .marking("ZA", "pbr", Protection::Granted, "Vela", Some("1"))
            .unwrap();
        assert_eq!(
            (marking.text, marking.confidence),
            (None, Confidence::Unknown)
        );
        assert!(marking.missing.is_some());
    }

    #[test]
    fn a_denomination_is_never_searched_for_marks() {
        let book = Book::embedded();
        let marking = book
            .marking(
                "US",
                "plant_patent",
                Protection::Granted,
                "{number}",
                Some("9"),
            )
            .unwrap();
        assert_eq!(
            marking.text.as_deref(),
            Some("‘{number}’ U.S. Plant Patent No. 9")
        );
    }

    #[test]
    fn an_empty_denomination_is_refused() {
        let refused =
            Book::embedded().marking("US", "plant_patent", Protection::Granted, " ", None);
        assert!(matches!(refused, Err(RightsError::Empty { .. })));
    }
}
