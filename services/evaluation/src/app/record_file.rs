//! Records from a file, which go the way of a batch.

use std::collections::HashSet;

use contract::common::{BatchReply, RejectedRow};
use contract::evaluation::{TakeRecordFileRequest, TakeRecordsRequest};
use platform::text::settle_all;
use platform::{Fault, Unit, sheet};

use super::records;
use crate::EvaluationApp;
use crate::domain::record_file::{self, FileRecords};
use crate::store;

/// Takes records from a file.
///
/// # Errors
/// A file that cannot be read as a table, or whose header does not hold; as
/// [`records::take`](super::records::take). Faults of rows are part of the reply, by row of the
/// sheet and column.
pub async fn take(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: TakeRecordFileRequest,
) -> Result<BatchReply, Fault> {
    let programme = unit.programme()?;
    let library = store::traits::library_kept(unit.connection(), programme).await?;
    let codes: HashSet<String> = library.iter().map(|defined| defined.code.clone()).collect();
    let (content_type, content) = (request.content_type, request.content);
    let read = unit.reckon(move |_| {
        let table = sheet::read(&content_type, &content)?;
        record_file::read(programme, table, |name| codes.contains(name))
    });
    let FileRecords {
        rows,
        places,
        skipped,
    } = read.await??;
    let mut batch = TakeRecordsRequest {
        rows,
        ..TakeRecordsRequest::default()
    };
    // What stands in a file is held to the same as what stands in a request.
    settle_all(true, &mut batch)?;
    let reply = records::take_rows(
        unit,
        &batch.rows,
        records::How {
            all_or_nothing: request.all_or_nothing,
            dry_run: request.dry_run,
        },
    )
    .await?;
    Ok(BatchReply {
        rejected: in_the_sheet(reply.rejected, &places),
        doubtful: in_the_sheet(reply.doubtful, &places),
        sent: reply.sent + skipped.len() as u64,
        skipped,
        ..reply
    })
}

/// Reports by row of the sheet and by its columns.
fn in_the_sheet(reported: Vec<RejectedRow>, places: &[(u64, String)]) -> Vec<RejectedRow> {
    reported
        .into_iter()
        .map(|mut reported| {
            let Some((row, column)) = places.get(reported.row as usize) else {
                return reported;
            };
            reported.row = *row;
            for error in &mut reported.errors {
                error.row = Some(*row);
                match error.pointer.as_str() {
                    "/tree_id" => error.pointer = "/tree".to_owned(),
                    "/value" => error.pointer = format!("/{column}"),
                    _ => {}
                }
            }
            reported
        })
        .collect()
}
