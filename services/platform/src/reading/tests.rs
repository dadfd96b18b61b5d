use contract::crossing::{EditGermplasmRequest, ListCrossesRequest};
use contract::evaluation::{TakeRecordFileRequest, TakeRecordsRequest};
use contract::release::GrantLicenceRequest;
use http::HeaderValue;
use proptest::prelude::*;

use super::*;
use crate::access::Permission;

const NDJSON: &str = "application/x-ndjson";
const JSON: &str = "application/json";

fn operation(method: &'static str, kind: Kind) -> Operation {
    Operation {
        service: "test",
        name: "test",
        method,
        root: "",
        path: "",
        permission: Permission::Anyone,
        kind,
        summary: "",
    }
}

fn read<R: Readable>(
    operation: &Operation,
    path: &[(&str, &str)],
    query: &str,
    content_type: &'static str,
    body: &[u8],
) -> Result<R, Fault> {
    let mut headers = HeaderMap::new();
    if !content_type.is_empty() {
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(content_type));
    }
    let beside = Beside {
        path: path.to_vec(),
        query,
        headers: &headers,
    };
    message(operation, &beside, body)
}

fn pointers(fault: Fault) -> Vec<String> {
    assert_eq!(fault.kind(), FaultKind::Invalid, "{fault}");
    let errors = fault.into_field_errors();
    errors.into_iter().map(|error| error.pointer).collect()
}

fn grant(body: &str) -> Result<GrantLicenceRequest, Fault> {
    read(
        &operation("POST", Kind::Create),
        &[],
        "",
        JSON,
        body.as_bytes(),
    )
}

#[test]
fn every_fault_of_a_body_is_told_at_once_with_the_nearest_name() {
    let fault = grant(
        r#"{"exlusive": true, "purpose": "fruit", "purpose": "testing", "propagate_max_n": "x",
            "royalty": {"per": "tree", "amount": 1.85, "curency": "EUR",
                        "steps": [{"above": 1}, {"abov": 2, "amount": []}]},
            "reporting": {"every_months": -1}, "sublicensing": 3}"#,
    )
    .unwrap_err();
    let first = fault.errors()[0].clone();
    let mut told = pointers(fault);
    told.sort();
    assert_eq!(
        told,
        [
            "/exlusive",
            "/propagate_max_n",
            "/purpose",
            "/reporting/every_months",
            "/royalty/curency",
            "/royalty/steps/1/abov",
            "/royalty/steps/1/amount",
            "/sublicensing",
        ]
    );
    assert_eq!(first.pointer, "/purpose");
    let fault = grant(r#"{"exlusive": true}"#).unwrap_err();
    assert!(
        fault.detail().contains("did you mean \"exclusive\"?"),
        "{fault}"
    );
    let fault = grant(r#"{"qqqqqqqqqqqqqqqqq": 1}"#).unwrap_err();
    assert!(fault.detail().contains("or take one of id, "), "{fault}");
    let sound = grant(r#"{"territory": "US, EU", "royalty": {"amount": 1.85}, "exclusive": true}"#);
    assert_eq!(sound.unwrap().territory, ["US", "EU"]);
}

#[test]
fn the_path_and_if_match_are_not_contradicted() {
    let edit = operation("PATCH", Kind::Edit);
    let path = [("germplasm_id", "g1")];
    let read = |query: &str, body: &str| {
        read::<EditGermplasmRequest>(&edit, &path, query, JSON, body.as_bytes())
    };
    let same = read("", r#"{"germplasm_id": "g1", "traits": {"any name": 3}}"#).unwrap();
    assert_eq!(same.traits["any name"], "3");
    let told = |fault: Result<EditGermplasmRequest, Fault>| pointers(fault.unwrap_err());
    assert_eq!(
        told(read("", r#"{"germplasm_id": "g2"}"#)),
        ["/germplasm_id"]
    );
    assert_eq!(told(read("name=x&germplasm_id=g1&nam=1", "{}")).len(), 3);
    assert_eq!(
        told(read("", r#"{"traits": {"a": 1, "a": 2}}"#)),
        ["/traits/a"]
    );
    assert_eq!(told(read("", r#"{"a/b~": 1}"#)), ["/a~1b~0"]);
}

#[test]
fn queries_are_held_to_the_names_that_are_asked() {
    let list = |method, path: &[(&str, &str)], query: &str, body: &[u8]| {
        read::<ListCrossesRequest>(&operation(method, Kind::Read), path, query, "", body)
    };
    let fault = list("GET", &[], "seasn=2026&limit=x&cursor=a&cursor=b", b"").unwrap_err();
    assert!(
        fault.errors()[0].message.contains("\"season\""),
        "{fault:?}"
    );
    assert_eq!(pointers(fault), ["/seasn", "/cursor", "/limit"]);
    let told = pointers(list("DELETE", &[("season", "2026")], "season=2025", b"").unwrap_err());
    assert_eq!(told, ["/season"]);
    assert_eq!(list("GET", &[], "season=2026", b"").unwrap().season, "2026");
    let fault = list("GET", &[], "", b"{}").unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Malformed);
}

fn take(query: &str, content_type: &'static str, body: &str) -> Result<TakeRecordsRequest, Fault> {
    read(
        &operation("POST", Kind::Batch),
        &[],
        query,
        content_type,
        body.as_bytes(),
    )
}

#[test]
fn lines_and_lists_are_read_alike() {
    let lines = "{\"id\":\"a\",\"value\":1}\n\n  \r\n{\"id\":\"b\",\"by\":\"Wren\"}\r\n";
    let of_lines = take("dry_run=true", NDJSON, lines).unwrap();
    assert!(of_lines.dry_run);
    assert_eq!(of_lines.rows.len(), 2);
    assert_eq!(
        (
            of_lines.rows[0].value.as_str(),
            of_lines.rows[1].by.as_str()
        ),
        ("1", "Wren")
    );
    let list = " [{\"id\":\"a\",\"value\":1},{\"id\":\"b\",\"by\":\"Wren\"}] ";
    assert_eq!(take("dry_run=true", JSON, list).unwrap(), of_lines);
    let object = format!("{{\"dry_run\": true, \"rows\": {list}}}");
    assert_eq!(take("", JSON, &object).unwrap(), of_lines);
}

#[test]
fn what_is_unknown_beside_the_rows_refuses_the_batch() {
    let told = |result: Result<TakeRecordsRequest, Fault>| pointers(result.unwrap_err());
    assert_eq!(told(take("dry_rum=true", NDJSON, "")), ["/dry_rum"]);
    assert_eq!(told(take("rows=1", JSON, "[]")), ["/rows"]);
    assert_eq!(
        told(take("", JSON, r#"{"rows": [], "dryrun": true}"#)),
        ["/dryrun"]
    );
    let twice = r#"{"rows": [], "dry_run": true, "dry_run": false}"#;
    assert_eq!(told(take("", JSON, twice)), ["/dry_run"]);
    let against = take("dry_run=true", JSON, r#"{"rows": [], "dry_run": false}"#);
    assert_eq!(told(against), ["/dry_run"]);
}

#[test]
fn a_row_that_cannot_be_read_says_why_and_spoils_no_other() {
    let lines = "{\"id\":\"a\"}\n{\"id\":\"b\",\"tree_id\":[],\"valeu\":2}\n{\"id\n\
                 {\"id\":\"d\",\"value\":1,\"value\":2}\n{} {}\n{\"malformed\":[]}\n3\n";
    let asked = take("", NDJSON, lines).unwrap();
    let told = |n: usize| -> Vec<&str> {
        let faults = &asked.rows[n].malformed;
        faults.iter().map(|fault| fault.pointer.as_str()).collect()
    };
    assert_eq!(asked.rows.len(), 7);
    assert!(told(0).is_empty());
    assert_eq!(
        (asked.rows[1].id.as_str(), told(1)),
        ("b", vec!["/valeu", "/tree_id"])
    );
    assert!(asked.rows[1].malformed[0].message.contains("\"value\""));
    assert!(asked.rows[2].malformed[0].message.contains("not JSON"));
    assert_eq!(told(3), ["/value"]);
    assert!(asked.rows[4].malformed[0].message.contains("not JSON"));
    assert_eq!(asked.rows[6].malformed.len(), 1);
    let list = r#"{"rows": [{"id": "a"}, {"id": "d", "value": 1, "value": 2}]}"#;
    let asked = take("", JSON, list).unwrap();
    assert_eq!(asked.rows[1].malformed[0].pointer, "/value");
    assert!(asked.rows[0].malformed.is_empty());
}

#[test]
fn a_file_is_the_body_with_its_content_type() {
    let send = |query: &str, content_type| {
        let file = operation("POST", Kind::File);
        read::<TakeRecordFileRequest>(&file, &[], query, content_type, b"a,b")
    };
    assert_eq!(send("", "").unwrap_err().kind(), FaultKind::MediaType);
    let sent = send("dry_run=true", "text/csv; charset=utf-8").unwrap();
    let expected = TakeRecordFileRequest {
        content: b"a,b".to_vec(),
        content_type: CSV.to_owned(),
        dry_run: true,
        all_or_nothing: false,
    };
    assert_eq!(sent, expected);
    assert_eq!(
        pointers(send("dry_run=perhaps", CSV).unwrap_err()),
        ["/dry_run"]
    );
    assert_eq!(
        pointers(send("content=x&al_or_nothing=1", CSV).unwrap_err()).len(),
        2
    );
}

proptest! {
    #[test]
    fn any_body_is_read_or_refused(body in "[{}\\[\\]\":,a-c0-9 \\n\\\\]{0,60}", query in "[a-c=&%0-9+]{0,30}") {
        let _ = take(&query, NDJSON, &body);
        let _ = take(&query, JSON, &body);
        let _ = grant(&body);
        let _ = read::<ListCrossesRequest>(&operation("GET", Kind::Read), &[], &query, "", b"");
    }

    /// What the fast way reads, the thorough way reads alike.
    #[test]
    fn both_ways_read_a_batch_alike(values in proptest::collection::vec((".{0,8}", any::<i32>()), 0..6)) {
        let rows: Vec<Value> = values
            .iter()
            .map(|(by, value)| serde_json::json!({"id": "x", "by": by, "value": value}))
            .collect();
        let list = Value::Array(rows.clone()).to_string();
        let object = serde_json::json!({ "rows": rows }).to_string();
        prop_assert_eq!(take("", JSON, &list).unwrap(), take("", JSON, &object).unwrap());
    }
}
