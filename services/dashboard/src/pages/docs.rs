//! The API for people, from the same description that machines read.

use std::collections::BTreeMap;

use axum::extract::State;
use maud::{Markup, html};
use serde_json::Value;

use super::Shown;
use crate::Dashboard;
use crate::layout::Page;
use crate::words;

/// Every operation, by service.
pub async fn show(State(dashboard): State<Dashboard>) -> Shown {
    let description = &dashboard.0.description;
    let operations = operations(description);
    Ok(Page::new(
        "API",
        html! {
            p { (text(&description["info"], "description")) }
            p {
                "Each operation is to be had over REST as below and over gRPC as the method of the same name, on the same port. "
                "REST takes the access token as " code { "Authorization: Bearer …" } ", gRPC as metadata of the same name. "
                "Machines read " a href="/openapi.json" { "the OpenAPI description" } " or ask gRPC reflection. "
                "What goes wrong is told as one of these " a href="/problems" { "kinds of problem" } "."
            }
            nav aria-label="Services" {
                ul.jump {
                    @for (service, operations) in &operations {
                        li { a href={ "#" (service) } { (words::title(service)) " " strong { (operations.len()) } } }
                    }
                }
            }
            @for (service, operations) in &operations {
                h2 id=(service) { (words::title(service)) }
                @for operation in operations { (operation.show(description)) }
            }
            h2 #messages { "Messages" }
            (messages(description))
        },
    ))
}

struct Operation<'a> {
    method: String,
    path: &'a str,
    value: &'a Value,
}

fn operations(description: &Value) -> BTreeMap<&str, Vec<Operation<'_>>> {
    let mut by_service: BTreeMap<&str, Vec<Operation<'_>>> = BTreeMap::new();
    for (path, methods) in description["paths"].as_object().into_iter().flatten() {
        for (method, value) in methods.as_object().into_iter().flatten() {
            if let Some(service) = value["tags"][0].as_str() {
                let operation = Operation {
                    method: method.to_uppercase(),
                    path,
                    value,
                };
                by_service.entry(service).or_default().push(operation);
            }
        }
    }
    by_service
}

impl Operation<'_> {
    fn show(&self, description: &Value) -> Markup {
        let id = text(self.value, "operationId");
        let parameters = self.value["parameters"].as_array();
        let body = &self.value["requestBody"]["content"];
        html! {
            section.operation id=(id) {
                h3 { (text(self.value, "summary")) }
                p { span.method { (self.method) } " " code { (self.path) } }
                p.quiet { "gRPC: " code { (grpc_name(id)) } ". " (text(self.value, "description")) }
                @if parameters.is_some_and(|p| !p.is_empty()) || body.is_object() || self.value["responses"].is_object() {
                    details {
                        summary { "Parameters, body and reply" }
                        @if let Some(parameters) = parameters.filter(|p| !p.is_empty()) {
                            h4 { "Parameters" }
                            ul {
                                @for parameter in parameters {
                                    li {
                                        code { (text(parameter, "name")) } " in the " (text(parameter, "in"))
                                        @if parameter["required"] == true { ", required" }
                                        ": " (type_of(&parameter["schema"]))
                                        @let about = text(parameter, "description");
                                        @let about = if about.is_empty() { text(&parameter["schema"], "description") } else { about };
                                        @if !about.is_empty() { ". " (about) }
                                    }
                                }
                            }
                        }
                        @for (content_type, content) in body.as_object().into_iter().flatten() {
                            h4 { "Body, " (content_type) }
                            (schema(&content["schema"], description))
                        }
                        h4 { "Replies" }
                        ul {
                            @for (status, reply) in self.value["responses"].as_object().into_iter().flatten() {
                                li {
                                    strong { (status) } " " (text(reply, "description"))
                                    @for content in reply["content"].as_object().into_iter().flatten().map(|(_, c)| c).take(1) {
                                        " " (type_of(&content["schema"]))
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// `crossing.record_pass` as Crossing/RecordPass.
fn grpc_name(operation_id: &str) -> String {
    let camel = |name: &str| name.split('_').map(words::title).collect::<String>();
    operation_id
        .split_once('.')
        .map(|(service, name)| format!("{}/{}", camel(service), camel(name)))
        .unwrap_or_default()
}

fn messages(description: &Value) -> Markup {
    html! {
        @for (name, value) in description["components"]["schemas"].as_object().into_iter().flatten() {
            details.operation id={ "message-" (name) } {
                summary { (name) }
                (schema(value, description))
            }
        }
    }
}

fn schema(value: &Value, description: &Value) -> Markup {
    let fields = value["properties"].as_object();
    let about = text(value, "description");
    html! {
        @if !about.is_empty() { p { (about) } }
        @if let Some(fields) = fields {
            ul {
                @for (name, field) in fields {
                    li {
                        code { (name) } ": " (type_of(field))
                        @let about = text(field, "description");
                        @if !about.is_empty() { ". " (about) }
                    }
                }
            }
        } @else {
            p { (type_of(value)) }
        }
        @if let Some(inner) = value["$ref"].as_str().and_then(|r| r.strip_prefix("#/components/schemas/")) {
            @let inner = &description["components"]["schemas"][inner];
            @if inner["properties"].is_object() && value["properties"].is_null() { (schema(inner, &Value::Null)) }
        }
    }
}

fn type_of(schema: &Value) -> Markup {
    let one = |value: &Value| match value {
        Value::Array(all) => {
            let names: Vec<&str> = all
                .iter()
                .filter_map(Value::as_str)
                .filter(|n| *n != "null")
                .collect();
            names.join(" or ")
        }
        other => other.as_str().unwrap_or("anything").to_owned(),
    };
    if let Some(name) = schema["$ref"].as_str().and_then(|r| r.rsplit('/').next()) {
        return html! { a href={ "#message-" (name) } { (name) } };
    }
    for choice in ["oneOf", "anyOf", "allOf"] {
        if let Some(all) = schema[choice].as_array() {
            let known = all.iter().filter(|s| s["type"] != "null");
            return html! { @for (i, s) in known.enumerate() { @if i > 0 { " or " } (type_of(s)) } };
        }
    }
    if schema["items"].is_object() {
        return html! { "list of " (type_of(&schema["items"])) };
    }
    if schema["additionalProperties"].is_object() {
        return html! { "map of " (type_of(&schema["additionalProperties"])) };
    }
    html! { (one(&schema["type"])) }
}

fn text<'a>(value: &'a Value, name: &str) -> &'a str {
    value[name].as_str().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn operations_are_grouped_and_named_as_over_grpc() {
        let description = json!({"paths": {
            "/api/crossing/v1/days/{date}": {"get": {"operationId": "crossing.get_day", "tags": ["crossing"], "summary": "The day"}},
        }});
        let all = operations(&description);
        assert_eq!(all["crossing"].len(), 1);
        let shown = all["crossing"][0].show(&description).into_string();
        assert!(
            shown.contains("Crossing/GetDay") && shown.contains("GET"),
            "{shown}"
        );
    }
}
