//! From a body, a path and a query to the message that they are.
//!
//! Nothing that was sent is passed over: a name that the message does not have, a name that is
//! there twice and a value that cannot be read are each told with a pointer, all at once. Rows of a
//! batch are judged one by one, so that a row that cannot be read spoils no other.

use std::cell::RefCell;

use contract::shape::{Asked, Holds, Shape};
use http::{HeaderMap, header};
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer, SeqDeserializer};
use serde::de::{
    DeserializeOwned, DeserializeSeed, Deserializer, Error as _, IntoDeserializer as _, MapAccess,
    SeqAccess, Visitor,
};
use serde_json::{Map, Value};

use crate::fault::{Fault, FaultKind, FieldError};
use crate::operation::{Kind, Operation};
use crate::text::{MOST_FAULTS, escaped};

/// Content type of a file of values apart by commas.
pub const CSV: &str = "text/csv";
/// Content type of a workbook of sheets (ISO/IEC 29500).
pub const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
/// Content types that an operation of kind [`Kind::File`] may be sent.
pub const FILE_TYPES: [&str; 2] = [CSV, XLSX];
/// Fields of a file's request that its body and header fill.
pub const FILE_FIELDS: [&str; 2] = ["content", "content_type"];
/// The field of a batch's request that its body fills.
const ROWS: &str = "rows";
/// Most names twice in one body that are looked for.
const MOST_TWICE: usize = 10_000;

/// What came beside a body.
pub struct Beside<'a> {
    /// Names and values of the path.
    pub path: Vec<(&'a str, &'a str)>,
    /// What stands behind the question mark.
    pub query: &'a str,
    /// The headers.
    pub headers: &'a HeaderMap,
}

/// A message that can be read.
pub trait Readable: DeserializeOwned + Asked {}

impl<T: DeserializeOwned + Asked> Readable for T {}

/// Reads the message that an operation is asked with.
///
/// # Errors
/// - malformed, when the body or the query cannot be read at all;
/// - invalid, with a pointer to every name that is unknown or there twice, and to every value that
///   cannot be read;
/// - media type, when the body is of another than the operation takes.
pub fn message<R: Readable>(
    operation: &Operation,
    beside: &Beside<'_>,
    body: &[u8],
) -> Result<R, Fault> {
    match (operation.method, operation.kind) {
        ("GET" | "DELETE", _) if !body.is_empty() => Err(Fault::malformed(format!(
            "a {} has no body here; send its fields in the query",
            operation.method
        ))),
        ("GET" | "DELETE", _) => from_query(beside),
        (_, Kind::File) => file(beside, body),
        (_, Kind::Batch) => batch(beside, body),
        (_, kind) => plain(kind, beside, body),
    }
}

/// A fault that tells so many of the faults found as a reader can take in.
fn told(mut faults: Vec<FieldError>) -> Fault {
    faults.truncate(MOST_FAULTS);
    Fault::invalid(faults)
}

/// The fault of a name that is none of those known, with the nearest of them.
pub fn unknown(name: &str, pointer: String, known: &[&str]) -> FieldError {
    let nearest = known
        .iter()
        .map(|candidate| {
            (
                strsim::normalized_damerau_levenshtein(name, candidate),
                candidate,
            )
        })
        .filter(|(likeness, _)| *likeness >= 0.4)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let message = match nearest {
        Some((_, nearest)) => format!("is not known here; did you mean {nearest:?}?"),
        None if known.is_empty() => {
            "is not known here, where nothing is asked; leave it out".into()
        }
        None => format!(
            "is not known here; leave it out, or take one of {}",
            known.join(", ")
        ),
    };
    FieldError::new(pointer, message)
}

fn names_of(shape: &Shape) -> Vec<&'static str> {
    shape.fields.iter().map(|field| field.name).collect()
}

/// Takes every unknown name out of a tree and tells of it.
fn take_unknown(tree: &mut Value, shape: &Shape, at: &mut String, faults: &mut Vec<FieldError>) {
    let Value::Object(fields) = tree else { return };
    if shape.bare_list {
        return;
    }
    fields.retain(|name, value| {
        let Some(field) = shape.field(name) else {
            let pointer = format!("{at}/{}", escaped(name));
            faults.push(unknown(name, pointer, &names_of(shape)));
            return false;
        };
        let Holds::Message(of) = field.holds else {
            return true;
        };
        let before = at.len();
        at.push('/');
        at.push_str(name);
        match value {
            Value::Array(items) if field.many => {
                for (n, item) in items.iter_mut().enumerate() {
                    let before = at.len();
                    at.push_str(&format!("/{n}"));
                    take_unknown(item, of(), at, faults);
                    at.truncate(before);
                }
            }
            other => take_unknown(other, of(), at, faults),
        }
        at.truncate(before);
        true
    });
}

/// Reads a tree as a message, and every fault of it beside those found before.
fn settled<R: Readable>(
    mut tree: Value,
    mut faults: Vec<FieldError>,
) -> Result<R, Vec<FieldError>> {
    take_unknown(&mut tree, R::shape(), &mut String::new(), &mut faults);
    read(tree, faults)
}

/// Reads a tree as a message when no fault was found before, and tells every value at fault.
fn read<R: Readable>(mut tree: Value, mut faults: Vec<FieldError>) -> Result<R, Vec<FieldError>> {
    // One value at fault hides those behind it; so it is taken out, and the rest is read again.
    loop {
        match serde_path_to_error::deserialize::<_, R>(&tree) {
            Ok(message) if faults.is_empty() => return Ok(message),
            Ok(_) => return Err(faults),
            Err(error) => {
                let steps = steps(error.path());
                let pointer = pointer(&steps);
                faults.push(FieldError::new(pointer, error.into_inner().to_string()));
                if faults.len() >= MOST_FAULTS || !take_out(&mut tree, &steps) {
                    return Err(faults);
                }
            }
        }
    }
}

fn steps(path: &serde_path_to_error::Path) -> Vec<String> {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => index.to_string(),
            Segment::Map { key } => key.clone(),
            Segment::Enum { variant } => variant.clone(),
            Segment::Unknown => "?".to_owned(),
        })
        .collect()
}

fn pointer(steps: &[String]) -> String {
    steps
        .iter()
        .map(|step| format!("/{}", escaped(step)))
        .collect()
}

/// Takes the innermost named value out that the steps lead through.
fn take_out(tree: &mut Value, steps: &[String]) -> bool {
    let Some((first, rest)) = steps.split_first() else {
        return false;
    };
    match tree {
        Value::Array(items) => first
            .parse::<usize>()
            .ok()
            .and_then(|n| items.get_mut(n))
            .is_some_and(|item| take_out(item, rest)),
        Value::Object(fields) => {
            let within = fields
                .get_mut(first)
                .is_some_and(|inner| take_out(inner, rest));
            within || fields.remove(first).is_some()
        }
        _ => false,
    }
}

/// The content type without its parameters.
pub(crate) fn content_type(headers: &HeaderMap) -> &str {
    headers
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .unwrap_or_default()
        .trim()
}

fn wrong_type(sent: &str, taken: &str) -> Fault {
    Fault::new(
        FaultKind::MediaType,
        format!("the body is {sent:?}; send {taken}"),
    )
}

// ------------------------------------------------------------------------------- path and query

fn pairs(query: &str) -> Result<Vec<(String, String)>, Fault> {
    serde_html_form::from_str(query)
        .map_err(|error| Fault::malformed(format!("the query cannot be read: {error}")))
}

/// The pairs of a query that an operation takes there; the others are told.
fn known_pairs(
    beside: &Beside<'_>,
    shape: &Shape,
    body_fields: &[&str],
    faults: &mut Vec<FieldError>,
) -> Result<Vec<(String, String)>, Fault> {
    let in_path = |name: &str| beside.path.iter().any(|(known, _)| *known == name);
    let known: Vec<&str> = names_of(shape)
        .into_iter()
        .filter(|name| !in_path(name) && !body_fields.contains(name))
        .collect();
    let mut taken: Vec<(String, String)> = Vec::new();
    for (name, value) in pairs(beside.query)? {
        let pointer = format!("/{}", escaped(&name));
        if in_path(&name) {
            faults.push(FieldError::new(
                pointer,
                "is told by the path; leave it out of the query",
            ));
        } else if body_fields.contains(&name.as_str()) {
            faults.push(FieldError::new(
                pointer,
                "belongs into the body; leave it out of the query",
            ));
        } else if !known.contains(&name.as_str()) {
            faults.push(unknown(&name, pointer, &known));
        } else if taken.iter().any(|(other, _)| *other == name)
            && !shape.field(&name).is_some_and(|field| field.many)
        {
            faults.push(FieldError::new(pointer, "is there twice; keep one"));
        } else {
            taken.push((name, value));
        }
    }
    Ok(taken)
}

fn from_query<R: Readable>(beside: &Beside<'_>) -> Result<R, Fault> {
    let mut faults = Vec::new();
    let mut pairs = known_pairs(beside, R::shape(), &[], &mut faults)?;
    pairs.extend(
        beside
            .path
            .iter()
            .map(|(name, value)| ((*name).to_owned(), (*value).to_owned())),
    );
    loop {
        let encoded = serde_html_form::to_string(&pairs).map_err(Fault::internal)?;
        let form = serde_html_form::Deserializer::from_bytes(encoded.as_bytes());
        match serde_path_to_error::deserialize::<_, R>(form) {
            Ok(message) if faults.is_empty() => return Ok(message),
            Ok(_) => return Err(told(faults)),
            Err(error) => {
                let steps = steps(error.path());
                faults.push(FieldError::new(
                    pointer(&steps),
                    error.into_inner().to_string(),
                ));
                let before = pairs.len();
                pairs.retain(|(name, _)| steps.first() != Some(name));
                if faults.len() >= MOST_FAULTS || pairs.len() == before {
                    return Err(told(faults));
                }
            }
        }
    }
}

/// What the path and the query say beside a batch or a file: texts and truth values.
fn beside_body(
    beside: &Beside<'_>,
    shape: &Shape,
    body_fields: &[&str],
    faults: &mut Vec<FieldError>,
) -> Result<Vec<(String, Value)>, Fault> {
    let asked = known_pairs(beside, shape, body_fields, faults)?;
    let path = beside
        .path
        .iter()
        .map(|(name, value)| ((*name).to_owned(), Value::String((*value).to_owned())));
    Ok(asked
        .into_iter()
        .map(|(name, value)| {
            let value = match value.as_str() {
                "true" => Value::Bool(true),
                "false" => Value::Bool(false),
                _ => Value::String(value),
            };
            (name, value)
        })
        .chain(path)
        .collect())
}

// ---------------------------------------------------------------------------------- plain bodies

fn plain<R: Readable>(kind: Kind, beside: &Beside<'_>, body: &[u8]) -> Result<R, Fault> {
    let shape = R::shape();
    let mut faults = Vec::new();
    known_pairs(beside, shape, &names_of(shape), &mut faults)?;
    let mut fields = object(beside.headers, body, &mut faults)?;
    for (name, value) in &beside.path {
        let value = Value::String((*value).to_owned());
        tell_once(&mut fields, name, value, "the path", &mut faults);
    }
    if kind == Kind::Edit
        && let Some(version) = if_match(beside.headers)?
    {
        tell_once(
            &mut fields,
            "expected_version",
            version.into(),
            "If-Match",
            &mut faults,
        );
    }
    settled(Value::Object(fields), faults).map_err(told)
}

/// Sets a field that `teller` tells; a body that says otherwise is at fault.
fn tell_once(
    fields: &mut Map<String, Value>,
    name: &str,
    value: Value,
    teller: &str,
    faults: &mut Vec<FieldError>,
) {
    if let Some(other) = fields.insert(name.to_owned(), value.clone())
        && other != value
    {
        let message = format!("is told by {teller} as {value}; leave it out of the body");
        faults.push(FieldError::new(format!("/{name}"), message));
    }
}

fn object(
    headers: &HeaderMap,
    body: &[u8],
    faults: &mut Vec<FieldError>,
) -> Result<Map<String, Value>, Fault> {
    match content_type(headers) {
        "" if body.is_empty() => return Ok(Map::new()),
        "application/json" => {}
        other => return Err(wrong_type(other, "application/json")),
    }
    if body.is_empty() {
        return Ok(Map::new());
    }
    match document(body, faults)? {
        Value::Object(fields) => Ok(fields),
        _ => Err(Fault::malformed("the body must be a JSON object")),
    }
}

fn if_match(headers: &HeaderMap) -> Result<Option<i64>, Fault> {
    let Some(value) = headers.get(header::IF_MATCH) else {
        return Ok(None);
    };
    value
        .to_str()
        .ok()
        .and_then(|text| {
            text.trim()
                .strip_prefix('"')?
                .strip_suffix('"')?
                .parse()
                .ok()
        })
        .map(Some)
        .ok_or_else(|| {
            Fault::malformed("If-Match must be the ETag as it was given, a version in quotes")
        })
}

// ------------------------------------------------------------------------------ JSON as a tree

/// Reads a JSON document; a name that is there twice in one object is told.
fn document(bytes: &[u8], faults: &mut Vec<FieldError>) -> Result<Value, Fault> {
    let twice = RefCell::new(Twice::default());
    let tree = whole(Tree(&twice), bytes)
        .map_err(|error| Fault::malformed(format!("the body is not JSON: {error}")))?;
    faults.append(&mut twice.into_inner().faults);
    Ok(tree)
}

#[derive(Default)]
struct Twice {
    at: String,
    faults: Vec<FieldError>,
}

#[derive(Clone, Copy)]
struct Tree<'a>(&'a RefCell<Twice>);

impl Tree<'_> {
    fn enter(self, step: &str) -> usize {
        let at = &mut self.0.borrow_mut().at;
        let before = at.len();
        at.push('/');
        at.push_str(&escaped(step));
        before
    }

    fn leave(self, before: usize) {
        self.0.borrow_mut().at.truncate(before);
    }
}

impl<'de> DeserializeSeed<'de> for Tree<'_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Tree<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E>(self, value: f64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        loop {
            let before = self.enter(&list.len().to_string());
            let item = items.next_element_seed(self)?;
            self.leave(before);
            match item {
                Some(item) => list.push(item),
                None => return Ok(Value::Array(list)),
            }
        }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Value, A::Error> {
        let mut fields = Map::new();
        while let Some(name) = entries.next_key::<String>()? {
            let before = self.enter(&name);
            let value = entries.next_value_seed(self)?;
            if fields.insert(name, value).is_some() {
                let mut twice = self.0.borrow_mut();
                if twice.faults.len() == MOST_TWICE {
                    return Err(A::Error::custom("too many names are there twice"));
                }
                let pointer = twice.at.clone();
                twice
                    .faults
                    .push(FieldError::new(pointer, "is there twice; keep one"));
            }
            self.leave(before);
        }
        Ok(Value::Object(fields))
    }
}

// -------------------------------------------------------------------------------------- batches

fn batch<R: Readable>(beside: &Beside<'_>, body: &[u8]) -> Result<R, Fault> {
    let mut faults = Vec::new();
    let around = beside_body(beside, R::shape(), &[ROWS], &mut faults)?;
    if faults.is_empty()
        && let Some(asked) = straight(beside.headers, around.clone(), body)
    {
        return Ok(asked);
    }
    let (mut fields, rows) = rows::<R>(beside.headers, body, &mut faults)?;
    for (name, value) in around {
        tell_once(
            &mut fields,
            &name,
            value,
            "the path or the query",
            &mut faults,
        );
    }
    let mut tree = Value::Object(fields);
    take_unknown(&mut tree, R::shape(), &mut String::new(), &mut faults);
    tree[ROWS] = Value::Array(rows);
    read(tree, faults).map_err(told)
}

/// Fields beside the rows of a batch, and the rows. A row that cannot be read does not spoil the
/// others: it goes on as one that says what was wrong with it, and is reported by the use case like
/// any other fault.
fn rows<R: Readable>(
    headers: &HeaderMap,
    body: &[u8],
    faults: &mut Vec<FieldError>,
) -> Result<(Map<String, Value>, Vec<Value>), Fault> {
    let mut fields = Map::new();
    let mut found = Vec::new();
    let rows: Vec<Result<Value, String>> = match content_type(headers) {
        "application/json" => {
            let rows = match document(body, &mut found)? {
                Value::Array(rows) => rows,
                Value::Object(mut whole) => {
                    let rows = whole.remove(ROWS);
                    fields = whole;
                    match rows {
                        Some(Value::Array(rows)) => rows,
                        _ => return Err(Fault::field("/rows", "is required and must be a list")),
                    }
                }
                _ => return Err(Fault::malformed("the body must be a JSON array of rows")),
            };
            rows.into_iter().map(Ok).collect()
        }
        "application/x-ndjson" | "application/jsonl" | "application/ndjson" => body
            .split(|byte| *byte == b'\n')
            .filter(|line| !line.trim_ascii().is_empty())
            .enumerate()
            .map(|(n, line)| {
                let mut twice = Vec::new();
                let row = document(line, &mut twice).map_err(|fault| fault.detail().to_owned());
                found.extend(twice.into_iter().map(|mut fault| {
                    fault.pointer.insert_str(0, &format!("/{n}"));
                    fault
                }));
                row
            })
            .collect(),
        other => {
            return Err(wrong_type(
                other,
                "application/json or application/x-ndjson",
            ));
        }
    };
    let mut by_row: Vec<Vec<FieldError>> = Vec::new();
    by_row.resize_with(rows.len(), Vec::new);
    for mut fault in found {
        let place = fault
            .pointer
            .strip_prefix("/rows")
            .unwrap_or(&fault.pointer);
        let place = place.trim_start_matches('/');
        let (row, rest) = place.split_once('/').unwrap_or((place, ""));
        match row.parse::<usize>().ok().and_then(|n| by_row.get_mut(n)) {
            Some(of_row) => {
                fault.pointer = format!("/{rest}");
                of_row.push(fault);
            }
            None => faults.push(fault),
        }
    }
    let rows = rows
        .into_iter()
        .zip(by_row)
        .map(|(row, twice)| match row {
            Ok(row) => readable::<R>(row, twice),
            Err(message) => {
                let message = format!("the row cannot be read: {message}");
                malformed("", vec![FieldError::new("", message)])
            }
        })
        .collect();
    Ok((fields, rows))
}

/// The row itself when the request can read it, otherwise one that says what is wrong with it.
fn readable<R: Readable>(row: Value, twice: Vec<FieldError>) -> Value {
    let id = row.get("id").and_then(Value::as_str).unwrap_or_default();
    let id = id.to_owned();
    let alone = serde_json::json!({ ROWS: [row.clone()] });
    match settled::<R>(alone, twice) {
        Ok(_) => row,
        Err(mut faults) => {
            for fault in &mut faults {
                if let Some(within) = fault.pointer.strip_prefix("/rows/0") {
                    fault.pointer = within.to_owned();
                }
            }
            faults.truncate(MOST_FAULTS);
            malformed(&id, faults)
        }
    }
}

fn malformed(id: &str, faults: Vec<FieldError>) -> Value {
    serde_json::json!({ "id": id, "malformed": faults })
}

/// A batch read straight into its request, without a JSON document between: the way of nearly all
/// batches. None when anything in it cannot be read or is unknown; [`rows`] then finds out which
/// row it is.
fn straight<R: Readable>(
    headers: &HeaderMap,
    beside: Vec<(String, Value)>,
    body: &[u8],
) -> Option<R> {
    let rows = match content_type(headers) {
        "application/json" if body.trim_ascii_start().first() == Some(&b'[') => Content::List(body),
        "application/x-ndjson" | "application/jsonl" | "application/ndjson" => Content::Lines(body),
        _ => return None,
    };
    let batch = BodyFields {
        beside,
        value: None,
        body: Some((ROWS, rows)),
    };
    R::deserialize(MapAccessDeserializer::new(batch)).ok()
}

// ---------------------------------------------------------------------------------------- files

/// A file's request: the body as it is, its content type, and the fields beside it.
fn file<R: Readable>(beside: &Beside<'_>, body: &[u8]) -> Result<R, Fault> {
    let content_type = content_type(beside.headers);
    if !FILE_TYPES.contains(&content_type) {
        return Err(wrong_type(content_type, &FILE_TYPES.join(" or ")));
    }
    let mut faults = Vec::new();
    let mut around = beside_body(beside, R::shape(), &FILE_FIELDS, &mut faults)?;
    around.push(("content_type".to_owned(), content_type.into()));
    let request = BodyFields {
        beside: around,
        value: None,
        body: Some(("content", Content::File(body))),
    };
    match serde_path_to_error::deserialize(MapAccessDeserializer::new(request)) {
        Ok(message) if faults.is_empty() => Ok(message),
        Ok(_) => Err(told(faults)),
        Err(error) => {
            let pointer = pointer(&steps(error.path()));
            faults.push(FieldError::new(pointer, error.into_inner().to_string()));
            Err(told(faults))
        }
    }
}

/// What lies in a body.
enum Content<'a> {
    /// A JSON array.
    List(&'a [u8]),
    /// One JSON document a line.
    Lines(&'a [u8]),
    /// A file.
    File(&'a [u8]),
}

/// The fields of a request: those beside the body, then the one that the body is.
struct BodyFields<'a> {
    beside: Vec<(String, Value)>,
    value: Option<Value>,
    body: Option<(&'static str, Content<'a>)>,
}

impl<'de> MapAccess<'de> for BodyFields<'de> {
    type Error = serde_json::Error;

    fn next_key_seed<K: DeserializeSeed<'de>>(
        &mut self,
        seed: K,
    ) -> Result<Option<K::Value>, Self::Error> {
        match (self.beside.pop(), &self.body) {
            (Some((name, value)), _) => {
                self.value = Some(value);
                seed.deserialize(name.into_deserializer()).map(Some)
            }
            (None, Some((name, _))) => seed.deserialize((*name).into_deserializer()).map(Some),
            (None, None) => Ok(None),
        }
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(
        &mut self,
        seed: V,
    ) -> Result<V::Value, Self::Error> {
        if let Some(value) = self.value.take() {
            return seed.deserialize(value);
        }
        match self.body.take().map(|(_, content)| content) {
            Some(Content::List(bytes)) => whole(seed, bytes),
            Some(Content::Lines(rest)) => {
                seed.deserialize(SeqAccessDeserializer::new(Lines { rest }))
            }
            Some(Content::File(bytes)) => {
                seed.deserialize(SeqDeserializer::new(bytes.iter().copied()))
            }
            None => Err(serde::de::Error::custom("a value without its name")),
        }
    }
}

/// The lines of a body that are not blank.
struct Lines<'a> {
    rest: &'a [u8],
}

impl<'de> SeqAccess<'de> for Lines<'de> {
    type Error = serde_json::Error;

    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Self::Error> {
        while !self.rest.is_empty() {
            let end = self.rest.iter().position(|byte| *byte == b'\n');
            let (line, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
            self.rest = rest.get(1..).unwrap_or_default();
            if !line.trim_ascii().is_empty() {
                return whole(seed, line).map(Some);
            }
        }
        Ok(None)
    }
}

/// One JSON document that fills all of `bytes`.
fn whole<'de, T: DeserializeSeed<'de>>(
    seed: T,
    bytes: &'de [u8],
) -> Result<T::Value, serde_json::Error> {
    let mut document = serde_json::Deserializer::from_slice(bytes);
    let value = seed.deserialize(&mut document)?;
    document.end()?;
    Ok(value)
}

#[cfg(test)]
mod tests;
