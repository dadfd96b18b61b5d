//! A pollen lot's ledger: what may come next, and what the lot is worth on a day.
//!
//! Flowers are gathered on one morning and dry overnight, so a lot is dry on the next morning. A
//! vial stands over desiccant in the cold between uses and keeps like a refrigerator; a lot that
//! nobody recorded as dried is reckoned at room temperature.

use jiff::ToSpan as _;
use jiff::civil::Date;
use phenology::pollen::{
    ExpectedGermination, FlowerYield, GOOD_SHARE, GerminationTest, LotViability, PollenUse,
    PollenVerdict, Storage, ViabilityCurve,
};
use platform::Fields;
use platform::fields::Words as _;

platform::words! {
    /// What becomes of a pollen lot.
    pub enum PollenEventKind {
        /// Its anthers were found dry.
        Dried = "dried",
        /// It went into a place.
        Stored = "stored",
        /// It came out of a freezer.
        Thawed = "thawed",
        /// Its germination was counted.
        Tested = "tested",
        /// It was used.
        Used = "used",
        /// It was thrown away.
        Discarded = "discarded",
    }
}

platform::words! {
    /// Where dry pollen is kept.
    pub enum Place {
        /// A vial over desiccant, in daily use and in the cold between uses.
        Vial = "vial",
        /// A refrigerator at about 4 °C.
        Refrigerator = "refrigerator",
        /// A freezer at about -20 °C.
        Freezer = "freezer",
        /// A freezer at about -80 °C.
        DeepFreezer = "deep_freezer",
    }
}

impl Place {
    fn storage(self) -> Storage {
        match self {
            Self::Vial | Self::Refrigerator => Storage::Refrigerator,
            Self::Freezer => Storage::FreezerMinus20,
            Self::DeepFreezer => Storage::FreezerMinus80,
        }
    }

    /// Whether pollen in it is frozen.
    pub fn is_frozen(self) -> bool {
        matches!(self, Self::Freezer | Self::DeepFreezer)
    }
}

/// An entry in a ledger.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// What became of the lot.
    pub kind: PollenEventKind,
    /// On which day.
    pub on: Date,
    /// Where it went.
    pub place: Option<Place>,
    /// Grains germinated and counted.
    pub test: Option<GerminationTest>,
    /// Weight in (dried) or out.
    pub quantity_mg: Option<f64>,
    /// Flowers pollinated.
    pub flowers_n: i32,
}

/// A pollen lot with its ledger, entries by day and order of recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Lot {
    /// The day of gathering.
    pub gathered_on: Date,
    /// Flowers gathered.
    pub flowers_n: i32,
    /// What became of it.
    pub entries: Vec<Entry>,
}

/// A lot as it stands on a day.
#[derive(Debug, Clone, PartialEq)]
pub struct LotState {
    /// Where it is; none while it dries.
    pub place: Option<Place>,
    /// Whether it was recorded as dry.
    pub dried: bool,
    /// Whether it had been thrown away.
    pub discarded: bool,
    /// Germination expected.
    pub germination: ExpectedGermination,
    /// Flowers pollinated with it until then.
    pub flowers_pollinated_n: u32,
    /// Flowers that it can still serve.
    pub serves_flowers_n: u32,
    /// Weight left, for a lot that was weighed.
    pub left_mg: Option<f64>,
    /// Whether it can be used.
    pub usable: bool,
    /// When it is no longer expected to be good where it is.
    pub discard_due_on: Option<Date>,
}

impl LotState {
    /// The word for where it is.
    pub fn place_word(&self) -> &'static str {
        match (self.discarded, self.place) {
            (true, _) => "discarded",
            (false, Some(place)) => place.word(),
            (false, None) => "drying",
        }
    }
}

/// Weights that differ by less than this are one weight.
const SLACK_MG: f64 = 1e-6;

fn day_after(day: Date, days: i64) -> Date {
    day.checked_add(days.days()).unwrap_or(Date::MAX)
}

/// Whole days from one date to another, negative backwards.
pub fn days_between(from: Date, to: Date) -> i64 {
    from.until(to).map_or(0, |span| i64::from(span.get_days()))
}

impl Lot {
    /// The day on which it was recorded as dry.
    pub fn dried_on(&self) -> Option<Date> {
        self.entry_of(PollenEventKind::Dried)
    }

    /// The day on which it was thrown away.
    pub fn discarded_on(&self) -> Option<Date> {
        self.entry_of(PollenEventKind::Discarded)
    }

    /// The morning on which it is dry, or the day on which it was found so.
    pub fn dry_on(&self) -> Date {
        self.dried_on()
            .unwrap_or_else(|| day_after(self.gathered_on, 1))
    }

    fn entry_of(&self, kind: PollenEventKind) -> Option<Date> {
        self.entries
            .iter()
            .find(|entry| entry.kind == kind)
            .map(|entry| entry.on)
    }

    fn weighed_mg(&self) -> Option<f64> {
        self.entries
            .iter()
            .find(|entry| entry.kind == PollenEventKind::Dried)
            .and_then(|entry| entry.quantity_mg)
    }

    fn left_mg(&self, until: Date) -> Option<f64> {
        let taken: f64 = self
            .entries
            .iter()
            .filter(|entry| entry.kind != PollenEventKind::Dried && entry.on <= until)
            .filter_map(|entry| entry.quantity_mg)
            .sum();
        self.weighed_mg().map(|weighed| (weighed - taken).max(0.0))
    }

    /// The lot as it stands at the end of a day.
    pub fn on(&self, day: Date) -> LotState {
        let mut viability = LotViability::fresh(ViabilityCurve::default());
        let mut since = self.dry_on();
        let mut place: Option<Place> = None;
        let mut storage = Storage::Room;
        let mut pollinated = 0i64;
        for entry in self.entries.iter().filter(|entry| entry.on <= day) {
            viability = viability.kept(storage, days_between(since, entry.on) as f64);
            since = since.max(entry.on);
            match entry.kind {
                PollenEventKind::Dried | PollenEventKind::Stored | PollenEventKind::Thawed => {
                    place = Some(entry.place.unwrap_or(Place::Vial));
                    storage = place.map_or(Storage::Room, Place::storage);
                }
                PollenEventKind::Tested => {
                    if let Some(test) = entry.test {
                        viability = viability.tested(test);
                    }
                }
                PollenEventKind::Used => pollinated += i64::from(entry.flowers_n),
                PollenEventKind::Discarded => {}
            }
        }
        viability = viability.kept(storage, days_between(since, day) as f64);
        let germination = viability.expected();
        let discarded = self.discarded_on().is_some_and(|on| on <= day);
        let dried = self.dried_on().is_some_and(|on| on <= day);
        let left_mg = self.left_mg(day);
        let yields = FlowerYield::default();
        let uses = PollenUse::default();
        let serves_in_all = f64::from(self.flowers_n)
            * yields.anthers_per_flower_n
            * yields.grains_per_anther_n
            * yields.recovered_share
            * germination.share
            / (uses.living_grains_per_flower_n * (1.0 + uses.reserve_share));
        let used_up = left_mg.is_some_and(|left| left < SLACK_MG);
        let serves = if discarded || used_up {
            0.0
        } else {
            (serves_in_all - pollinated as f64).max(0.0)
        };
        let days_left = viability.days_until(GOOD_SHARE, storage).floor() as i64;
        LotState {
            place,
            dried,
            discarded,
            usable: dried && !discarded && !used_up && germination.verdict != PollenVerdict::Dead,
            germination,
            flowers_pollinated_n: u32::try_from(pollinated).unwrap_or(0),
            serves_flowers_n: serves as u32,
            left_mg,
            discard_due_on: (!discarded).then(|| day_after(day.max(self.dry_on()), days_left)),
        }
    }

    /// Checks an entry that is to come next.
    pub fn check_next(&self, fields: &mut Fields, next: &Entry) {
        use PollenEventKind as K;
        if let Some(on) = self.discarded_on() {
            fields.fault(
                "kind",
                format!("the lot was discarded on {on}; nothing can follow"),
            );
            return;
        }
        if next.on < self.gathered_on {
            fields.fault(
                "on",
                format!(
                    "{} is before the lot was gathered, on {}",
                    next.on, self.gathered_on
                ),
            );
            return;
        }
        // Use is told by passes that may come back late; all else follows in order.
        if next.kind != K::Used
            && let Some(last) = self.entries.iter().map(|entry| entry.on).max()
            && next.on < last
        {
            fields.fault(
                "on",
                format!(
                    "{} is before the entry of {last}; entries follow each other",
                    next.on
                ),
            );
        }
        match (next.kind, self.dried_on()) {
            (K::Dried, Some(on)) => {
                fields.fault(
                    "kind",
                    format!("the lot was recorded as dry on {on} already"),
                );
            }
            (K::Dried, None) => fields.require(
                next.on > self.gathered_on,
                "on",
                format!(
                    "pollen gathered on {} is dry on the morning after, {}, at the earliest",
                    self.gathered_on,
                    day_after(self.gathered_on, 1)
                ),
            ),
            (K::Stored | K::Thawed | K::Tested | K::Used, None) => fields.fault(
                "kind",
                format!(
                    "the lot was not recorded as dry yet; record it as dried before {}",
                    next.kind
                ),
            ),
            (K::Stored | K::Thawed | K::Tested | K::Used, Some(on)) if next.on < on => {
                fields.fault(
                    "on",
                    format!("{} is before the lot was dry, on {on}", next.on),
                );
            }
            _ => {}
        }
        let now = self.on(next.on);
        match next.kind {
            K::Stored if next.place.is_none() => fields.fault(
                "place",
                format!("is required to store pollen; one of {}", Place::listed()),
            ),
            K::Thawed if !now.place.is_some_and(Place::is_frozen) => fields.fault(
                "kind",
                format!(
                    "the lot is in the {}, not in a freezer, and cannot be thawed",
                    now.place_word()
                ),
            ),
            K::Thawed if next.place.is_some_and(Place::is_frozen) => {
                fields.fault("place", "thawed pollen goes to a vial or a refrigerator");
            }
            K::Tested if next.test.is_none() => fields.fault(
                "tested_n",
                "a test needs the grains counted and, of them, the grains germinated",
            ),
            _ => {}
        }
        if let Some(quantity_mg) = next.quantity_mg {
            if !quantity_mg.is_finite() || quantity_mg <= 0.0 || quantity_mg > 1e6 {
                fields.fault(
                    "quantity_mg",
                    format!("{quantity_mg} is not a weight above 0"),
                );
            } else if next.kind != K::Dried {
                match self.left_mg(Date::MAX) {
                    None => fields.fault(
                        "quantity_mg",
                        "the lot was never weighed; give the weight when it is recorded as dried",
                    ),
                    Some(left) if quantity_mg > left + SLACK_MG => fields.fault(
                        "quantity_mg",
                        format!("{quantity_mg} mg is more than the {left} mg that are left"),
                    ),
                    Some(_) => {}
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn entry(kind: PollenEventKind, on: Date, place: Option<Place>) -> Entry {
        Entry {
            kind,
            on,
            place,
            test: None,
            quantity_mg: None,
            flowers_n: 0,
        }
    }

    fn lot(entries: Vec<Entry>) -> Lot {
        Lot {
            gathered_on: date(2026, 2, 10),
            flowers_n: 100,
            entries,
        }
    }

    fn faults(lot: &Lot, next: &Entry) -> Vec<String> {
        let mut fields = Fields::new();
        lot.check_next(&mut fields, next);
        fields
            .into_errors()
            .into_iter()
            .map(|error| error.pointer)
            .collect()
    }

    #[test]
    fn a_vial_serves_the_season_and_a_freezer_about_a_year() {
        let dried = entry(PollenEventKind::Dried, date(2026, 2, 11), Some(Place::Vial));
        let vial = lot(vec![dried.clone()]).on(date(2026, 4, 1));
        assert!(vial.usable && vial.germination.verdict == PollenVerdict::Good);
        let due = vial.discard_due_on.unwrap();
        assert!(
            (date(2026, 4, 15)..date(2026, 6, 1)).contains(&due),
            "{due}"
        );
        let frozen = lot(vec![
            dried,
            entry(
                PollenEventKind::Stored,
                date(2026, 2, 12),
                Some(Place::Freezer),
            ),
        ]);
        let next_season = frozen.on(date(2027, 2, 10));
        assert!(next_season.usable && next_season.germination.verdict == PollenVerdict::Good);
        let due = next_season.discard_due_on.unwrap();
        assert!((date(2027, 3, 1)..date(2027, 9, 1)).contains(&due), "{due}");
    }

    #[test]
    fn pollen_is_not_dry_on_the_day_it_was_gathered() {
        let fresh = lot(vec![]);
        assert_eq!(
            faults(
                &fresh,
                &entry(PollenEventKind::Dried, date(2026, 2, 10), None)
            ),
            ["/on"]
        );
        assert!(
            faults(
                &fresh,
                &entry(PollenEventKind::Dried, date(2026, 2, 11), None)
            )
            .is_empty()
        );
        assert!(!fresh.on(date(2026, 2, 11)).usable);
    }

    #[test]
    fn entries_follow_each_other() {
        let dried = lot(vec![entry(PollenEventKind::Dried, date(2026, 2, 12), None)]);
        let early = entry(
            PollenEventKind::Stored,
            date(2026, 2, 11),
            Some(Place::Freezer),
        );
        assert_eq!(faults(&dried, &early), ["/on", "/on"]);
        let thaw = entry(PollenEventKind::Thawed, date(2026, 2, 13), None);
        assert_eq!(faults(&dried, &thaw), ["/kind"]);
        let gone = lot(vec![entry(
            PollenEventKind::Discarded,
            date(2026, 2, 12),
            None,
        )]);
        assert_eq!(faults(&gone, &thaw), ["/kind"]);
    }

    #[test]
    fn no_more_can_be_taken_than_was_weighed() {
        let mut dried = entry(PollenEventKind::Dried, date(2026, 2, 11), None);
        dried.quantity_mg = Some(20.0);
        let mut used = entry(PollenEventKind::Used, date(2026, 2, 12), None);
        used.quantity_mg = Some(15.0);
        let weighed = lot(vec![dried, used.clone()]);
        assert_eq!(weighed.on(date(2026, 2, 12)).left_mg, Some(5.0));
        used.quantity_mg = Some(6.0);
        assert_eq!(faults(&weighed, &used), ["/quantity_mg"]);
        used.quantity_mg = Some(5.0);
        assert!(faults(&weighed, &used).is_empty());
    }

    #[test]
    fn own_tests_override_the_curve() {
        let mut tested = entry(PollenEventKind::Tested, date(2026, 2, 12), None);
        tested.test = Some(GerminationTest::new(2, 200).unwrap());
        let poor = lot(vec![
            entry(PollenEventKind::Dried, date(2026, 2, 11), None),
            tested,
        ]);
        let state = poor.on(date(2026, 2, 13));
        assert_eq!(state.germination.verdict, PollenVerdict::Dead);
        assert!(!state.usable);
    }
}
