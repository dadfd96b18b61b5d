//! The gRPC form of a batch: rows as a stream, taken together when it ends.

use contract::evaluation::{RecordBatchRow, TakeRecordsRequest};
use platform::Fault;
use platform::stream::Gather;
use tonic::metadata::MetadataMap;

use crate::operations::take_records;

/// Metadata key that asks to write nothing when any row is rejected; its value is `true`.
pub const ALL_OR_NOTHING: &str = "drupeline-all-or-nothing";
/// Metadata key that asks to check everything and write nothing; its value is `true`.
pub const DRY_RUN: &str = "drupeline-dry-run";

/// Records of trees.
pub struct Records;

impl Gather for Records {
    type Row = RecordBatchRow;
    type Batch = take_records;

    fn begin(metadata: &MetadataMap) -> TakeRecordsRequest {
        let asks = |name: &str| metadata.get(name).is_some_and(|value| value == "true");
        TakeRecordsRequest {
            rows: Vec::new(),
            all_or_nothing: asks(ALL_OR_NOTHING),
            dry_run: asks(DRY_RUN),
        }
    }

    fn join(batch: &mut TakeRecordsRequest, row: RecordBatchRow) -> Result<(), Fault> {
        batch.rows.push(row);
        Ok(())
    }
}
