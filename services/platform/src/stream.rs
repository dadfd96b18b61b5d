//! The gRPC skin of a stream: its messages become one batch, taken when the stream ends.
//!
//! A service says only how a message joins the batch. Who may send, how much and for how long is
//! settled at the [`crate::door`], as for every call.

use std::sync::Arc;

use tonic::metadata::MetadataMap;

use crate::door::admitted;
use crate::fault::Fault;
use crate::operation::{UseCase, Wire, execute};
use crate::skin::IDEMPOTENCY_KEY;
use crate::text::settle_all;

/// How the messages of a stream become a batch.
pub trait Gather: Send + 'static {
    /// One message.
    type Row: Wire;
    /// The batch.
    type Batch: UseCase;

    /// The batch before its first message; beside the messages, a stream has only its metadata.
    fn begin(metadata: &MetadataMap) -> <Self::Batch as UseCase>::Request;

    /// Puts a message to those before it.
    ///
    /// # Errors
    /// When it does not fit to them; nothing is written then.
    fn join(batch: &mut <Self::Batch as UseCase>::Request, row: Self::Row) -> Result<(), Fault>;
}

/// The gRPC form of a stream.
///
/// # Errors
/// The fault as a status, with the problem document in its metadata; nothing is written when the
/// stream breaks off.
pub async fn grpc<G: Gather>(
    app: Arc<<G::Batch as UseCase>::App>,
    request: tonic::Request<tonic::Streaming<G::Row>>,
) -> Result<tonic::Response<<G::Batch as UseCase>::Reply>, tonic::Status> {
    let (metadata, extensions, mut messages) = request.into_parts();
    let caller = admitted(&extensions)?.caller.clone();
    let mut batch = G::begin(&metadata);
    while let Some(row) = messages.message().await? {
        G::join(&mut batch, row)?;
    }
    settle_all(true, &mut batch)?;
    let key = metadata
        .get(IDEMPOTENCY_KEY)
        .and_then(|value| value.to_str().ok());
    let outcome = execute::<G::Batch>(app, caller, "grpc", key, batch).await?;
    Ok(tonic::Response::new(outcome.reply))
}
