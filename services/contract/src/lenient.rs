//! JSON values that people write as numbers, texts or truth values and that travel as text.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, SeqAccess, Visitor};

/// A text made from a JSON number, text or truth value; null is the empty text.
struct Scalar(String);

struct ScalarVisitor;

impl Visitor<'_> for ScalarVisitor {
    type Value = Scalar;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number, a text, true, false or null")
    }

    fn visit_str<E: Error>(self, value: &str) -> Result<Scalar, E> {
        Ok(Scalar(value.to_owned()))
    }

    fn visit_bool<E: Error>(self, value: bool) -> Result<Scalar, E> {
        Ok(Scalar(value.to_string()))
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Scalar, E> {
        Ok(Scalar(value.to_string()))
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Scalar, E> {
        Ok(Scalar(value.to_string()))
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Scalar, E> {
        Ok(Scalar(value.to_string()))
    }

    fn visit_unit<E: Error>(self) -> Result<Scalar, E> {
        Ok(Scalar(String::new()))
    }
}

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(ScalarVisitor)
    }
}

/// Reads one scalar as text.
pub fn scalar<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    Ok(Scalar::deserialize(deserializer)?.0)
}

/// Reads a map of scalars as a map of texts.
pub fn scalar_map<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<BTreeMap<String, String>, D::Error> {
    let map = BTreeMap::<String, Scalar>::deserialize(deserializer)?;
    Ok(map.into_iter().map(|(key, value)| (key, value.0)).collect())
}

struct TextListVisitor;

impl<'de> Visitor<'de> for TextListVisitor {
    type Value = Vec<String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of texts, or one text with commas between its items")
    }

    fn visit_str<E: Error>(self, value: &str) -> Result<Vec<String>, E> {
        Ok(value
            .split(',')
            .map(str::trim)
            .filter(|item| !item.is_empty())
            .map(str::to_owned)
            .collect())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Vec<String>, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(list)
    }

    fn visit_unit<E: Error>(self) -> Result<Vec<String>, E> {
        Ok(Vec::new())
    }
}

/// Reads a list of texts, or one text with commas between its items.
pub fn text_list<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<String>, D::Error> {
    deserializer.deserialize_any(TextListVisitor)
}
