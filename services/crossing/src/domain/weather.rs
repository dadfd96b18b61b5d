//! Weather as it comes in: hours in a station's standard time, in the right unit, each once, and
//! what was corrected since.

use std::collections::{BTreeMap, HashMap};

use contract::common::SkippedRow;
use contract::crossing::WeatherReading;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};
use phenology::temperature::{Celsius, looks_fahrenheit};
use platform::Fields;
use platform::fault::FieldError;

platform::ids! {
    /// A weather station.
    StationId for StationKind,
}

platform::words! {
    /// By which clock hours are told.
    pub enum ReadingClock {
        /// Standard time all year.
        Standard = "standard",
        /// As clocks on the wall show.
        Local = "local",
    }
}

/// Where readings come from: CSV text and rows sent to the API are two such sources, and a further
/// one, as a network of stations, is added by saying how its readings are had.
pub trait ReadingSource {
    /// The readings of all rows, the first of which is row 0. A row that cannot be read carries what
    /// is wrong with it.
    ///
    /// # Errors
    /// What is wrong with the whole, and in which field of the request it lies.
    fn readings(self) -> Result<Readings, (&'static str, String)>;
}

/// What a source brings.
#[derive(Debug, Default)]
pub struct Readings {
    /// The readings with their rows, counted from 0, by which faults are told.
    pub rows: Vec<(u64, WeatherReading)>,
    /// Rows in which nothing was read.
    pub skipped: Vec<SkippedRow>,
}

/// Readings as they were sent.
impl ReadingSource for Vec<WeatherReading> {
    fn readings(self) -> Result<Readings, (&'static str, String)> {
        Ok(Readings {
            rows: (0..).zip(self).collect(),
            skipped: Vec::new(),
        })
    }
}

/// Temperatures nearer than this are one and the same.
const SAME_C: f64 = 1e-6;
/// Hours of a day.
pub const HOURS: usize = 24;

/// What is known of one day: each hour's temperature and the day's extremes, °C.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DayRecord {
    /// Temperatures at 0 to 23 o'clock.
    pub hours: [Option<f64>; HOURS],
    /// Lowest and highest.
    pub extremes: Option<(f64, f64)>,
}

/// What one entry says of a day; a NaN takes an hour or the extremes away.
pub type DayEntry = DayRecord;

/// The days of a station.
pub type Days = BTreeMap<Date, DayRecord>;

impl DayRecord {
    /// The day after a further entry.
    pub fn then(mut self, entry: &DayEntry) -> Self {
        for (hour, said) in self.hours.iter_mut().zip(&entry.hours) {
            if let Some(value) = said {
                *hour = Some(*value).filter(|value| !value.is_nan());
            }
        }
        if let Some((min, max)) = entry.extremes {
            self.extremes = Some((min, max)).filter(|_| !min.is_nan());
        }
        self
    }

    /// Whether nothing is known of it.
    pub fn is_empty(&self) -> bool {
        self.extremes.is_none() && self.hours.iter().all(Option::is_none)
    }
}

/// What a reading is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
enum Slot {
    Hour(Date, u8),
    Day(Date),
}

impl Slot {
    fn date(self) -> Date {
        match self {
            Self::Hour(date, _) | Self::Day(date) => date,
        }
    }
}

/// A value: one temperature, or two extremes; none when it is taken away.
type Value = Option<(f64, f64)>;

fn same(a: Value, b: Value) -> bool {
    match (a, b) {
        (None, None) => true,
        (Some(a), Some(b)) => (a.0 - b.0).abs() < SAME_C && (a.1 - b.1).abs() < SAME_C,
        _ => false,
    }
}

fn said(entry: &DayEntry, slot: Slot) -> Option<Value> {
    match slot {
        Slot::Hour(_, hour) => {
            entry.hours[usize::from(hour)].map(|v| (!v.is_nan()).then_some((v, v)))
        }
        Slot::Day(_) => entry
            .extremes
            .map(|(min, max)| (!min.is_nan()).then_some((min, max))),
    }
}

fn known(day: &DayRecord, slot: Slot) -> Value {
    said(day, slot).flatten()
}

fn shown(value: Value, slot: Slot) -> String {
    match (value, slot) {
        (None, _) => "nothing".to_owned(),
        (Some((value, _)), Slot::Hour(..)) => format!("{value:.2} °C"),
        (Some((min, max)), Slot::Day(_)) => format!("{min:.2} to {max:.2} °C"),
    }
}

/// A reading that was understood.
struct Read {
    slot: Slot,
    value: Value,
    correction: bool,
}

/// What a batch of readings comes to.
#[derive(Debug, Default)]
pub struct Taken {
    /// One entry for each day that something new is said of.
    pub entries: BTreeMap<Date, DayEntry>,
    /// Readings written.
    pub accepted_n: u64,
    /// Readings that had been sent before.
    pub duplicates_n: u64,
    /// Rows not taken.
    pub rejected: Vec<(u64, Vec<FieldError>)>,
    /// Rows taken that deserve a second look.
    pub doubtful: Vec<(u64, String)>,
}

/// Rows that were understood, before they are held against what is stored.
pub struct Batch {
    rows: Vec<(u64, Read)>,
    taken: Taken,
}

/// How a station tells hours.
pub struct StationTime {
    zone: TimeZone,
    standard: HashMap<i16, Offset>,
}

impl StationTime {
    /// Time in an IANA zone.
    ///
    /// # Errors
    /// When the zone is not known.
    pub fn new(zone: &str) -> Result<Self, jiff::Error> {
        Ok(Self {
            zone: TimeZone::get(zone)?,
            standard: HashMap::new(),
        })
    }

    /// The zone's standard offset in a year: the lesser of January's and July's, as clocks go
    /// forward in summer on either side of the equator.
    fn standard_offset(&mut self, year: i16) -> Offset {
        let zone = &self.zone;
        *self.standard.entry(year).or_insert_with(|| {
            let at = |month| {
                let first = jiff::civil::date(year, month, 1).at(12, 0, 0, 0);
                Offset::UTC
                    .to_timestamp(first)
                    .map_or(Offset::UTC, |at| zone.to_offset(at))
            };
            at(1).min(at(7))
        })
    }

    /// An instant in standard time.
    pub fn standard(&mut self, at: Timestamp) -> DateTime {
        let year = Offset::UTC.to_datetime(at).year();
        self.standard_offset(year).to_datetime(at)
    }
}

/// Looks at readings said to be °C for a series in °F.
///
/// # Errors
/// What makes it look so, and what to send.
pub fn ask_about_unit(rows: &[(u64, WeatherReading)], confirmed: bool) -> Result<(), String> {
    if confirmed {
        return Ok(());
    }
    let values = rows
        .iter()
        .flat_map(|(_, row)| [row.temperature_c, row.min_c, row.max_c])
        .flatten();
    match looks_fahrenheit(values) {
        None => Ok(()),
        Some(evidence) => Err(format!(
            "{evidence}; for °F send temperature_f, min_f and max_f, for °C send unit_confirmed"
        )),
    }
}

impl Batch {
    /// Reads rows, each with its number; `now` bounds what can have been read.
    pub fn read(
        rows: impl IntoIterator<Item = (u64, WeatherReading)>,
        clock: ReadingClock,
        time: &mut StationTime,
        now: Timestamp,
    ) -> Self {
        let mut batch = Self {
            rows: Vec::new(),
            taken: Taken::default(),
        };
        let latest = time.standard(now);
        let rows: Vec<(u64, WeatherReading)> = rows.into_iter().collect();
        let folds = repeated_hours(&rows, clock, &time.zone);
        let mut told: HashMap<DateTime, usize> = HashMap::new();
        for (index, row) in rows {
            let mut fields = Fields::new();
            let read = if row.malformed.is_empty() {
                read_row(&mut fields, &row, clock, time, &folds, &mut told, latest)
            } else {
                fields.absorb(row.malformed.iter().cloned().map(Into::into));
                None
            };
            match read {
                Some(read) if !fields.any() => batch.rows.push((index, read)),
                _ => batch.taken.rejected.push((index, fields.into_errors())),
            }
        }
        batch
    }

    /// The days that the rows are about: the first and the last.
    pub fn span(&self) -> Option<(Date, Date)> {
        let days = || self.rows.iter().map(|(_, read)| read.slot.date());
        Some((days().min()?, days().max()?))
    }

    /// Holds the rows against every entry stored of their days, in order of entry.
    pub fn against(mut self, stored: &BTreeMap<Date, Vec<DayEntry>>, time: &StationTime) -> Taken {
        let mut seen: HashMap<Slot, Value> = HashMap::new();
        let slots: std::collections::HashSet<Slot> =
            self.rows.iter().map(|(_, read)| read.slot).collect();
        for (index, read) in self.rows {
            let Read {
                slot,
                value,
                correction,
            } = read;
            if let Some(first) = seen.get(&slot) {
                if same(*first, value) {
                    self.taken.duplicates_n += 1;
                } else {
                    self.taken
                        .rejected
                        .push((index, vec![twice(slot, *first, value, time)]));
                }
                continue;
            }
            seen.insert(slot, value);
            let entries = stored.get(&slot.date()).map_or(&[][..], Vec::as_slice);
            let day = entries.iter().fold(DayRecord::default(), DayRecord::then);
            let now = known(&day, slot);
            let sent_before = entries
                .iter()
                .filter_map(|entry| said(entry, slot))
                .any(|v| same(v, value));
            if same(now, value) || (sent_before && !correction) {
                self.taken.duplicates_n += 1;
                continue;
            }
            if now.is_some() && !correction {
                self.taken.doubtful.push((
                    index,
                    format!("replaces {} by {}", shown(now, slot), shown(value, slot)),
                ));
            } else if let Some(note) = lost_hour(slot, &slots, entries, &time.zone) {
                self.taken.doubtful.push((index, note));
            }
            let entry = self.taken.entries.entry(slot.date()).or_default();
            let (low, high) = value.unwrap_or((f64::NAN, f64::NAN));
            match slot {
                Slot::Hour(_, hour) => entry.hours[usize::from(hour)] = Some(low),
                Slot::Day(_) => entry.extremes = Some((low, high)),
            }
            self.taken.accepted_n += 1;
        }
        self.taken.rejected.sort_by_key(|(index, _)| *index);
        self.taken
    }
}

fn twice(slot: Slot, first: Value, second: Value, time: &StationTime) -> FieldError {
    let (pointer, what, hint) = match slot {
        Slot::Hour(date, hour) => {
            let at = date.at(hour.cast_signed(), 0, 0, 0);
            let fold = matches!(
                time.zone.to_ambiguous_timestamp(at).offset(),
                AmbiguousOffset::Fold { .. }
            );
            let hint = if fold {
                "clocks go back in this hour: send clock local, or times with their offset"
            } else {
                "keep one of them"
            };
            ("/at", format!("hour {at}"), hint)
        }
        Slot::Day(date) => ("/date", format!("day {date}"), "keep one of them"),
    };
    FieldError::new(
        pointer,
        format!(
            "{what} is given twice, {} and {}; {hint}",
            shown(first, slot),
            shown(second, slot)
        ),
    )
}

/// Says so when the hour before one is missing just where clocks go forward.
fn lost_hour(
    slot: Slot,
    slots: &std::collections::HashSet<Slot>,
    entries: &[DayEntry],
    zone: &TimeZone,
) -> Option<String> {
    let Slot::Hour(date, hour) = slot else {
        return None;
    };
    let before = hour.checked_sub(1)?;
    let missing = |hour: u8| {
        !slots.contains(&Slot::Hour(date, hour))
            && !entries
                .iter()
                .any(|entry| entry.hours[usize::from(hour)].is_some())
    };
    if !missing(before) || hour.checked_sub(2).is_some_and(missing) {
        return None;
    }
    let at = date.at(before.cast_signed(), 0, 0, 0);
    matches!(zone.to_ambiguous_timestamp(at).offset(), AmbiguousOffset::Gap { .. }).then(|| {
        format!(
            "the hour before, {at}, is missing just where clocks go forward; if these are hours as clocks on the wall show, send clock local"
        )
    })
}

/// Hours of the wall that come twice as clocks go back, with how often they are told.
fn repeated_hours(
    rows: &[(u64, WeatherReading)],
    clock: ReadingClock,
    zone: &TimeZone,
) -> HashMap<DateTime, usize> {
    let mut folds = HashMap::new();
    if clock == ReadingClock::Local {
        for (_, row) in rows {
            if let Some(at) = wall(&row.at)
                && let AmbiguousOffset::Fold { .. } = zone.to_ambiguous_timestamp(at).offset()
            {
                *folds.entry(at).or_insert(0) += 1;
            }
        }
    }
    folds
}

/// A time without an offset.
fn wall(text: &str) -> Option<DateTime> {
    if text.parse::<Timestamp>().is_ok() {
        None
    } else {
        text.parse().ok()
    }
}

fn read_row(
    fields: &mut Fields,
    row: &WeatherReading,
    clock: ReadingClock,
    time: &mut StationTime,
    folds: &HashMap<DateTime, usize>,
    told: &mut HashMap<DateTime, usize>,
    latest: DateTime,
) -> Option<Read> {
    let correction = row.correction || row.withdrawn;
    match (row.at.is_empty(), row.date.is_empty()) {
        (true, true) => {
            fields.fault("at", "is required for an hour, or date for a day");
            None
        }
        (false, false) => {
            fields.fault("date", "give an hour (at) or a day (date), not both");
            None
        }
        (false, true) => {
            let at = hour_of(fields, &row.at, clock, time, folds, told);
            let value = temperature(
                fields,
                ("temperature_c", row.temperature_c),
                ("temperature_f", row.temperature_f),
                row.withdrawn,
            );
            for (field, given) in [
                ("min_c", row.min_c),
                ("max_c", row.max_c),
                ("min_f", row.min_f),
                ("max_f", row.max_f),
            ] {
                fields.require(given.is_none(), field, "belongs to a day, with date");
            }
            let at = at?;
            fields.require(
                at <= latest,
                "at",
                format!("{at} lies ahead of now, {latest:.0}"),
            );
            let hour = at.hour().unsigned_abs();
            let value = value.map(|celsius| (celsius, celsius));
            Some(Read {
                slot: Slot::Hour(at.date(), hour),
                value,
                correction,
            })
        }
        (true, false) => {
            let date = fields.date("date", &row.date);
            let min = temperature(
                fields,
                ("min_c", row.min_c),
                ("min_f", row.min_f),
                row.withdrawn,
            );
            let max = temperature(
                fields,
                ("max_c", row.max_c),
                ("max_f", row.max_f),
                row.withdrawn,
            );
            let value = min.zip(max);
            if let Some((min, max)) = value {
                fields.require(
                    min <= max,
                    "min_c",
                    format!(
                        "{min:.2} °C is above the highest, {max:.2} °C; they may be changed over"
                    ),
                );
            }
            let date = date?;
            fields.require(
                date <= latest.date(),
                "date",
                format!("{date} lies ahead of today, {}", latest.date()),
            );
            Some(Read {
                slot: Slot::Day(date),
                value,
                correction,
            })
        }
    }
}

fn hour_of(
    fields: &mut Fields,
    text: &str,
    clock: ReadingClock,
    time: &mut StationTime,
    folds: &HashMap<DateTime, usize>,
    told: &mut HashMap<DateTime, usize>,
) -> Option<DateTime> {
    let at = if let Ok(instant) = text.parse::<Timestamp>() {
        time.standard(instant)
    } else {
        let Some(at) = wall(text) else {
            fields.fault(
                "at",
                format!("{text:?} is not a time; write it as 2026-01-05T14:00"),
            );
            return None;
        };
        match clock {
            ReadingClock::Standard => at,
            ReadingClock::Local => on_the_wall(fields, at, time, folds, told)?,
        }
    };
    if at.minute() != 0 || at.second() != 0 || at.subsec_nanosecond() != 0 {
        fields.fault(
            "at",
            format!("{at} is not on a full hour of standard time; average the readings of each hour first"),
        );
        return None;
    }
    if !(1900..=2200).contains(&at.year()) {
        fields.fault(
            "at",
            format!("{at} is outside 1900 to 2200; check the year"),
        );
        return None;
    }
    Some(at)
}

fn on_the_wall(
    fields: &mut Fields,
    at: DateTime,
    time: &mut StationTime,
    folds: &HashMap<DateTime, usize>,
    told: &mut HashMap<DateTime, usize>,
) -> Option<DateTime> {
    let ambiguous = time.zone.to_ambiguous_timestamp(at);
    let offset = match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { offset } => offset,
        AmbiguousOffset::Gap { .. } => {
            fields.fault(
                "at",
                format!("{at} does not exist: clocks go forward over it"),
            );
            return None;
        }
        AmbiguousOffset::Fold { before, after } => {
            let nth = told.entry(at).or_insert(0);
            *nth += 1;
            if folds.get(&at).copied().unwrap_or(0) < 2 {
                fields.fault(
                    "at",
                    format!("{at} happened twice, as clocks went back; send both hours in order, or the time with its offset"),
                );
                return None;
            }
            if *nth == 1 { before } else { after }
        }
    };
    match offset.to_timestamp(at) {
        Ok(instant) => Some(time.standard(instant)),
        Err(error) => {
            fields.fault("at", error.to_string());
            None
        }
    }
}

/// A temperature in °C from whichever unit it is given in.
fn temperature(
    fields: &mut Fields,
    (in_c, celsius): (&str, Option<f64>),
    (in_f, fahrenheit): (&str, Option<f64>),
    withdrawn: bool,
) -> Option<f64> {
    let read = match (celsius, fahrenheit) {
        (None, None) => {
            fields.require(
                withdrawn,
                in_c,
                "is required, or leave the row out: a missing reading is a gap",
            );
            return None;
        }
        (Some(_), Some(_)) => {
            fields.fault(in_f, format!("give {in_c} or {in_f}, not both"));
            return None;
        }
        (Some(value), None) => (in_c, Celsius::new(value)),
        (None, Some(value)) => (in_f, Celsius::from_fahrenheit(value)),
    };
    fields.require(
        !withdrawn,
        read.0,
        "cannot be given for a reading that is withdrawn",
    );
    match read.1 {
        Ok(value) => Some(value.value_c()),
        Err(error) => {
            fields.fault(read.0, error.to_string());
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn hour(at: &str, celsius: f64) -> WeatherReading {
        WeatherReading {
            at: at.into(),
            temperature_c: Some(celsius),
            ..WeatherReading::default()
        }
    }

    fn paris() -> StationTime {
        StationTime::new("Europe/Paris").unwrap()
    }

    fn now() -> Timestamp {
        "2026-06-01T00:00:00Z".parse().unwrap()
    }

    fn take(
        rows: Vec<WeatherReading>,
        clock: ReadingClock,
        stored: &BTreeMap<Date, Vec<DayEntry>>,
    ) -> Taken {
        let mut time = paris();
        let rows = rows.into_iter().enumerate().map(|(i, row)| (i as u64, row));
        Batch::read(rows, clock, &mut time, now()).against(stored, &time)
    }

    #[test]
    fn the_repeated_hour_is_told_apart_by_its_order() {
        let rows = vec![
            hour("2025-10-26T01:00", 1.0),
            hour("2025-10-26T02:00", 2.0),
            hour("2025-10-26T02:00", 3.0),
            hour("2025-10-26T03:00", 4.0),
        ];
        let taken = take(rows.clone(), ReadingClock::Local, &BTreeMap::new());
        assert_eq!(
            (taken.accepted_n, taken.rejected.len()),
            (4, 0),
            "{taken:?}"
        );
        let day = taken.entries[&date(2025, 10, 26)];
        let first: Vec<_> = day.hours.iter().take(4).copied().flatten().collect();
        assert_eq!(
            first,
            [1.0, 2.0, 3.0, 4.0],
            "01:00 in summer is 00:00 standard time"
        );
        let standard = take(rows, ReadingClock::Standard, &BTreeMap::new());
        assert_eq!(standard.rejected.len(), 1);
        assert!(standard.rejected[0].1[0].message.contains("clocks go back"));
        let alone = take(
            vec![hour("2025-10-26T02:00", 2.0)],
            ReadingClock::Local,
            &BTreeMap::new(),
        );
        assert!(alone.rejected[0].1[0].message.contains("happened twice"));
    }

    #[test]
    fn the_lost_hour_is_told() {
        let rows = vec![hour("2026-03-29T01:00", 5.0), hour("2026-03-29T03:00", 6.0)];
        let taken = take(rows, ReadingClock::Standard, &BTreeMap::new());
        assert_eq!(taken.doubtful.len(), 1, "{taken:?}");
        let gone = take(
            vec![hour("2026-03-29T02:30", 5.0)],
            ReadingClock::Local,
            &BTreeMap::new(),
        );
        assert!(gone.rejected[0].1[0].message.contains("does not exist"));
    }

    #[test]
    fn offsets_are_brought_to_standard_time() {
        let taken = take(
            vec![hour("2026-05-01T14:00+02:00", 5.0)],
            ReadingClock::Standard,
            &BTreeMap::new(),
        );
        assert_eq!(taken.entries[&date(2026, 5, 1)].hours[13], Some(5.0));
    }

    #[test]
    fn a_correction_stands_against_a_late_repeat() {
        let day = date(2026, 1, 5);
        let say = |celsius: f64| {
            let mut entry = DayEntry::default();
            entry.hours[14] = Some(celsius);
            entry
        };
        let stored = BTreeMap::from([(day, vec![say(10.0), say(8.0)])]);
        let repeat = take(
            vec![hour("2026-01-05T14:00", 10.0)],
            ReadingClock::Standard,
            &stored,
        );
        assert_eq!((repeat.accepted_n, repeat.duplicates_n), (0, 1));
        let mut back = hour("2026-01-05T14:00", 10.0);
        back.correction = true;
        let back = take(vec![back], ReadingClock::Standard, &stored);
        assert_eq!((back.accepted_n, back.doubtful.len()), (1, 0));
        let other = take(
            vec![hour("2026-01-05T14:00", 9.0)],
            ReadingClock::Standard,
            &stored,
        );
        assert!(
            other.doubtful[0].1.contains("8.00 °C by 9.00 °C"),
            "{other:?}"
        );
        let gone = WeatherReading {
            at: "2026-01-05T14:00".into(),
            withdrawn: true,
            ..WeatherReading::default()
        };
        let gone = take(vec![gone], ReadingClock::Standard, &stored);
        let left = stored[&day]
            .iter()
            .chain([&gone.entries[&day]])
            .fold(DayRecord::default(), DayRecord::then);
        assert_eq!(left.hours[14], None);
    }

    proptest! {
        #[test]
        fn sending_again_changes_nothing(values in prop::collection::vec(-20.0f64..35.0, 1..60)) {
            let rows: Vec<_> = values
                .iter()
                .enumerate()
                .map(|(i, v)| hour(&format!("2026-01-{:02}T{:02}:00", 1 + i / 24, i % 24), *v))
                .collect();
            let first = take(rows.clone(), ReadingClock::Standard, &BTreeMap::new());
            prop_assert_eq!(first.accepted_n, values.len() as u64);
            let stored = first.entries.into_iter().map(|(day, entry)| (day, vec![entry])).collect();
            let again = take(rows, ReadingClock::Standard, &stored);
            prop_assert_eq!((again.accepted_n, again.duplicates_n), (0, values.len() as u64));
            prop_assert!(again.entries.is_empty());
        }
    }
}
