//! Every operation of this service: address, permission and use case.

use contract::common::{FeedPage, ReadFeedRequest};

use crate::{EvaluationApp, app};

platform::operations! {
    app: EvaluationApp,
    service: "evaluation", root: "/api/evaluation/v1",
    grpc: contract::evaluation::evaluation_server::Evaluation,

    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;
}
