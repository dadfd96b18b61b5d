//! The committed contract against the code: the OpenAPI description must not drift, and the
//! protobuf contract may grow but not break.
//!
//! `ops/regenerate.sh` writes both anew; a removed or changed protobuf line stays a failure.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use ::contract::DESCRIPTORS;
use drupeline::assembly;
use prost::Message as _;
use prost_types::field_descriptor_proto::Type;
use prost_types::{DescriptorProto, FileDescriptorSet};

fn committed(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../proto")
        .join(name)
}

fn regenerating() -> bool {
    std::env::var_os("DRUPELINE_REGENERATE").is_some()
}

const REMEDY: &str = "run ops/regenerate.sh and commit what it writes";

#[test]
fn the_openapi_description_is_the_committed_one() {
    let described =
        serde_json::to_string_pretty(&platform::openapi::describe(&assembly::catalogue())).unwrap()
            + "\n";
    let path = committed("openapi.json");
    if regenerating() {
        std::fs::write(&path, described).unwrap();
        return;
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == described,
        "proto/openapi.json is not what the code describes; {REMEDY}"
    );
}

/// One line for every field and method, which is all that a caller's generated code depends on.
fn contract_lines() -> BTreeSet<String> {
    fn fields(lines: &mut BTreeSet<String>, scope: &str, message: &DescriptorProto) {
        let name = format!("{scope}.{}", message.name());
        for field in &message.field {
            let kind = match field.r#type() {
                Type::Message => field.type_name().to_owned(),
                scalar => format!("{scalar:?}").to_lowercase(),
            };
            lines.insert(format!(
                "field {name}.{} = {} {kind} {:?}{}",
                field.name(),
                field.number(),
                field.label(),
                if field.proto3_optional() {
                    " optional"
                } else {
                    ""
                },
            ));
        }
        for nested in &message.nested_type {
            fields(lines, &name, nested);
        }
    }
    let set = FileDescriptorSet::decode(DESCRIPTORS).unwrap();
    let mut lines = BTreeSet::new();
    for file in set
        .file
        .iter()
        .filter(|file| file.package().starts_with("drupeline."))
    {
        for message in &file.message_type {
            fields(&mut lines, file.package(), message);
        }
        for service in &file.service {
            for method in &service.method {
                lines.insert(format!(
                    "method {}.{}.{} ({}{}) -> {}",
                    file.package(),
                    service.name(),
                    method.name(),
                    if method.client_streaming() {
                        "stream "
                    } else {
                        ""
                    },
                    method.input_type(),
                    method.output_type(),
                ));
            }
        }
    }
    lines
}

#[test]
fn the_protobuf_contract_grows_and_does_not_break() {
    let now = contract_lines();
    let path = committed("contract.txt");
    let kept: BTreeSet<String> = std::fs::read_to_string(&path)
        .unwrap_or_default()
        .lines()
        .map(str::to_owned)
        .collect();
    let broken: Vec<&String> = kept.difference(&now).collect();
    let may_break = std::env::var_os("DRUPELINE_BREAK_CONTRACT").is_some();
    assert!(
        broken.is_empty() || may_break,
        "callers depend on these and they are gone or changed:\n{broken:#?}\n\
         keep them and add new ones beside them"
    );
    if regenerating() {
        let text: String = now.iter().map(|line| format!("{line}\n")).collect();
        std::fs::write(&path, text).unwrap();
        return;
    }
    let new: Vec<&String> = now.difference(&kept).collect();
    assert!(
        new.is_empty(),
        "new in the contract and not committed yet; {REMEDY}:\n{new:#?}"
    );
}
