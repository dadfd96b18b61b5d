//! The OpenAPI 3.1 description, made from the catalogue of operations.

use std::collections::BTreeMap;

use serde_json::Value;
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::path::{
    HttpMethod, OperationBuilder, ParameterBuilder, ParameterIn, PathItem,
};
use utoipa::openapi::request_body::RequestBodyBuilder;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, Schema};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{
    ComponentsBuilder, InfoBuilder, OpenApi, OpenApiBuilder, PathsBuilder, Ref, RefOr, Required,
    ResponseBuilder,
};
use utoipa::{PartialSchema, ToSchema};

use crate::access::Permission;
use crate::fault::{FaultKind, PROBLEM_JSON, Problem};
use crate::fields::Words as _;
use crate::operation::{CatalogueEntry, Kind, Operation, UseCase};
use crate::reading::{FILE_FIELDS, FILE_TYPES};

/// Schemas of an operation's messages.
pub struct Schemas {
    /// Name of the request's schema.
    pub request: String,
    /// The request's schema.
    pub request_schema: RefOr<Schema>,
    /// Name of the reply's schema.
    pub reply: String,
    /// Everything the two hold, by name, the reply itself among them.
    pub components: Vec<(String, RefOr<Schema>)>,
}

/// The catalogue's line of an operation.
pub fn entry<U: UseCase>() -> CatalogueEntry {
    CatalogueEntry {
        operation: U::OPERATION,
        schemas: schemas::<U>,
    }
}

fn schemas<U: UseCase>() -> Schemas {
    let mut components = vec![(U::Reply::name().into_owned(), U::Reply::schema())];
    U::Reply::schemas(&mut components);
    U::Request::schemas(&mut components);
    Schemas {
        request: U::Request::name().into_owned(),
        request_schema: U::Request::schema(),
        reply: U::Reply::name().into_owned(),
        components,
    }
}

/// Describes all operations of a catalogue.
///
/// # Panics
/// When two unlike messages share a name, which would silently describe one of them wrongly.
pub fn describe(catalogue: &[CatalogueEntry]) -> Value {
    let mut description = serde_json::to_value(assemble(catalogue)).unwrap_or_default();
    say_what_is_required(&mut description);
    description
}

/// The generated schemas know a default for every field, because protobuf has one, and nothing of
/// what is required. The contract's comments do: a field whose comment begins with "Required" is.
fn say_what_is_required(node: &mut Value) {
    match node {
        Value::Array(items) => items.iter_mut().for_each(say_what_is_required),
        Value::Object(fields) => {
            if let Some(Value::Object(properties)) = fields.get_mut("properties") {
                // Filled in by the REST skin, never by a caller.
                properties.remove("malformed");
                let mut required = Vec::new();
                for (name, property) in properties.iter_mut() {
                    let Value::Object(property) = property else {
                        continue;
                    };
                    property.remove("default");
                    let comment = property.get("description").and_then(Value::as_str);
                    if comment.is_some_and(|text| text.starts_with("Required")) {
                        required.push(Value::String(name.clone()));
                    }
                }
                if !required.is_empty() {
                    fields.insert("required".into(), Value::Array(required));
                }
            }
            if fields.contains_key("in")
                && let Some(Value::Object(schema)) = fields.get_mut("schema")
            {
                schema.remove("default");
            }
            fields.values_mut().for_each(say_what_is_required);
        }
        _ => {}
    }
}

fn assemble(catalogue: &[CatalogueEntry]) -> OpenApi {
    let mut components: BTreeMap<String, RefOr<Schema>> = BTreeMap::new();
    let mut add = |name: String, schema: RefOr<Schema>| {
        let text = |s: &RefOr<Schema>| serde_json::to_string(s).unwrap_or_default();
        if let Some(known) = components.get(&name) {
            assert!(
                text(known) == text(&schema),
                "two unlike messages are named {name}; rename one in its proto file"
            );
        }
        components.insert(name, schema);
    };
    add(Problem::name().into_owned(), Problem::schema());
    add(
        "FieldError".into(),
        <crate::fault::FieldError as PartialSchema>::schema(),
    );
    let mut paths = PathsBuilder::new();
    let mut items: BTreeMap<String, PathItem> = BTreeMap::new();
    for entry in catalogue {
        let schemas = (entry.schemas)();
        let operation = &entry.operation;
        for (name, schema) in schemas.components {
            if name != "FieldError" {
                add(name, schema);
            }
        }
        let method = http_method(operation);
        let described = describe_operation(operation, schemas.request_schema, &schemas.reply);
        let path = operation.full_path();
        match items.get_mut(&path) {
            Some(item) => item.merge_operations(PathItem::new(method, described)),
            None => {
                items.insert(path, PathItem::new(method, described));
            }
        }
    }
    for (path, item) in items {
        paths = paths.path(path, item);
    }
    let bearer = SecurityScheme::Http(
        HttpBuilder::new()
            .scheme(HttpAuthScheme::Bearer)
            .bearer_format("JWT")
            .build(),
    );
    OpenApiBuilder::new()
        .info(
            InfoBuilder::new()
                .title("Drupeline")
                .version(env!("CARGO_PKG_VERSION"))
                .description(Some(
                    "One stone-fruit breeding programme from the choice of parents to the licensed nursery. \
                     Dates of rights are an aid and not legal advice; the office's own records and a \
                     licensed practitioner prevail.",
                )),
        )
        .paths(paths)
        .components(Some(
            ComponentsBuilder::new()
                .schemas_from_iter(components)
                .security_scheme("bearer", bearer)
                .build(),
        ))
        .build()
}

fn http_method(operation: &Operation) -> HttpMethod {
    match operation.method {
        "GET" => HttpMethod::Get,
        "PUT" => HttpMethod::Put,
        "PATCH" => HttpMethod::Patch,
        "DELETE" => HttpMethod::Delete,
        _ => HttpMethod::Post,
    }
}

fn reference(name: &str) -> RefOr<Schema> {
    RefOr::Ref(Ref::from_schema_name(name))
}

fn describe_operation(
    operation: &Operation,
    request: RefOr<Schema>,
    reply: &str,
) -> utoipa::openapi::path::Operation {
    let mut builder = OperationBuilder::new()
        .operation_id(Some(format!("{}.{}", operation.service, operation.name)))
        .tag(operation.service)
        .summary(Some(operation.summary.trim()));
    let holders: Vec<&str> = operation
        .permission
        .roles()
        .iter()
        .map(|r| r.word())
        .collect();
    builder = match operation.permission {
        Permission::Anyone => builder.description(Some("Open to everyone.")),
        Permission::Services => builder.description(Some("For Drupeline's own services.")),
        _ => builder.description(Some(format!("For the roles {}.", holders.join(", ")))),
    };
    if operation.permission != Permission::Anyone {
        builder = builder.security(SecurityRequirement::new("bearer", Vec::<String>::new()));
    }

    let in_path: Vec<&str> = operation
        .path
        .split('/')
        .filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
        .collect();
    let fields: Vec<(String, RefOr<Schema>)> = match &request {
        RefOr::T(Schema::Object(object)) => object
            .properties
            .iter()
            .map(|(n, s)| (n.clone(), s.clone()))
            .collect(),
        _ => Vec::new(),
    };
    let has_body = !matches!(operation.method, "GET" | "DELETE");
    for (name, schema) in &fields {
        let place = if in_path.contains(&name.as_str()) {
            ParameterIn::Path
        } else if !has_body
            || (operation.kind == Kind::File && !FILE_FIELDS.contains(&name.as_str()))
        {
            ParameterIn::Query
        } else {
            continue;
        };
        let required = if matches!(place, ParameterIn::Path) {
            Required::True
        } else {
            Required::False
        };
        builder = builder.parameter(
            ParameterBuilder::new()
                .name(name)
                .parameter_in(place)
                .required(required)
                .schema(Some(schema.clone())),
        );
    }
    if has_body {
        let mut header = |name: &str, what: &str, required| {
            let parameter = ParameterBuilder::new()
                .name(name)
                .parameter_in(ParameterIn::Header)
                .required(required)
                .description(Some(what))
                .schema(Some(
                    ObjectBuilder::new().schema_type(utoipa::openapi::schema::Type::String),
                ));
            builder = std::mem::take(&mut builder).parameter(parameter);
        };
        if operation.kind.writes() {
            header(
                "Idempotency-Key",
                "Makes a repeat of the request harmless.",
                Required::False,
            );
        }
        if operation.kind == Kind::Edit {
            header("If-Match", "The ETag that was read.", Required::True);
        }
        builder = builder.request_body(Some(body(operation, &request, &in_path)));
    }
    responses(builder, operation, reply).build()
}

fn body(
    operation: &Operation,
    request: &RefOr<Schema>,
    in_path: &[&str],
) -> utoipa::openapi::request_body::RequestBody {
    let RefOr::T(Schema::Object(object)) = request else {
        return RequestBodyBuilder::new().build();
    };
    if operation.kind == Kind::File {
        return FILE_TYPES
            .into_iter()
            .fold(RequestBodyBuilder::new(), |body, content_type| {
                body.content(content_type, ContentBuilder::new().build())
            })
            .required(Some(Required::True))
            .build();
    }
    let mut object = object.clone();
    object.properties.retain(|name, _| {
        let from_header = operation.kind == Kind::Edit && name == "expected_version";
        !from_header && !in_path.contains(&name.as_str())
    });
    if operation.kind == Kind::Batch {
        let row = match object.properties.get("rows") {
            Some(RefOr::T(Schema::Array(rows))) => rows.items.clone(),
            _ => utoipa::openapi::schema::ArrayItems::False,
        };
        let list = ArrayBuilder::new().items(row).build();
        let content = || {
            ContentBuilder::new()
                .schema(Some(Schema::Array(list.clone())))
                .build()
        };
        return RequestBodyBuilder::new()
            .content("application/json", content())
            .content("application/x-ndjson", content())
            .required(Some(Required::True))
            .build();
    }
    RequestBodyBuilder::new()
        .content(
            "application/json",
            ContentBuilder::new()
                .schema(Some(Schema::Object(object)))
                .build(),
        )
        .required(Some(Required::True))
        .build()
}

fn responses(
    mut builder: OperationBuilder,
    operation: &Operation,
    reply: &str,
) -> OperationBuilder {
    let success = match operation.kind {
        Kind::Create => "201",
        Kind::Accept => "202",
        Kind::Act if reply == "Empty" => "204",
        _ => "200",
    };
    let mut response = ResponseBuilder::new().description(operation.summary.trim());
    if reply == "Document" {
        response = response.content("application/octet-stream", ContentBuilder::new().build());
    } else if success != "204" {
        response = response.content(
            "application/json",
            ContentBuilder::new().schema(Some(reference(reply))).build(),
        );
    }
    builder = builder.response(success, response.build());
    let mut faults = vec![
        FaultKind::Malformed,
        FaultKind::Invalid,
        FaultKind::NotFound,
    ];
    if operation.permission != Permission::Anyone {
        faults.extend([FaultKind::Unauthenticated, FaultKind::Forbidden]);
    }
    if operation.kind.writes() {
        faults.push(FaultKind::State);
    }
    if operation.kind == Kind::Edit {
        faults.extend([FaultKind::Stale, FaultKind::VersionMissing]);
    }
    for fault in faults {
        let (status, _, title) = fault.http();
        builder = builder.response(
            status.as_str(),
            ResponseBuilder::new()
                .description(title)
                .content(
                    PROBLEM_JSON,
                    ContentBuilder::new()
                        .schema(Some(reference("Problem")))
                        .build(),
                )
                .build(),
        );
    }
    builder
}
