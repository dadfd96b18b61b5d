//! Weather stations and their readings.

use std::collections::BTreeMap;

use jiff::civil::Date;
use platform::ProgrammeId;
use platform::database::Day;
use sqlx::FromRow;
use uuid::Uuid;

use super::Db;
use crate::domain::PlantId;
use crate::domain::weather::{DayEntry, DayRecord, Days, StationId};
use crate::domain::windows::Note;

/// Days written in one statement; slices of a flat array are found from its start.
const DAYS_AT_ONCE: usize = 366;

/// A weather station with the span of its readings.
#[derive(Debug, Clone, FromRow)]
pub struct StationRow {
    pub id: StationId,
    pub name: String,
    pub site: String,
    pub latitude_deg: f64,
    pub time_zone: String,
    pub indicator_ids: Vec<PlantId>,
    pub note: String,
    pub version: i64,
    pub first_day: Option<Day>,
    pub last_day: Option<Day>,
    pub days_n: i64,
}

macro_rules! select_station {
    ($tail:literal) => {
        concat!(
            "select s.id, s.name, s.site, s.latitude_deg, s.time_zone, s.indicator_ids, s.note, \
             s.version, d.first_day, d.last_day, d.days_n \
             from weather_station s left join lateral ( \
                 select min(day) as first_day, max(day) as last_day, count(distinct day) as days_n \
                 from weather_day \
                 where programme_id = s.programme_id and station_id = s.id) d on true \
             where s.programme_id = current_programme() ",
            $tail
        )
    };
}

/// One station.
pub async fn find(db: &mut Db, id: StationId) -> Result<Option<StationRow>, sqlx::Error> {
    sqlx::query_as(select_station!("and s.id = $1"))
        .bind(id)
        .fetch_optional(db)
        .await
}

/// Holds a station against other writers of its readings and gives its time zone.
pub async fn hold(db: &mut Db, id: StationId) -> Result<Option<String>, sqlx::Error> {
    sqlx::query_scalar(
        "select time_zone from weather_station \
         where programme_id = current_programme() and id = $1 for no key update",
    )
    .bind(id)
    .fetch_optional(db)
    .await
}

/// Stations by name, from after a name.
pub async fn list(
    db: &mut Db,
    after: Option<String>,
    limit: i64,
) -> Result<Vec<StationRow>, sqlx::Error> {
    sqlx::query_as(select_station!(
        "and ($1::text is null or lower(s.name) > $1) order by lower(s.name) limit $2"
    ))
    .bind(after)
    .bind(limit)
    .fetch_all(db)
    .await
}

/// Other stations of the same site, by name.
pub async fn of_same_site(db: &mut Db, id: StationId) -> Result<Vec<StationId>, sqlx::Error> {
    sqlx::query_scalar(
        "select o.id from weather_station s join weather_station o \
             on o.programme_id = s.programme_id and lower(o.site) = lower(s.site) and o.id <> s.id \
         where s.programme_id = current_programme() and s.id = $1 order by lower(o.name)",
    )
    .bind(id)
    .fetch_all(db)
    .await
}

/// Writes a station.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    station: &StationRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into weather_station (programme_id, id, name, site, latitude_deg, time_zone, \
         indicator_ids, note) values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(programme)
    .bind(station.id)
    .bind(&station.name)
    .bind(&station.site)
    .bind(station.latitude_deg)
    .bind(&station.time_zone)
    .bind(&station.indicator_ids)
    .bind(&station.note)
    .execute(db)
    .await
    .map(drop)
}

/// Changes a station whose version is as expected; false when it is another.
pub async fn update(db: &mut Db, station: &StationRow) -> Result<bool, sqlx::Error> {
    sqlx::query(
        "update weather_station set name = $3, site = $4, indicator_ids = $5, note = $6, \
         version = version + 1 \
         where programme_id = current_programme() and id = $1 and version = $2",
    )
    .bind(station.id)
    .bind(station.version)
    .bind(&station.name)
    .bind(&station.site)
    .bind(&station.indicator_ids)
    .bind(&station.note)
    .execute(db)
    .await
    .map(|done| done.rows_affected() == 1)
}

#[derive(FromRow)]
struct EntryRow {
    day: Day,
    hourly_c: Option<Vec<Option<f64>>>,
    min_c: Option<f64>,
    max_c: Option<f64>,
}

impl EntryRow {
    fn entry(self) -> (Date, DayEntry) {
        let mut entry = DayEntry {
            extremes: self.min_c.zip(self.max_c),
            ..DayEntry::default()
        };
        for (hour, value) in entry
            .hours
            .iter_mut()
            .zip(self.hourly_c.unwrap_or_default())
        {
            *hour = value;
        }
        (self.day.0, entry)
    }
}

/// Every entry of a station's days, in order of entry.
pub async fn entries(
    db: &mut Db,
    station: StationId,
    from: Date,
    until: Date,
) -> Result<BTreeMap<Date, Vec<DayEntry>>, sqlx::Error> {
    let rows: Vec<EntryRow> = sqlx::query_as(
        "select day, hourly_c, min_c, max_c from weather_day \
         where programme_id = current_programme() and station_id = $1 \
             and year between $2 and $3 and day between $4 and $5 order by day, entry",
    )
    .bind(station)
    .bind(i32::from(from.year()))
    .bind(i32::from(until.year()))
    .bind(Day(from))
    .bind(Day(until))
    .fetch_all(db)
    .await?;
    let mut days: BTreeMap<Date, Vec<DayEntry>> = BTreeMap::new();
    for (day, entry) in rows.into_iter().map(EntryRow::entry) {
        days.entry(day).or_default().push(entry);
    }
    Ok(days)
}

/// What is known of a station's days.
pub async fn days(
    db: &mut Db,
    station: StationId,
    from: Date,
    until: Date,
) -> Result<Days, sqlx::Error> {
    let entries = entries(db, station, from, until).await?;
    Ok(entries
        .into_iter()
        .map(|(day, entries)| {
            (
                day,
                entries.iter().fold(DayRecord::default(), DayRecord::then),
            )
        })
        .filter(|(_, day)| !day.is_empty())
        .collect())
}

/// Adds one entry for each of some days.
pub async fn add(
    db: &mut Db,
    programme: ProgrammeId,
    station: StationId,
    entries: &BTreeMap<Date, DayEntry>,
    source: &str,
) -> Result<(), sqlx::Error> {
    let mut years: Vec<i32> = entries.keys().map(|day| i32::from(day.year())).collect();
    years.dedup();
    for year in years {
        sqlx::query("select make_year_partition('weather_day', $1)")
            .bind(year)
            .execute(&mut *db)
            .await?;
    }
    let rows: Vec<(&Date, &DayEntry)> = entries.iter().collect();
    for chunk in rows.chunks(DAYS_AT_ONCE) {
        let days: Vec<Day> = chunk.iter().map(|(day, _)| Day(**day)).collect();
        let ids: Vec<Uuid> = chunk.iter().map(|_| Uuid::now_v7()).collect();
        let hours: Vec<Option<f64>> = chunk.iter().flat_map(|(_, entry)| entry.hours).collect();
        let (low, high): (Vec<Option<f64>>, Vec<Option<f64>>) = chunk
            .iter()
            .map(|(_, entry)| (entry.extremes.map(|e| e.0), entry.extremes.map(|e| e.1)))
            .unzip();
        sqlx::query(
            "insert into weather_day (programme_id, station_id, year, day, entry, hourly_c, min_c, \
             max_c, source) \
             select $1, $2, extract(year from u.day)::int, u.day, u.entry, \
                 ($5::float8[])[(u.n - 1) * 24 + 1 : u.n * 24], u.low, u.high, $8 \
             from unnest($3::date[], $4::uuid[], $6::float8[], $7::float8[]) \
                 with ordinality as u (day, entry, low, high, n)",
        )
        .bind(programme)
        .bind(station)
        .bind(days)
        .bind(ids)
        .bind(hours)
        .bind(low)
        .bind(high)
        .bind(source)
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}

/// The state of all that a station's forecasts rest on: its site's readings, which only grow, the
/// notes of bloom, which only grow, and the versions of stations and plants.
pub async fn state(db: &mut Db, station: StationId) -> Result<String, sqlx::Error> {
    sqlx::query_scalar(
        "select concat_ws(' ', \
             (select string_agg(concat_ws(':', o.id, o.version, \
                     (select count(*) from weather_day d where d.programme_id = o.programme_id \
                         and d.station_id = o.id)), ',' order by o.id) \
                 from weather_station s join weather_station o \
                     on o.programme_id = s.programme_id and lower(o.site) = lower(s.site) \
                 where s.programme_id = current_programme() and s.id = $1), \
             (select count(*) from bloom_record where programme_id = current_programme()), \
             (select concat_ws(':', count(*), coalesce(sum(version), 0)) from germplasm \
                 where programme_id = current_programme()))",
    )
    .bind(station)
    .fetch_one(db)
    .await
}

/// Notes of bloom at a site, or without a site, by plant and day.
pub async fn bloom_notes(
    db: &mut Db,
    plants: &[PlantId],
    site: &str,
) -> Result<std::collections::HashMap<PlantId, Vec<Note>>, sqlx::Error> {
    let rows: Vec<(PlantId, Day, i16)> = sqlx::query_as(
        "select germplasm_id, on_day, stage from bloom_record \
         where programme_id = current_programme() and germplasm_id = any($1) \
             and (site = '' or lower(site) = lower($2)) \
         order by germplasm_id, on_day, stage",
    )
    .bind(plants)
    .bind(site)
    .fetch_all(db)
    .await?;
    let mut notes: std::collections::HashMap<PlantId, Vec<Note>> = std::collections::HashMap::new();
    for (plant, on, stage) in rows {
        let stage = u8::try_from(stage).unwrap_or_default();
        notes
            .entry(plant)
            .or_default()
            .push(Note { on: on.0, stage });
    }
    Ok(notes)
}

/// Plants with notes of bloom at a site, by id, from after an id.
pub async fn noted_plants(
    db: &mut Db,
    site: &str,
    after: Option<PlantId>,
    limit: i64,
) -> Result<Vec<PlantId>, sqlx::Error> {
    sqlx::query_scalar(
        "select distinct germplasm_id from bloom_record \
         where programme_id = current_programme() and (site = '' or lower(site) = lower($1)) \
             and ($2::uuid is null or germplasm_id > $2) \
         order by germplasm_id limit $3",
    )
    .bind(site)
    .bind(after)
    .bind(limit)
    .fetch_all(db)
    .await
}
