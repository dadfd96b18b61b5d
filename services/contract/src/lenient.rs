//! JSON values that people write as numbers, texts or truth values and that travel as text.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, Visitor};

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
