//! How large a message becomes, found out before it is built.
//!
//! Two bytes on the wire can become a row of hundreds in memory, so a limit on bytes sent is none on
//! memory. The protobuf wire format is walked along the descriptors of the contract, without building
//! anything, and JSON by its brackets and commas.

use std::collections::HashMap;
use std::sync::{Arc, LazyLock};

use axum::body::{Body, Bytes};
use futures_util::stream;
use http_body_util::BodyExt as _;
use prost::Message as _;
use prost::bytes::{Buf as _, BytesMut};
use prost_types::field_descriptor_proto::{Label, Type};
use prost_types::{DescriptorProto, FileDescriptorSet};

use crate::fault::Fault;
use crate::gate::{Admission, BATCH_ROWS, Pace, too_large, too_many};
use crate::operation::Operation;

/// Bytes of a text or a list by themselves.
const LIST_BYTES: usize = 24;
/// Bytes of a number with its presence.
const NUMBER_BYTES: usize = 16;
/// A growing list takes up to twice its items.
const GROWTH: usize = 2;
/// Bytes of a JSON value that is read into a document first.
const VALUE_BYTES: usize = 64;
/// More than any gate lets a request hold.
const BEYOND_BYTES: usize = 1 << 32;
/// How deep messages may lie in one another, as in prost.
const DEPTH: usize = 100;
/// Largest message of a stream; a row is a few hundred bytes.
const STREAMED_BYTES: usize = 64 * 1024;
/// Bytes before each message of gRPC: whether it is compressed, and its length.
const PREFIX_BYTES: usize = 5;

/// A message of the contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Shape(usize);

/// What each method is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Asked {
    pub(crate) shape: Shape,
    /// True when it is a stream of them.
    pub(crate) streams: bool,
}

#[derive(Debug, Default)]
struct Shapes {
    messages: Vec<Laid>,
    /// By service and method, as `("crossing", "PlanCross")`.
    methods: HashMap<(String, String), Asked>,
}

/// How a message lies in memory.
#[derive(Debug, Default)]
struct Laid {
    fields: HashMap<u32, Field>,
    own_bytes: usize,
}

#[derive(Debug)]
struct Field {
    name: String,
    many: bool,
    holds: Holds,
}

#[derive(Debug, Clone, Copy)]
enum Holds {
    Number,
    Text,
    Message(usize),
}

static SHAPES: LazyLock<Shapes> = LazyLock::new(|| {
    let files = FileDescriptorSet::decode(contract::DESCRIPTORS)
        .expect("the contract's own descriptors can be read");
    Shapes::of(&files)
});

fn named<'a>(
    scope: &str,
    message: &'a DescriptorProto,
    into: &mut Vec<(String, &'a DescriptorProto)>,
) {
    let name = format!("{scope}.{}", message.name());
    for nested in &message.nested_type {
        named(&name, nested, into);
    }
    into.push((name, message));
}

impl Shapes {
    fn of(files: &FileDescriptorSet) -> Self {
        let mut all = Vec::new();
        for file in &files.file {
            for message in &file.message_type {
                named(&format!(".{}", file.package()), message, &mut all);
            }
        }
        let place: HashMap<&str, usize> = all
            .iter()
            .enumerate()
            .map(|(place, (name, _))| (name.as_str(), place))
            .collect();
        let messages = all.iter().map(|(_, message)| {
            let fields = message.field.iter().map(|field| {
                let holds = match field.r#type() {
                    Type::String | Type::Bytes => Holds::Text,
                    Type::Message => place
                        .get(field.type_name())
                        .map_or(Holds::Text, |place| Holds::Message(*place)),
                    _ => Holds::Number,
                };
                let field_of = Field {
                    name: field.name().to_owned(),
                    many: field.label() == Label::Repeated,
                    holds,
                };
                (field.number().unsigned_abs(), field_of)
            });
            Laid {
                fields: fields.collect(),
                own_bytes: 0,
            }
        });
        let mut shapes = Self {
            messages: messages.collect(),
            methods: HashMap::new(),
        };
        for at in 0..shapes.messages.len() {
            shapes.messages[at].own_bytes = shapes.own_bytes(at, 0);
        }
        for file in &files.file {
            for service in &file.service {
                for method in &service.method {
                    let Some(&shape) = place.get(method.input_type()) else {
                        continue;
                    };
                    let name = service.name().to_lowercase();
                    shapes.methods.insert(
                        (name, method.name().to_owned()),
                        Asked {
                            shape: Shape(shape),
                            streams: method.client_streaming(),
                        },
                    );
                }
            }
        }
        shapes
    }

    /// Bytes of a message whose fields are empty. A message within it lies in it; one that holds
    /// itself is boxed.
    fn own_bytes(&self, at: usize, depth: usize) -> usize {
        let fields = self.messages[at].fields.values();
        fields
            .map(|field| match field.holds {
                _ if field.many => LIST_BYTES,
                Holds::Number => NUMBER_BYTES,
                Holds::Text => LIST_BYTES,
                Holds::Message(_) if depth > 8 => NUMBER_BYTES,
                Holds::Message(within) => NUMBER_BYTES + self.own_bytes(within, depth + 1),
            })
            .sum()
    }
}

/// The name of a gRPC method: that of its operation in camel case.
pub(crate) fn method_name(operation: &str) -> String {
    let capital = |word: &str| {
        let mut letters = word.chars();
        letters
            .next()
            .map(|first| first.to_ascii_uppercase().to_string() + letters.as_str())
    };
    operation.split('_').filter_map(capital).collect()
}

/// What an operation is sent; none when it is no method of the contract.
pub(crate) fn asked(operation: &Operation) -> Option<Asked> {
    let key = (operation.service.to_owned(), method_name(operation.name));
    SHAPES.methods.get(&key).copied()
}

/// What a message would become.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Measure {
    /// Bytes in memory, rather too many than too few.
    pub(crate) bytes: usize,
    /// The longest of its lists: name and items.
    pub(crate) longest: (&'static str, usize),
}

impl Measure {
    /// True when nothing that is still to be found can make it acceptable.
    fn is_beyond(&self) -> bool {
        self.longest.1 > BATCH_ROWS || self.bytes > BEYOND_BYTES
    }
}

/// Measures a message of the wire, as far as it may be accepted; none when it is not one.
pub(crate) fn measure(shape: Shape, wire: &[u8]) -> Option<Measure> {
    let mut found = Measure {
        bytes: SHAPES.messages[shape.0].own_bytes,
        ..Measure::default()
    };
    walk(shape.0, wire, &mut found, 0)?;
    Some(found)
}

fn varint(wire: &mut &[u8]) -> Option<u64> {
    let mut value = 0_u64;
    for place in 0..10 {
        let (&byte, rest) = wire.split_first()?;
        *wire = rest;
        value |= u64::from(byte & 0x7f) << (7 * place);
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

fn skip(wire: &mut &[u8], bytes: usize) -> Option<()> {
    *wire = wire.get(bytes..)?;
    Some(())
}

fn walk(at: usize, mut wire: &[u8], found: &mut Measure, depth: usize) -> Option<()> {
    if depth > DEPTH {
        return None;
    }
    let laid: &'static Laid = &SHAPES.messages[at];
    let mut items: HashMap<u32, usize> = HashMap::new();
    while !wire.is_empty() && !found.is_beyond() {
        let key = varint(&mut wire)?;
        let number = u32::try_from(key >> 3).ok()?;
        let field = laid.fields.get(&number);
        match key & 7 {
            0 => {
                varint(&mut wire)?;
            }
            1 => skip(&mut wire, 8)?,
            5 => skip(&mut wire, 4)?,
            2 => {
                let length = usize::try_from(varint(&mut wire)?).ok()?;
                let within = wire.get(..length)?;
                skip(&mut wire, length)?;
                match field.map(|field| field.holds) {
                    // Numbers packed into one field.
                    Some(Holds::Number) => found.bytes += length * NUMBER_BYTES,
                    Some(Holds::Text) => found.bytes += length + NUMBER_BYTES,
                    Some(Holds::Message(inner)) => walk(inner, within, found, depth + 1)?,
                    None => {}
                }
            }
            // Groups are no part of the contract.
            _ => return None,
        }
        if let Some(field) = field.filter(|field| field.many) {
            found.bytes += GROWTH
                * match field.holds {
                    Holds::Number => NUMBER_BYTES,
                    Holds::Text => LIST_BYTES,
                    Holds::Message(inner) => SHAPES.messages[inner].own_bytes,
                };
            let n = items.entry(number).or_default();
            *n += 1;
            if *n > found.longest.1 {
                found.longest = (&field.name, *n);
            }
        }
    }
    Some(())
}

/// Measures JSON: an array of rows, an object with lists, or one document a line. It need not be
/// valid; whoever reads it says so.
pub(crate) fn measure_json(shape: Shape, json: &[u8]) -> Measure {
    let row_bytes = SHAPES.messages[shape.0]
        .fields
        .values()
        .map(|field| match field.holds {
            Holds::Message(inner) => SHAPES.messages[inner].own_bytes,
            _ => LIST_BYTES,
        })
        .max()
        .unwrap_or_default();
    // Items of the list that is open at each of the outermost depths, and lines of documents.
    let (mut open, mut most, mut lines) = ([0_usize; 3], 0, 0);
    let (mut depth, mut values, mut objects) = (0_usize, 1_usize, 0_usize);
    let (mut in_text, mut escaped, mut blank) = (false, false, true);
    for byte in json {
        if in_text {
            in_text = *byte != b'"' || escaped;
            escaped = *byte == b'\\' && !escaped;
            continue;
        }
        match byte {
            b'"' => (in_text, escaped) = (true, false),
            b'{' | b'[' => {
                depth += 1;
                values += 1;
                objects += usize::from(*byte == b'{');
                if let Some(items) = open.get_mut(depth) {
                    *items = 1;
                }
            }
            b'}' | b']' => depth = depth.saturating_sub(1),
            b',' => {
                values += 1;
                if let Some(items) = open.get_mut(depth) {
                    *items += 1;
                    most = most.max(*items);
                }
            }
            b'\n' => {
                lines += usize::from(!blank && depth == 0);
                blank = true;
                continue;
            }
            _ => {}
        }
        blank &= byte.is_ascii_whitespace();
        if most.max(lines) > BATCH_ROWS {
            break;
        }
    }
    Measure {
        bytes: json.len() + values * VALUE_BYTES + objects * GROWTH * row_bytes,
        longest: ("rows", most.max(lines + usize::from(!blank))),
    }
}

/// Holds what a message would become, unless it is too large.
///
/// # Errors
/// Too large or too many; unavailable when others hold too much.
pub(crate) async fn hold(admission: &Admission, found: Measure) -> Result<(), Fault> {
    let (field, n) = found.longest;
    if n > BATCH_ROWS {
        return Err(too_many(field, n));
    }
    admission.hold(found.bytes).await
}

/// The messages of a gRPC body, each let through when it is whole and within bounds.
pub(crate) fn bounded(
    body: Body,
    operation: &Operation,
    asked: Asked,
    admission: Arc<Admission>,
) -> Body {
    let mut pace = admission.pace();
    pace.drips = asked.streams;
    let most_bytes = operation.body_bytes();
    let messages = Messages {
        body,
        asked,
        most_bytes,
        one_bytes: if asked.streams {
            STREAMED_BYTES
        } else {
            most_bytes
        },
        seen_bytes: 0,
        messages_n: 0,
        buffer: BytesMut::new(),
        ended: false,
        pace,
        admission,
    };
    Body::from_stream(stream::try_unfold(messages, |mut messages| async move {
        let next = messages.next().await.map_err(tonic::Status::from)?;
        Ok::<_, tonic::Status>(next.map(|message| (message, messages)))
    }))
}

struct Messages {
    body: Body,
    asked: Asked,
    /// Of all messages.
    most_bytes: usize,
    /// Of one message.
    one_bytes: usize,
    seen_bytes: usize,
    messages_n: usize,
    buffer: BytesMut,
    ended: bool,
    pace: Pace,
    admission: Arc<Admission>,
}

impl Messages {
    async fn next(&mut self) -> Result<Option<Bytes>, Fault> {
        loop {
            if let Some(message) = self.whole()? {
                self.check(&message).await?;
                return Ok(Some(message));
            }
            if self.ended {
                // Less than a message, which is not for us to judge.
                let rest = self.buffer.split().freeze();
                return Ok((!rest.is_empty()).then_some(rest));
            }
            let Some(frame) = self.pace.keep(self.body.frame()).await? else {
                self.ended = true;
                continue;
            };
            let frame = frame.map_err(|_| Fault::malformed("the request broke off"))?;
            if let Ok(data) = frame.into_data() {
                self.pace.received_bytes += data.len() as u64;
                self.seen_bytes += data.len();
                if self.seen_bytes > self.most_bytes + PREFIX_BYTES * (1 + self.messages_n) {
                    return Err(too_large(self.most_bytes));
                }
                // Once here, and once more where it is decoded.
                self.admission.hold(2 * data.len()).await?;
                self.buffer.extend_from_slice(&data);
            }
        }
    }

    /// The next message with its prefix, once all of it is there.
    fn whole(&mut self) -> Result<Option<Bytes>, Fault> {
        let Some(mut prefix) = self.buffer.get(1..PREFIX_BYTES) else {
            return Ok(None);
        };
        let length = prefix.get_u32() as usize;
        if length > self.one_bytes {
            return Err(too_large(self.one_bytes));
        }
        if self.buffer.len() < PREFIX_BYTES + length {
            return Ok(None);
        }
        Ok(Some(self.buffer.split_to(PREFIX_BYTES + length).freeze()))
    }

    async fn check(&mut self, message: &Bytes) -> Result<(), Fault> {
        self.messages_n += 1;
        if self.messages_n > BATCH_ROWS {
            return Err(too_many("the stream", self.messages_n));
        }
        if message[0] != 0 {
            // Compressed, which is refused where it is decoded.
            return Ok(());
        }
        let found = measure(self.asked.shape, &message[PREFIX_BYTES..])
            .ok_or_else(|| Fault::malformed("the message is not one of this method's"))?;
        hold(&self.admission, found).await
    }
}

#[cfg(test)]
mod tests {
    use contract::crossing::{PlanCrossRequest, RecordWeatherRequest, WeatherReading};
    use contract::evaluation::{RecordBatchRow, TakeRecordsRequest};
    use proptest::prelude::*;

    use super::*;

    fn shape(service: &str, method: &str) -> Shape {
        SHAPES.methods[&(service.to_owned(), method.to_owned())].shape
    }

    #[test]
    fn every_method_of_the_contract_has_a_shape() {
        let set = FileDescriptorSet::decode(contract::DESCRIPTORS).unwrap();
        let methods_n: usize = set
            .file
            .iter()
            .flat_map(|file| &file.service)
            .map(|service| service.method.len())
            .sum();
        assert!(methods_n > 100);
        assert_eq!(SHAPES.methods.len(), methods_n);
        assert!(SHAPES.methods[&("evaluation".to_owned(), "StreamRecords".to_owned())].streams);
    }

    #[test]
    fn two_bytes_for_a_row_are_measured_as_a_row() {
        let rows_n = 1000;
        let small = TakeRecordsRequest {
            rows: vec![RecordBatchRow::default(); rows_n],
            ..TakeRecordsRequest::default()
        };
        let wire = small.encode_to_vec();
        assert_eq!(wire.len(), 2 * rows_n);
        let found = measure(shape("evaluation", "TakeRecords"), &wire).unwrap();
        assert_eq!(found.longest, ("rows", rows_n));
        assert!(
            found.bytes >= rows_n * size_of::<RecordBatchRow>(),
            "{found:?}"
        );
        let json = format!("[{}{{}}]", "{},".repeat(rows_n - 1));
        let found = measure_json(shape("evaluation", "TakeRecords"), json.as_bytes());
        assert_eq!(found.longest, ("rows", rows_n));
        assert!(
            found.bytes >= rows_n * size_of::<RecordBatchRow>(),
            "{found:?}"
        );
    }

    #[test]
    fn rows_are_counted_in_every_form_of_json() {
        let of = shape("evaluation", "TakeRecords");
        for json in [
            r#"[{"a":1},{"a":"x,]}\",,"},{}]"#,
            r#"{"dry_run":true,"rows":[{"a":[1,2,3,4,5]},{},{}]}"#,
            "{\"a\":\"\\\\\"}\n\n  \n{\"b\":[1,2]}\n{}\n",
        ] {
            assert_eq!(
                measure_json(of, json.as_bytes()).longest,
                ("rows", 3),
                "{json}"
            );
        }
    }

    #[test]
    fn what_is_no_message_is_not_measured() {
        let of = shape("crossing", "PlanCross");
        for wrong in [&[0x0a, 0x05, b'a'][..], &[0x0b], &[0xff; 11], &[0x80]] {
            assert_eq!(measure(of, wrong), None, "{wrong:?}");
        }
        assert!(measure(of, &PlanCrossRequest::default().encode_to_vec()).is_some());
    }

    proptest! {
        #[test]
        fn whatever_prost_reads_is_measured_as_no_less_than_its_bytes(
            station_id in ".{0,40}",
            rows_n in 0_usize..200,
        ) {
            let sent = RecordWeatherRequest {
                station_id,
                rows: vec![WeatherReading::default(); rows_n],
                ..RecordWeatherRequest::default()
            };
            let wire = sent.encode_to_vec();
            let found = measure(shape("crossing", "RecordWeather"), &wire).unwrap();
            prop_assert!(found.bytes >= wire.len());
            prop_assert_eq!(found.longest.1, rows_n);
            prop_assert!(
                found.bytes >= rows_n * size_of::<WeatherReading>()
            );
        }

        #[test]
        fn no_bytes_break_the_walk(wire in proptest::collection::vec(any::<u8>(), 0..400)) {
            let of = shape("release", "GrantLicence");
            if contract::release::GrantLicenceRequest::decode(&wire[..]).is_ok() {
                let groups = wire.iter().any(|byte| byte & 7 == 3);
                prop_assert!(groups || measure(of, &wire).is_some());
            }
            let _ = measure_json(of, &wire);
        }
    }
}
