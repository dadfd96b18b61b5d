//! The gRPC form of a batch: rows as a stream, taken together when it ends.

use std::sync::Arc;

use contract::common::BatchReply;
use contract::evaluation::{RecordBatchRow, TakeRecordsRequest};
use platform::fault::FaultKind;
use platform::operation::{UseCase as _, execute};
use platform::peers::PROGRAMME_METADATA;
use platform::skin::{BATCH_BYTES, IDEMPOTENCY_KEY, caller};
use platform::{App as _, Fault};
use tonic::metadata::MetadataMap;

use crate::EvaluationApp;
use crate::operations::take_records;

/// Metadata key that asks to write nothing when any row is rejected; its value is `true`.
pub const ALL_OR_NOTHING: &str = "drupeline-all-or-nothing";
/// Metadata key that asks to check everything and write nothing; its value is `true`.
pub const DRY_RUN: &str = "drupeline-dry-run";

/// Takes a stream of records as one batch.
///
/// # Errors
/// As a status, with the problem document in its metadata; nothing is written when the stream
/// breaks off.
pub async fn stream_records(
    app: Arc<EvaluationApp>,
    request: tonic::Request<tonic::Streaming<RecordBatchRow>>,
) -> Result<tonic::Response<BatchReply>, tonic::Status> {
    let (metadata, _, mut stream) = request.into_parts();
    let caller = caller(
        app.context(),
        text(&metadata, "authorization"),
        text(&metadata, PROGRAMME_METADATA),
    )
    .await?;
    // Before the rows are read: whoever may not write need not be listened to.
    caller.may_call(&take_records::OPERATION)?;
    let mut rows = Vec::new();
    let mut bytes = 0;
    while let Some(row) = stream.message().await? {
        bytes += prost::Message::encoded_len(&row);
        if bytes > BATCH_BYTES {
            return Err(Fault::new(
                FaultKind::TooLarge,
                format!("the rows are larger than {BATCH_BYTES} bytes; send less at once"),
            )
            .into());
        }
        rows.push(row);
    }
    let batch = TakeRecordsRequest {
        rows,
        all_or_nothing: text(&metadata, ALL_OR_NOTHING) == Some("true"),
        dry_run: text(&metadata, DRY_RUN) == Some("true"),
    };
    let key = text(&metadata, IDEMPOTENCY_KEY);
    let outcome = execute::<take_records>(app, caller, "grpc", key, batch).await?;
    Ok(tonic::Response::new(outcome.reply))
}

fn text<'a>(metadata: &'a MetadataMap, name: &str) -> Option<&'a str> {
    metadata.get(name).and_then(|value| value.to_str().ok())
}
