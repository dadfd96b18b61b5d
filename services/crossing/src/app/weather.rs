//! Weather stations, their readings and the winter that they tell.

use contract::common::BatchReply;
use contract::crossing::{
    ChillDay, EditWeatherStationRequest, GetWeatherStationRequest, ListWeatherStationsRequest,
    LoadWeatherCsvRequest, RecordWeatherRequest, RegisterWeatherStationRequest, SeasonChill,
    SeasonChillRequest, WeatherFill, WeatherStation, WeatherStationList,
};
use jiff::civil::Date;
use phenology::chill::{ChillModel, chill_account_dated};
use phenology::daylength::Latitude;
use phenology::heat::{HeatModel, running_heat};
use phenology::series::Origin;
use platform::batch::Report;
use platform::fault::{FieldError, OnConstraint as _};
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::{NAME_CHARS, NOTE_CHARS, at_most};
use crate::CrossingApp;
use crate::domain::PlantId;
use crate::domain::weather::{
    Batch, Days, ReadingClock, ReadingSource, Readings, StationId, StationTime, ask_about_unit,
};
use crate::domain::weather_csv::CsvText;
use crate::domain::winter::{Winter, origin_word, season_days};
use crate::store::germplasm as plants;
use crate::store::text_of;
use crate::store::weather::{self as store, StationRow};

/// Indicator trees of a station at most.
const MOST_INDICATORS: usize = 100;

/// Registers a station.
pub async fn register(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RegisterWeatherStationRequest,
) -> Result<WeatherStation, Fault> {
    let mut fields = Fields::new();
    let id: StationId = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, NAME_CHARS).to_owned();
    let site = fields.text("site", &request.site, NAME_CHARS).to_owned();
    let latitude = request.latitude_deg.map(Latitude::new);
    match &latitude {
        None => fields.fault("latitude_deg", "is required, north positive"),
        Some(Err(error)) => fields.fault("latitude_deg", error.to_string()),
        Some(Ok(_)) => {}
    }
    let time_zone = fields.text("time_zone", &request.time_zone, 60).to_owned();
    if !time_zone.is_empty() && StationTime::new(&time_zone).is_err() {
        fields.fault(
            "time_zone",
            format!("{time_zone:?} is not a time zone; write it as America/Los_Angeles"),
        );
    }
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    let indicator_ids = indicators(&mut fields, unit, &request.indicator_ids).await?;
    fields.finish()?;
    let row = StationRow {
        id,
        name,
        site,
        latitude_deg: request.latitude_deg.unwrap_or_default(),
        time_zone,
        indicator_ids,
        note: request.note,
        version: 1,
        first_day: None,
        last_day: None,
        days_n: 0,
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row)
        .await
        .on_constraint("weather_station_name", || name_taken(&row.name))?;
    unit.touch("weather_station", id);
    Ok(told_of(row))
}

fn name_taken(name: &str) -> Fault {
    Fault::exists(
        "/name",
        format!("a weather station {name:?} is registered already"),
    )
}

/// Plants that stand as indicators, which must be known.
async fn indicators(
    fields: &mut Fields,
    unit: &mut Unit,
    ids: &[String],
) -> Result<Vec<PlantId>, Fault> {
    fields.require(
        ids.len() <= MOST_INDICATORS,
        "indicator_ids",
        format!(
            "{} trees are named; name {MOST_INDICATORS} at most",
            ids.len()
        ),
    );
    let mut known = Vec::new();
    for (place, text) in ids.iter().take(MOST_INDICATORS).enumerate() {
        let field = format!("indicator_ids/{place}");
        let Some(id) = fields.id::<crate::domain::PlantKind>(&field, text) else {
            continue;
        };
        if plants::find(unit.connection(), id).await?.is_none() {
            fields.fault(
                &field,
                format!("no plant {id} is known here; register it first"),
            );
        } else if known.contains(&id) {
            fields.fault(&field, "is named twice");
        } else {
            known.push(id);
        }
    }
    Ok(known)
}

fn told_of(row: StationRow) -> WeatherStation {
    WeatherStation {
        id: row.id.to_string(),
        name: row.name,
        site: row.site,
        latitude_deg: row.latitude_deg,
        time_zone: row.time_zone,
        indicator_ids: row.indicator_ids.iter().map(ToString::to_string).collect(),
        note: row.note,
        first_day: text_of(row.first_day),
        last_day: text_of(row.last_day),
        days_n: crate::store::count(row.days_n),
        version: row.version,
    }
}

/// The station of an id, which must be there.
pub(crate) async fn station(unit: &mut Unit, text: &str) -> Result<StationRow, Fault> {
    let mut fields = Fields::new();
    let id: Option<StationId> = fields.id("station_id", text);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::field("/station_id", "is required"));
    };
    store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("weather station", id))
}

/// One station.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetWeatherStationRequest,
) -> Result<WeatherStation, Fault> {
    station(unit, &request.station_id).await.map(told_of)
}

/// Stations by name.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListWeatherStationsRequest,
) -> Result<WeatherStationList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let rows = store::list(unit.connection(), page.after_key()?, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.name.to_lowercase());
    Ok(WeatherStationList {
        items: rows.into_iter().map(told_of).collect(),
        next_cursor,
    })
}

/// Changes a station. Where it stands cannot be changed: its readings were taken there.
pub async fn edit(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: EditWeatherStationRequest,
) -> Result<WeatherStation, Fault> {
    let before = station(unit, &request.station_id).await?;
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, NAME_CHARS).to_owned();
    let site = fields.text("site", &request.site, NAME_CHARS).to_owned();
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    let indicator_ids = indicators(&mut fields, unit, &request.indicator_ids).await?;
    fields.finish()?;
    let row = StationRow {
        name,
        site,
        indicator_ids,
        note: request.note,
        version: request.expected_version,
        ..before.clone()
    };
    let changed = store::update(unit.connection(), &row)
        .await
        .on_constraint("weather_station_name", || name_taken(&row.name))?;
    if !changed {
        return Err(Fault::stale(before.version));
    }
    unit.touch("weather_station", row.id);
    Ok(told_of(StationRow {
        version: row.version + 1,
        ..row
    }))
}

/// Takes readings.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordWeatherRequest,
) -> Result<BatchReply, Fault> {
    let sending = Sending {
        station_id: &request.station_id,
        unit_confirmed: request.unit_confirmed,
        clock: &request.clock,
        source: &request.source,
    };
    take(unit, request.rows, sending).await
}

/// Takes readings from CSV text.
pub async fn load_csv(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: LoadWeatherCsvRequest,
) -> Result<BatchReply, Fault> {
    let sending = Sending {
        station_id: &request.station_id,
        unit_confirmed: request.unit_confirmed,
        clock: &request.clock,
        source: &request.source,
    };
    take(unit, CsvText(&request.csv), sending).await
}

/// How readings are sent, whatever they come from.
struct Sending<'a> {
    station_id: &'a str,
    unit_confirmed: bool,
    clock: &'a str,
    source: &'a str,
}

/// Takes the readings of a source.
async fn take(
    unit: &mut Unit,
    readings: impl ReadingSource,
    sending: Sending<'_>,
) -> Result<BatchReply, Fault> {
    let Sending {
        station_id,
        unit_confirmed,
        clock,
        source,
    } = sending;
    let Readings { rows, skipped } = readings
        .readings()
        .map_err(|(field, problem)| Fault::field(field, problem))?;
    ask_about_unit(&rows, unit_confirmed)
        .map_err(|question| Fault::field("/unit_confirmed", question))?;
    let mut fields = Fields::new();
    let id: Option<StationId> = fields.id("station_id", station_id);
    let clock = fields
        .optional_word("clock", clock)
        .unwrap_or(ReadingClock::Standard);
    at_most(&mut fields, "source", source, NAME_CHARS);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::field("/station_id", "is required"));
    };
    let zone = store::hold(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("weather station", id))?;
    let mut time = StationTime::new(&zone).map_err(Fault::internal)?;
    let rows_n = rows.len();
    let ids: std::collections::HashMap<u64, String> = rows
        .iter()
        .filter(|(_, row)| !row.id.is_empty())
        .map(|(index, row)| (*index, row.id.clone()))
        .collect();
    let batch = Batch::read(rows, clock, &mut time, unit.now());
    let stored = match batch.span() {
        Some((from, until)) => store::entries(unit.connection(), id, from, until).await?,
        None => std::collections::BTreeMap::new(),
    };
    let taken = batch.against(&stored, &time);
    let programme = unit.programme()?;
    store::add(unit.connection(), programme, id, &taken.entries, source).await?;
    if taken.accepted_n > 0 {
        unit.touch("weather_station", id);
    }
    let mut report = Report::of(rows_n + skipped.len());
    report.skip(skipped);
    report.accept(taken.accepted_n);
    report.duplicate(taken.duplicates_n);
    let id = |row: u64| ids.get(&row).map(String::as_str).unwrap_or_default();
    for (row, errors) in taken.rejected {
        report.reject(row, id(row), errors);
    }
    for (row, message) in taken.doubtful {
        report.doubt(row, id(row), vec![FieldError::new("", message)]);
    }
    Ok(report.into_reply())
}

/// The winters of a station, with what other stations of its site can fill.
pub(crate) struct Station {
    /// The station.
    pub row: StationRow,
    /// Its latitude.
    pub latitude: Latitude,
    days: Days,
    others: Vec<Days>,
}

impl Station {
    /// Reads the days that lead to the blooms of some years.
    pub async fn read(
        unit: &mut Unit,
        row: StationRow,
        first_season: i16,
        last_season: i16,
    ) -> Result<Self, Fault> {
        let latitude = Latitude::new(row.latitude_deg).map_err(Fault::internal)?;
        let beyond = || Fault::field("/season", "is outside 1901 to 2200");
        let (from, _) = season_days(first_season, latitude).ok_or_else(beyond)?;
        let (_, until) = season_days(last_season, latitude).ok_or_else(beyond)?;
        let days = store::days(unit.connection(), row.id, from, until).await?;
        let mut others = Vec::new();
        for other in store::of_same_site(unit.connection(), row.id).await? {
            others.push(store::days(unit.connection(), other, from, until).await?);
        }
        Ok(Self {
            row,
            latitude,
            days,
            others,
        })
    }

    /// The hours that lead to the bloom of a year, as far as they go.
    pub fn winter(&self, season: i16) -> Option<Winter> {
        let (from, until) = season_days(season, self.latitude)?;
        self.between(from, until)
    }

    fn between(&self, from: Date, until: Date) -> Option<Winter> {
        Winter::build(&self.days, &self.others, self.latitude, from, until)
    }
}

/// Reads the year of a season.
pub(crate) fn season_year(fields: &mut Fields, season: i32) -> i16 {
    fields.require(
        season != 0,
        "season",
        "is required: the year of the bloom, as 2026",
    );
    fields.require(
        season == 0 || (1901..=2200).contains(&season),
        "season",
        format!("{season} is outside 1901 to 2200"),
    );
    i16::try_from(season).unwrap_or(2000)
}

/// The winter so far.
pub async fn chill(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: SeasonChillRequest,
) -> Result<SeasonChill, Fault> {
    let mut fields = Fields::new();
    let season = season_year(&mut fields, request.season);
    let model = if request.model.is_empty() {
        ChillModel::Dynamic
    } else {
        request.model.parse::<ChillModel>().unwrap_or_else(|error| {
            fields.fault("model", error.to_string());
            ChillModel::Dynamic
        })
    };
    let from = fields.optional_date("from", &request.from);
    let until = fields.optional_date("until", &request.until);
    fields.finish()?;
    let row = station(unit, &request.station_id).await?;
    let station = Station::read(unit, row, season, season).await?;
    let (first, last) = season_days(season, station.latitude)
        .ok_or_else(|| Fault::field("/season", "is outside 1901 to 2200"))?;
    let mut fields = Fields::new();
    for (field, day) in [("from", from), ("until", until)] {
        if let Some(day) = day {
            fields.require(
                (first..=last).contains(&day),
                field,
                format!("{day} is outside the season of {season} here, {first} to {last}"),
            );
        }
    }
    let (from, until) = (from.unwrap_or(first), until.unwrap_or(last));
    if !fields.any() {
        fields.require(from <= until, "until", format!("{until} is before {from}"));
    }
    fields.finish()?;
    let Some(winter) = station.between(from, until) else {
        return Err(Fault::state(format!(
            "{} has no readings from {from} to {until}; send them to its readings first",
            station.row.name
        )));
    };
    Ok(told_chill(&station.row, season, model, from, &winter))
}

fn told_chill(
    station: &StationRow,
    season: i16,
    model: ChillModel,
    from: Date,
    winter: &Winter,
) -> SeasonChill {
    let account = chill_account_dated(model, &winter.hours);
    let heat = running_heat(HeatModel::Curvilinear, winter.hours.hours());
    let mut days: Vec<ChillDay> = Vec::new();
    for (index, temperature) in winter.hours.hours().iter().enumerate() {
        let date = winter.hours.at(index).date().to_string();
        let value = temperature.value_c();
        if days.last().is_none_or(|day| day.date != date) {
            days.push(ChillDay {
                date,
                min_c: value,
                max_c: value,
                ..ChillDay::default()
            });
        }
        if let Some(day) = days.last_mut() {
            day.chill = account.running[index];
            day.heat_gdh_c = heat[index];
            day.min_c = day.min_c.min(value);
            day.max_c = day.max_c.max(value);
            day.filled_n += u32::from(winter.origins[index] != Origin::Measured);
        }
    }
    let hours_n = winter.hours.hours().len();
    SeasonChill {
        station_id: station.id.to_string(),
        station: station.name.clone(),
        season: season.into(),
        model: model.name().to_owned(),
        reading: model.reading().to_owned(),
        unit: account.unit.name().to_owned(),
        total: account.total,
        heat_gdh_c: heat.last().copied().unwrap_or(0.0),
        from: winter.hours.start().to_string(),
        until: winter.hours.at(hours_n.saturating_sub(1)).to_string(),
        hours_n: u32::try_from(hours_n).unwrap_or(u32::MAX),
        filled_n: u32::try_from(winter.filled_n()).unwrap_or(u32::MAX),
        days,
        fills: winter
            .fills()
            .into_iter()
            .map(|fill| WeatherFill {
                from: fill.from.to_string(),
                hours_n: u32::try_from(fill.hours_n).unwrap_or(u32::MAX),
                how: origin_word(fill.how).to_owned(),
            })
            .collect(),
        notes: winter_notes(winter, from),
    }
}

/// What must be known of a winter's hours.
pub(crate) fn winter_notes(winter: &Winter, from: Date) -> Vec<String> {
    let mut notes = Vec::new();
    if winter.begins_late {
        notes.push(format!(
            "readings begin at {}, not on {from}: chill before is not counted",
            winter.hours.start()
        ));
    }
    if let Some(gap) = winter.ends_at_gap {
        notes.push(format!(
            "a gap from {gap} on is too long to be filled, so nothing after it is counted; send the missing readings, or daily extremes, or readings of another station of the site"
        ));
    }
    notes
}

/// The seasons that a station's readings reach into.
pub(crate) struct StationSpan {
    /// The first.
    pub first_year: i16,
    /// The last.
    pub last_year: i16,
}

impl StationSpan {
    /// The span of a station's readings; a winter ends in the year after it began.
    pub fn of(row: &StationRow) -> Self {
        let year = |day: Option<platform::database::Day>| day.map_or(2000, |day| day.0.year());
        Self {
            first_year: year(row.first_day),
            last_year: year(row.last_day).saturating_add(1),
        }
    }
}
