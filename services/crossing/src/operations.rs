//! Every operation of this service: address, permission and use case.

use contract::common::{FeedPage, ReadFeedRequest};

use crate::{CrossingApp, app};

platform::operations! {
    app: CrossingApp,
    service: "crossing", root: "/api/crossing/v1",
    grpc: contract::crossing::crossing_server::Crossing,

    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;
}
