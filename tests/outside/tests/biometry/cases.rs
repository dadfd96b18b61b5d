//! The biometry case file, read so that objects keep the order in which they are written: the
//! order of terms in an analysis of variance carries meaning.

use outside_checks::{read_case_file, read_further_case_file};
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use std::fmt;

/// JSON whose objects keep their order.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Json {
    Null,
    Bool(bool),
    Number(f64),
    Text(String),
    List(Vec<Json>),
    Object(Vec<(String, Json)>),
}

impl<'de> Deserialize<'de> for Json {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Json, D::Error> {
        struct Reader;
        impl<'de> Visitor<'de> for Reader {
            type Value = Json;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("any JSON")
            }
            fn visit_unit<E>(self) -> Result<Json, E> {
                Ok(Json::Null)
            }
            fn visit_bool<E>(self, v: bool) -> Result<Json, E> {
                Ok(Json::Bool(v))
            }
            fn visit_f64<E>(self, v: f64) -> Result<Json, E> {
                Ok(Json::Number(v))
            }
            fn visit_i64<E>(self, v: i64) -> Result<Json, E> {
                Ok(Json::Number(v as f64))
            }
            fn visit_u64<E>(self, v: u64) -> Result<Json, E> {
                Ok(Json::Number(v as f64))
            }
            fn visit_str<E>(self, v: &str) -> Result<Json, E> {
                Ok(Json::Text(v.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Json, A::Error> {
                let mut list = Vec::new();
                while let Some(item) = seq.next_element()? {
                    list.push(item);
                }
                Ok(Json::List(list))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Json, A::Error> {
                let mut object = Vec::new();
                while let Some(pair) = map.next_entry()? {
                    object.push(pair);
                }
                Ok(Json::Object(object))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

impl Json {
    pub(crate) fn get(&self, key: &str) -> Option<&Json> {
        self.pairs().iter().find(|(k, _)| k == key).map(|(_, v)| v)
    }

    /// Member that the case must have.
    pub(crate) fn need(&self, key: &str) -> &Json {
        self.get(key)
            .unwrap_or_else(|| panic!("`{key}` is missing in {self:?}"))
    }

    pub(crate) fn pairs(&self) -> &[(String, Json)] {
        match self {
            Json::Object(pairs) => pairs,
            _ => &[],
        }
    }

    pub(crate) fn list(&self) -> &[Json] {
        match self {
            Json::List(list) => list,
            other => panic!("a list is expected, not {other:?}"),
        }
    }

    pub(crate) fn number(&self) -> f64 {
        match self {
            Json::Number(x) => *x,
            other => panic!("a number is expected, not {other:?}"),
        }
    }

    pub(crate) fn text(&self) -> &str {
        match self {
            Json::Text(text) => text,
            other => panic!("text is expected, not {other:?}"),
        }
    }

    pub(crate) fn numbers(&self) -> Vec<f64> {
        self.list().iter().map(Json::number).collect()
    }
}

/// Files of the same form that another folder of cases may lack.
const FURTHER: [&str; 1] = ["biometry/fruit_set.json"];

/// One case with what was found wrong.
pub(crate) struct Case {
    pub(crate) id: String,
    pub(crate) json: Json,
    pub(crate) compared: usize,
    pub(crate) faults: Vec<String>,
    abs: f64,
    rel: f64,
}

impl Case {
    pub(crate) fn expected(&self) -> Json {
        self.json.need("expected").clone()
    }

    pub(crate) fn fault(&mut self, what: impl fmt::Display) {
        self.faults.push(format!("{}: {what}", self.id));
    }

    pub(crate) fn number(&mut self, what: impl fmt::Display, found: f64, expected: f64) {
        self.compared += 1;
        let close = (found - expected).abs() <= self.abs + self.rel * expected.abs();
        if !close {
            self.fault(format!("{what}: found {found}, expected {expected}"));
        }
    }

    /// A number, or null where the quantity is not defined.
    pub(crate) fn value(&mut self, what: impl fmt::Display, found: Option<f64>, expected: &Json) {
        match (found, expected) {
            (Some(found), Json::Number(expected)) => self.number(what, found, *expected),
            (None, Json::Null) => self.compared += 1,
            _ => self.fault(format!("{what}: found {found:?}, expected {expected:?}")),
        }
    }

    pub(crate) fn numbers(&mut self, what: &str, found: &[f64], expected: &Json) {
        let expected = expected.numbers();
        if found.len() != expected.len() {
            self.fault(format!(
                "{what}: {} numbers, not {}",
                found.len(),
                expected.len()
            ));
        }
        for (i, (f, e)) in found.iter().zip(expected).enumerate() {
            self.number(format!("{what} {}", i + 1), *f, e);
        }
    }

    pub(crate) fn unknown(&mut self, key: &str) {
        self.fault(format!("nothing answers `{key}`"));
    }
}

/// Runs `check` on every case of `topics`, then reports them all together.
pub(crate) fn run(family: &str, topics: &[&str], check: impl Fn(&mut Case)) {
    let mut faults = Vec::new();
    let (mut cases_n, mut compared) = (0, 0);
    for mut case in cases_of(topics) {
        check(&mut case);
        if case.compared == 0 {
            case.fault("nothing was compared");
        }
        cases_n += 1;
        compared += case.compared;
        faults.append(&mut case.faults);
    }
    println!("{family}: {cases_n} cases, {compared} numbers compared");
    assert!(cases_n > 0, "no case of {topics:?}");
    assert!(
        faults.is_empty(),
        "{} differ:\n{}",
        faults.len(),
        faults.join("\n")
    );
}

/// All cases of these topics.
fn cases_of(topics: &[&str]) -> Vec<Case> {
    let further = FURTHER
        .iter()
        .filter_map(|file| read_further_case_file(file));
    std::iter::once(read_case_file("biometry/expected.json"))
        .chain(further)
        .flat_map(|text| {
            let file: Json = serde_json::from_str(&text).expect("a biometry case file is JSON");
            file.need("cases").list().to_vec()
        })
        .filter(|case| topics.contains(&case.need("topic").text()))
        .map(|case| {
            let part = |name| case.need("tolerance").need(name).number();
            Case {
                id: case.need("id").text().to_owned(),
                abs: part("abs"),
                rel: part("rel"),
                json: case.clone(),
                compared: 0,
                faults: Vec::new(),
            }
        })
        .collect()
}
