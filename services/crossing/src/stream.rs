//! The gRPC form of a batch of weather: readings as a stream, taken together when it ends.

use contract::crossing::{RecordWeatherRequest, WeatherStreamRow};
use platform::Fault;
use platform::stream::Gather;
use tonic::metadata::MetadataMap;

use crate::operations::record_weather;

/// Readings of one station; the first says of which.
pub struct Weather;

impl Gather for Weather {
    type Row = WeatherStreamRow;
    type Batch = record_weather;

    fn begin(_metadata: &MetadataMap) -> RecordWeatherRequest {
        RecordWeatherRequest::default()
    }

    fn join(batch: &mut RecordWeatherRequest, row: WeatherStreamRow) -> Result<(), Fault> {
        if batch.rows.is_empty() {
            batch.station_id.clone_from(&row.station_id);
            batch.unit_confirmed = row.unit_confirmed;
            batch.clock = row.clock;
            batch.source = row.source;
        }
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
}
