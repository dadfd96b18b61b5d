//! Every operation of this service: address, permission and use case.

use contract::common::{FeedPage, ReadFeedRequest};

use crate::{ReleaseApp, app};

platform::operations! {
    app: ReleaseApp,
    service: "release", root: "/api/release/v1",
    grpc: contract::release::release_server::Release,

    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;
}
