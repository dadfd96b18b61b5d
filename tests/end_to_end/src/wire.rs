//! Every operation by the description of its messages: for tests that send what no typed client can.

use std::collections::BTreeMap;

use contract::DESCRIPTORS;
use drupeline::assembly;
use http::uri::PathAndQuery;
use platform::access::Permission;
use platform::operation::Operation;
use prost::Message as _;
use prost::bytes::{Buf as _, BufMut as _};
use prost::encoding::{WireType, encode_key, encode_varint};
use prost_types::field_descriptor_proto::{Label, Type};
use prost_types::{DescriptorProto, FieldDescriptorProto, FileDescriptorSet};
use serde_json::{Value, json};
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::{Code, Status};

use crate::Client;

/// An id of nothing.
pub const NO_ID: &str = "01890a5d-ac96-774b-bcce-000000000000";

/// An operation with the message that it is asked with.
pub struct Asked {
    /// The operation.
    pub operation: Operation,
    /// Its gRPC path.
    pub method: PathAndQuery,
    /// Its request.
    pub message: DescriptorProto,
}

/// All messages by their full names, and all operations.
pub struct Wire {
    messages: BTreeMap<String, DescriptorProto>,
    /// Every operation.
    pub operations: Vec<Asked>,
}

impl Wire {
    /// Reads the contract.
    ///
    /// # Panics
    /// When an operation has no method in the contract.
    pub fn new() -> Self {
        let set = FileDescriptorSet::decode(DESCRIPTORS).expect("the contract's descriptors");
        let mut messages = BTreeMap::new();
        let mut methods = BTreeMap::new();
        for file in &set.file {
            for message in &file.message_type {
                messages.insert(
                    format!(".{}.{}", file.package(), message.name()),
                    message.clone(),
                );
            }
            for service in &file.service {
                for method in &service.method {
                    let path = format!("/{}.{}/{}", file.package(), service.name(), method.name());
                    let key = (service.name().to_lowercase(), method.name().to_owned());
                    methods.insert(key, (path, method.input_type().to_owned()));
                }
            }
        }
        let operations = assembly::catalogue()
            .into_iter()
            .map(|entry| {
                let operation = entry.operation;
                let camel: String = operation
                    .name
                    .split('_')
                    .map(|part| format!("{}{}", part[..1].to_uppercase(), &part[1..]))
                    .collect();
                let (path, input) = &methods[&(operation.service.to_owned(), camel)];
                Asked {
                    operation,
                    method: path.parse().expect("a path"),
                    message: messages[input].clone(),
                }
            })
            .collect();
        Self {
            messages,
            operations,
        }
    }

    /// The message that a field holds; none for a map and for plain values.
    pub fn held(&self, field: &FieldDescriptorProto) -> Option<&DescriptorProto> {
        self.messages.get(field.type_name())
    }

    /// Every text that a message can hold, down to `depth` messages within one another.
    pub fn texts(&self, message: &DescriptorProto, text: &str, depth: usize) -> Vec<Leaf> {
        let mut leaves = Vec::new();
        for field in &message.field {
            let name = field.name();
            if name == "malformed" {
                continue;
            }
            let list = |leaf: Value| if is_many(field) { json!([leaf]) } else { leaf };
            let at = if is_many(field) {
                format!("/{name}/0")
            } else {
                format!("/{name}")
            };
            if field.r#type() == Type::String {
                leaves.push(Leaf {
                    pointer: at,
                    json: json!({ name: list(text.into()) }),
                    wire: delimited(field, text.as_bytes()),
                });
            } else if let Some(entry) = map_entry(message, field) {
                if entry.field[1].r#type() == Type::String {
                    let pair = [
                        delimited(&entry.field[0], b"k"),
                        delimited(&entry.field[1], text.as_bytes()),
                    ];
                    leaves.push(Leaf {
                        pointer: format!("/{name}/k"),
                        json: json!({ name: { "k": text } }),
                        wire: delimited(field, &pair.concat()),
                    });
                }
            } else if let Some(held) = self.held(field)
                && depth > 0
            {
                for inner in self.texts(held, text, depth - 1) {
                    leaves.push(Leaf {
                        pointer: format!("{at}{}", inner.pointer),
                        json: json!({ name: list(inner.json) }),
                        wire: delimited(field, &inner.wire),
                    });
                }
            }
        }
        leaves
    }
}

impl Default for Wire {
    fn default() -> Self {
        Self::new()
    }
}

/// One text within a request, and requests that hold it alone.
pub struct Leaf {
    /// JSON pointer to it.
    pub pointer: String,
    /// The request as JSON.
    pub json: Value,
    /// The request as protobuf.
    pub wire: Vec<u8>,
}

/// Whether a field is a list.
pub fn is_many(field: &FieldDescriptorProto) -> bool {
    field.label() == Label::Repeated
}

/// The entry of a field that is a map.
pub fn map_entry<'a>(
    message: &'a DescriptorProto,
    field: &FieldDescriptorProto,
) -> Option<&'a DescriptorProto> {
    message
        .nested_type
        .iter()
        .find(|nested| field.type_name().ends_with(&format!(".{}", nested.name())))
}

/// A field with its length before it.
pub fn delimited(field: &FieldDescriptorProto, content: &[u8]) -> Vec<u8> {
    let mut wire = Vec::new();
    let number = u32::try_from(field.number()).expect("a field's number");
    encode_key(number, WireType::LengthDelimited, &mut wire);
    encode_varint(content.len() as u64, &mut wire);
    wire.extend_from_slice(content);
    wire
}

/// The account that may ask for an operation; none when only services may.
pub fn account_for(permission: Permission) -> Option<&'static str> {
    use platform::access::Role;
    if permission == Permission::Services {
        return None;
    }
    let accounts = [
        ("breeder", Role::Breeder),
        ("admin", Role::Administrator),
        ("rights", Role::Rights),
        ("trials", Role::Trials),
        ("manager", Role::Manager),
        ("field", Role::Field),
        ("partner_a", Role::Partner),
    ];
    accounts
        .into_iter()
        .find(|(_, role)| permission == Permission::Anyone || permission.roles().contains(role))
        .map(|(account, _)| account)
}

/// The path of an operation, in which a field stands for what `fill` says.
pub fn path_of(operation: &Operation, fill: impl Fn(&str) -> String) -> String {
    let parts = operation.path.split('/').map(|part| {
        match part
            .strip_prefix('{')
            .and_then(|part| part.strip_suffix('}'))
        {
            Some(name) => percent_encoded(&fill(name)),
            None => part.to_owned(),
        }
    });
    format!("{}{}", operation.root, parts.collect::<Vec<_>>().join("/"))
}

/// A text with all but letters and figures of ASCII percent-encoded.
pub fn percent_encoded(text: &str) -> String {
    text.bytes()
        .map(|byte| match byte {
            b'0'..=b'9' | b'a'..=b'z' | b'A'..=b'Z' | b'-' => char::from(byte).to_string(),
            _ => format!("%{byte:02X}"),
        })
        .collect()
}

/// Calls a gRPC method with bytes that need be no message at all.
///
/// # Errors
/// The status that it answers.
pub async fn call(
    client: &Client,
    method: &PathAndQuery,
    message: Vec<u8>,
) -> Result<Vec<u8>, Status> {
    let mut grpc =
        tonic::client::Grpc::new(client.transport()).max_decoding_message_size(usize::MAX);
    grpc.ready()
        .await
        .map_err(|error| Status::new(Code::Unavailable, error.to_string()))?;
    let reply = grpc
        .unary(tonic::Request::new(message), method.clone(), Bytes)
        .await?;
    Ok(reply.into_inner())
}

/// Sends and takes messages as bytes.
#[derive(Clone, Copy)]
struct Bytes;

impl Codec for Bytes {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Self;
    type Decoder = Self;

    fn encoder(&mut self) -> Self {
        *self
    }

    fn decoder(&mut self) -> Self {
        *self
    }
}

impl Encoder for Bytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn encode(&mut self, item: Vec<u8>, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Bytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        Ok(Some(from.copy_to_bytes(from.remaining()).to_vec()))
    }
}
