//! Records brought as a file: chosen on the device, checked first if one likes, then taken.

use axum::body::{Body, Bytes};
use axum::extract::Request;
use axum::response::{IntoResponse as _, Response};
use contract::common::{BatchReply, RejectedRow};
use contract::evaluation::TakeRecordFileRequest;
use http::{HeaderMap, header};
use maud::{Markup, html};
use multer::Multipart;
use platform::reading::{self, CSV, XLSX};
use platform::skin::BATCH_BYTES;
use platform::{Fault, Permission};

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, text};
use crate::layout::Page;
use crate::trouble::Trouble;
use crate::words;

const TITLE: &str = "Records from a file";
/// Rows listed at most; who has more to mend mends these first.
const MOST: usize = 500;

/// The form.
pub async fn show(desk: Desk) -> Shown {
    Ok(Page::new(TITLE, form(&desk)))
}

fn form(desk: &Desk) -> Markup {
    html! {
        p { "A CSV file in UTF-8, or a workbook (XLSX) with one sheet. The first row names the columns." }
        ul {
            li { code { "tree" } ", the number on the label, and " code { "observed_at" } ", a day or a moment, are always there; " code { "by" } " may be." }
            li { "Then either a column for every trait, named by its code as " code { "brix" } " or " code { "firmness_n" } ", or the columns " code { "trait" } " and " code { "value" } ", and " code { "unit" } " if you like." }
        }
        p { "The same file again is harmless: what was taken before counts as repeated." }
        @if desk.may(Permission::TakeRecords) {
            form.ask method="post" action="/record-file" enctype="multipart/form-data" {
                div {
                    label for="file" { "File" }
                    input id="file" name="file" type="file" required accept=".csv,.xlsx,text/csv";
                }
                button name="how" value="check" { "Check only" }
                button name="how" value="take" { "Take the records" }
            }
        } @else {
            p.quiet { "Your role does not take records." }
        }
    }
}

/// What the form brings.
#[derive(Default)]
struct Sent {
    content: Vec<u8>,
    is_workbook: bool,
    dry_run: bool,
}

impl Sent {
    async fn read(headers: &HeaderMap, body: Bytes) -> Result<Self, Trouble> {
        let unreadable = |error: multer::Error| {
            Trouble::from(Fault::malformed(format!(
                "the form cannot be read: {error}"
            )))
        };
        let boundary = headers
            .get(header::CONTENT_TYPE)
            .and_then(|value| value.to_str().ok())
            .map(multer::parse_boundary)
            .transpose()
            .map_err(unreadable)?
            .ok_or_else(|| Fault::malformed("the form brings no file"))?;
        let mut parts = Multipart::new(Body::from(body).into_data_stream(), boundary);
        let mut sent = Self::default();
        while let Some(part) = parts.next_field().await.map_err(unreadable)? {
            match part.name() {
                Some("file") => {
                    let name = part.file_name().unwrap_or_default().to_ascii_lowercase();
                    sent.is_workbook = name.ends_with(".xlsx");
                    if !sent.is_workbook && !name.ends_with(".csv") {
                        let message =
                            format!("{name:?} is neither .csv nor .xlsx; save it as one of them");
                        return Err(Fault::field("/file", message).into());
                    }
                    sent.content = part.bytes().await.map_err(unreadable)?.to_vec();
                }
                Some("how") => sent.dry_run = part.text().await.map_err(unreadable)? != "take",
                other => {
                    let name = other.unwrap_or_default();
                    let fault = reading::unknown(name, format!("/{name}"), &["file", "how"]);
                    return Err(Fault::invalid(vec![fault]).into());
                }
            }
        }
        Ok(sent)
    }
}

/// Checks or takes the records of a file, and tells what became of every row.
pub async fn take(desk: Desk, request: Request) -> Result<Response, Trouble> {
    let headers = request.headers().clone();
    let (_held, body) = desk.read(request).await?;
    let sent = Sent::read(&headers, body).await?;
    let dry_run = sent.dry_run;
    let asked = TakeRecordFileRequest {
        content: sent.content,
        content_type: if sent.is_workbook { XLSX } else { CSV }.to_owned(),
        dry_run,
        all_or_nothing: false,
    };
    let mut evaluation = desk.evaluation()?.max_encoding_message_size(BATCH_BYTES);
    let reply = evaluation.take_record_file(asked).await?.into_inner();
    let body = html! {
        h2 { (if dry_run { "What would become of the file" } else { "What became of the file" }) }
        (told(&reply, dry_run))
        h2 { "Another file" }
        (form(&desk))
    };
    Ok(Page::new(TITLE, body).into_response())
}

fn told(reply: &BatchReply, dry_run: bool) -> Markup {
    html! {
        ul.big {
            li { strong { (words::count(reply.accepted)) } span { (if dry_run { "records can be taken" } else { "records taken" }) } }
            li { strong { (words::count(reply.duplicates)) } span { "were there before" } }
            li { strong { (words::count(reply.rejected.len() as u64)) } span { (if dry_run { "would not be taken" } else { "not taken" }) } }
            li { strong { (words::count(reply.doubtful.len() as u64)) } span { "deserve a second look" } }
            @if !reply.skipped.is_empty() {
                li { strong { (words::count(reply.skipped.len() as u64)) } span { "rows passed over, since they hold no value" } }
            }
        }
        @if !reply.rejected.is_empty() { (rows("Not taken", &reply.rejected)) }
        @if !reply.doubtful.is_empty() { (rows("Taken, but in doubt", &reply.doubtful)) }
    }
}

fn rows(title: &str, reported: &[RejectedRow]) -> Markup {
    let lines = reported
        .iter()
        .flat_map(|row| row.errors.iter().map(move |error| (row.row, error)));
    html! {
        (Table::new(title).number("Row").text("Column").text("Why").stacking()
            .rows(lines.take(MOST), |(row, error)| vec![
                text(row.to_string()),
                text(error.pointer.trim_start_matches('/')),
                text(&error.message),
            ]).show())
        @if reported.len() > MOST { p.quiet { "The first " (MOST) " of " (words::count(reported.len() as u64)) " are listed." } }
    }
}
