//! What the law asks of the text on a tag.

use serde::{Deserialize, Serialize};

use crate::book::Confidence;

/// What one jurisdiction's law asks of a tag. Texts may hold `{denomination}`, `{number}` and
/// `{right}`, which are filled in.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkingRule {
    /// Text once the right is granted; none when the law's wording is not known.
    #[serde(default)]
    pub granted: Option<String>,
    /// Text while an application is pending; none when the law's wording is not known.
    #[serde(default)]
    pub pending: Option<String>,
    /// What follows from leaving the notice away, in words.
    pub effect: String,
    /// The law.
    pub law: String,
    /// How well it is known.
    pub confidence: Confidence,
}
