//! Interim.

use contract::common::BatchReply;
use contract::evaluation::{
    JudgeRecordRequest, ListRecordsRequest, RecordItem, RecordList, TakeRecordsRequest,
};
use platform::{Fault, Unit};

use crate::EvaluationApp;

/// Interim.
pub async fn take(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: TakeRecordsRequest,
) -> Result<BatchReply, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn list(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: ListRecordsRequest,
) -> Result<RecordList, Fault> {
    Err(Fault::unavailable("not served yet"))
}

/// Interim.
pub async fn judge(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    _request: JudgeRecordRequest,
) -> Result<RecordItem, Fault> {
    Err(Fault::unavailable("not served yet"))
}
