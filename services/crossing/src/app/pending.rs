//! Operations declared and still being built.

use platform::{Fault, Unit};

use crate::CrossingApp;

/// Says that the operation cannot be carried out yet.
pub async fn later<Request, Reply>(
    _app: &CrossingApp,
    _unit: &mut Unit,
    _request: Request,
) -> Result<Reply, Fault> {
    Err(Fault::unavailable("this operation is still being built"))
}
