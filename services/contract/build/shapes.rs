//! Writes down what each message of a request holds (`contract::shape`): the names that JSON may
//! use, and a way to every text in it.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use tonic_prost_build::FileDescriptorSet;

/// Names of fields that hold prose, which may go over several lines. All other texts are names,
/// words, numbers and dates of one line.
const PROSE: &[&str] = &[
    "body",
    "csv",
    "detail",
    "evidence",
    "note",
    "notes",
    "objective",
    "purpose",
    "reason",
    "remarks",
    "soil",
    "text",
];

/// The field by which a batch is told that a row could not be read; no caller fills it in.
const MALFORMED: &str = "malformed";

type Described = BTreeMap<String, prost_types::DescriptorProto>;

fn described(set: &FileDescriptorSet) -> Described {
    set.file
        .iter()
        .flat_map(|file| {
            file.message_type.iter().map(|message| {
                let name = format!("{}.{}", file.package(), message.name());
                (name, message.clone())
            })
        })
        .filter(|(name, _)| name.starts_with("drupeline."))
        .collect()
}

/// Full names of all messages that a request holds, the requests among them.
pub fn asked(set: &FileDescriptorSet) -> BTreeSet<String> {
    let described = described(set);
    let mut open: Vec<String> = set
        .file
        .iter()
        .flat_map(|file| &file.service)
        .flat_map(|service| &service.method)
        .map(|method| method.input_type().trim_start_matches('.').to_owned())
        .collect();
    let mut asked = BTreeSet::new();
    while let Some(name) = open.pop() {
        let Some(message) = described.get(&name) else {
            continue;
        };
        if asked.insert(name) {
            open.extend(
                message
                    .field
                    .iter()
                    .filter(|field| field.name() != MALFORMED && map_of(message, field).is_none())
                    .map(|field| field.type_name().trim_start_matches('.').to_owned()),
            );
        }
    }
    asked
}

/// The generated code: a shape and the way to its texts for each of the messages.
pub fn generate(set: &FileDescriptorSet, asked: &BTreeSet<String>, bare_lists: &[&str]) -> String {
    let described = described(set);
    let mut code = String::new();
    for name in asked {
        let message = &described[name];
        let (mut fields, mut texts) = (String::new(), String::new());
        for field in &message.field {
            let (holds, text) = field_code(message, field);
            if field.name() != MALFORMED {
                let _ = write!(
                    fields,
                    "Field {{ name: {:?}, many: {}, holds: {holds} }}, ",
                    field.name(),
                    field.label() == prost_types::field_descriptor_proto::Label::Repeated
                        && map_of(message, field).is_none(),
                );
                texts.push_str(&text);
            }
        }
        if message.field.iter().any(|field| field.name() == MALFORMED) {
            texts = format!("visit.row_begins(); {texts} self.malformed.extend(visit.row_ends());");
        }
        let _ = write!(
            code,
            "impl Asked for {} {{\n\
             fn shape() -> &'static Shape {{\n\
             static SHAPE: Shape = Shape {{ bare_list: {}, fields: &[{fields}] }};\n\
             &SHAPE\n}}\n\
             fn texts(&mut self, visit: &mut dyn VisitTexts) {{\nlet _ = &visit;\n{texts}\n}}\n}}\n",
            rust_path(name),
            bare_lists.contains(&name.as_str()),
        );
    }
    code
}

/// What a field holds, and the statement that leads to its texts.
fn field_code(
    message: &prost_types::DescriptorProto,
    field: &prost_types::FieldDescriptorProto,
) -> (String, String) {
    use prost_types::field_descriptor_proto::{Label, Type};
    let name = field.name();
    let rust = rust_field(name);
    let many = field.label() == Label::Repeated;
    let optional = field.proto3_optional();
    if let Some(entry) = map_of(message, field) {
        let walk = match entry.field[1].r#type() {
            Type::String => "text_map",
            Type::Double => "number_map",
            other => panic!("{name}: maps to {other:?} are not foreseen"),
        };
        return (
            "Holds::Map".to_owned(),
            format!("{walk}(visit, {name:?}, &mut self.{rust});"),
        );
    }
    match field.r#type() {
        Type::String => {
            let kind = if PROSE.contains(&name) {
                "Prose"
            } else {
                "Name"
            };
            let walk = match (many, optional) {
                (true, _) => format!("texts(visit, {name:?}, Text::{kind}, &mut self.{rust});"),
                (false, true) => format!(
                    "if let Some(text) = &mut self.{rust} {{ visit.text({name:?}, Text::{kind}, text); }}"
                ),
                (false, false) => format!("visit.text({name:?}, Text::{kind}, &mut self.{rust});"),
            };
            ("Holds::Value".to_owned(), walk)
        }
        Type::Message => {
            let path = rust_path(field.type_name().trim_start_matches('.'));
            let walk = if many {
                format!("messages(visit, {name:?}, &mut self.{rust});")
            } else {
                format!(
                    "if let Some(part) = &mut self.{rust} {{ message(visit, {name:?}, part); }}"
                )
            };
            (format!("Holds::Message(<{path} as Asked>::shape)"), walk)
        }
        _ => ("Holds::Value".to_owned(), String::new()),
    }
}

/// The entry of a map, which protobuf writes as a message of its own.
fn map_of<'a>(
    message: &'a prost_types::DescriptorProto,
    field: &prost_types::FieldDescriptorProto,
) -> Option<&'a prost_types::DescriptorProto> {
    message.nested_type.iter().find(|nested| {
        nested.options.as_ref().is_some_and(|o| o.map_entry())
            && field.type_name().ends_with(&format!(".{}", nested.name()))
    })
}

fn rust_path(full_name: &str) -> String {
    let path = full_name.replace('.', "::");
    format!("crate::{path}")
}

fn rust_field(name: &str) -> String {
    const KEYWORDS: [&str; 8] = ["type", "trait", "use", "ref", "match", "where", "for", "in"];
    if KEYWORDS.contains(&name) {
        format!("r#{name}")
    } else {
        name.to_owned()
    }
}
