//! The gRPC form of a batch of weather: readings as a stream, taken together when it ends.

use std::sync::Arc;

use contract::common::BatchReply;
use contract::crossing::{RecordWeatherRequest, WeatherStreamRow};
use platform::fault::FaultKind;
use platform::operation::{UseCase as _, execute};
use platform::peers::PROGRAMME_METADATA;
use platform::skin::{BATCH_BYTES, IDEMPOTENCY_KEY, caller};
use platform::{App as _, Fault};
use tonic::metadata::MetadataMap;

use crate::CrossingApp;
use crate::operations::record_weather;

/// Takes a stream of one station's readings as one batch.
///
/// # Errors
/// As a status, with the problem document in its metadata; nothing is written when the stream
/// breaks off.
pub async fn stream_weather(
    app: Arc<CrossingApp>,
    request: tonic::Request<tonic::Streaming<WeatherStreamRow>>,
) -> Result<tonic::Response<BatchReply>, tonic::Status> {
    let (metadata, _, mut stream) = request.into_parts();
    let caller = caller(
        app.context(),
        text(&metadata, "authorization"),
        text(&metadata, PROGRAMME_METADATA),
    )
    .await?;
    // Before the readings are read: whoever may not write need not be listened to.
    caller.may_call(&record_weather::OPERATION)?;
    let mut batch: Option<RecordWeatherRequest> = None;
    let mut bytes = 0;
    while let Some(row) = stream.message().await? {
        bytes += prost::Message::encoded_len(&row);
        if bytes > BATCH_BYTES {
            return Err(Fault::new(
                FaultKind::TooLarge,
                format!("the readings are larger than {BATCH_BYTES} bytes; send less at once"),
            )
            .into());
        }
        gather(&mut batch, row)?;
    }
    let batch = batch.unwrap_or_default();
    let key = text(&metadata, IDEMPOTENCY_KEY);
    let outcome = execute::<record_weather>(app, caller, "grpc", key, batch).await?;
    Ok(tonic::Response::new(outcome.reply))
}

/// Puts a reading to those before it; the first says of which station all are.
fn gather(batch: &mut Option<RecordWeatherRequest>, row: WeatherStreamRow) -> Result<(), Fault> {
    let batch = batch.get_or_insert_with(|| RecordWeatherRequest {
        station_id: row.station_id.clone(),
        unit_confirmed: row.unit_confirmed,
        clock: row.clock,
        source: row.source,
        rows: Vec::new(),
    });
    if !row.station_id.is_empty() && row.station_id != batch.station_id {
        return Err(Fault::field(
            "/station_id",
            format!(
                "reading {} is of station {}, and the first was of {}; send a stream for each station",
                batch.rows.len(),
                row.station_id,
                batch.station_id
            ),
        ));
    }
    batch.rows.push(row.reading.unwrap_or_default());
    Ok(())
}

fn text<'a>(metadata: &'a MetadataMap, name: &str) -> Option<&'a str> {
    metadata.get(name).and_then(|value| value.to_str().ok())
}
