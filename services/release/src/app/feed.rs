//! What this service announces to the others.

use contract::common::{FeedPage, ReadFeedRequest};
use platform::{Fault, Unit};

use crate::ReleaseApp;

/// Announcements since a position.
pub async fn read(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ReadFeedRequest,
) -> Result<FeedPage, Fault> {
    platform::feed::read(unit, request).await
}
