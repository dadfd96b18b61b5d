//! Records from a file, which go the way of a batch.

use contract::common::{BatchReply, RejectedRow};
use contract::evaluation::TakeRecordFileRequest;
use platform::reading::{CSV, FILE_TYPES, XLSX};
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
    let content_type = request
        .content_type
        .split(';')
        .next()
        .unwrap_or_default()
        .trim();
    let read = match content_type {
        CSV => sheet::read_csv,
        XLSX => sheet::read_xlsx,
        other => {
            return Err(Fault::field(
                "/content_type",
                format!("{other:?} is not taken; send {}", FILE_TYPES.join(" or ")),
            ));
        }
    };
    let content = request.content;
    let rows = tokio::task::spawn_blocking(move || read(&content))
        .await
        .map_err(Fault::internal)?
        .map_err(|error| match error.row {
            0 => Fault::field("/content", error.message),
            row => Fault::field("/content", format!("row {row} {}", error.message)),
        })?;
    let file = record_file::read(programme, rows, |name| {
        library.iter().any(|defined| defined.code == name)
    })?;
    let reply = records::take_rows(
        unit,
        &file.rows,
        records::How {
            all_or_nothing: request.all_or_nothing,
            dry_run: request.dry_run,
        },
    )
    .await?;
    Ok(BatchReply {
        rejected: in_the_sheet(reply.rejected, &file),
        doubtful: in_the_sheet(reply.doubtful, &file),
        ..reply
    })
}

/// Reports by row of the sheet and by its columns.
fn in_the_sheet(reported: Vec<RejectedRow>, file: &FileRecords) -> Vec<RejectedRow> {
    reported
        .into_iter()
        .map(|mut reported| {
            let Some((row, column)) = file.places.get(reported.row as usize) else {
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
