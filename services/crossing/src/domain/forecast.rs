//! What notes of bloom and published ranges give a forecast to start from.

use compatibility::{Species as PrunusSpecies, Taxon};
use jiff::ToSpan as _;
use jiff::civil::Date;
use phenology::daylength::Latitude;
use phenology::requirement::{BloomDates, BloomStage, ByStage, RequirementPrior, Species};

use super::windows::Note;

/// Notes this many days apart at most are bridged by a straight line of stages.
const BRIDGED_DAYS: f64 = 7.0;

/// The dates on which a plant reached BBCH 59, 65 and 69 by its notes of one season: the first note
/// of the stage itself, or between a note before and one after that lie close together.
pub fn dates_seen(notes: &[Note]) -> BloomDates {
    ByStage::from_fn(|stage| {
        let code = stage.bbch();
        if let Some(on) = notes.iter().filter(|n| n.stage == code).map(|n| n.on).min() {
            return Some(on);
        }
        let before = notes
            .iter()
            .filter(|n| n.stage < code)
            .max_by_key(|n| (n.stage, n.on))?;
        let after = notes
            .iter()
            .filter(|n| n.stage > code)
            .min_by_key(|n| (n.stage, n.on))?;
        let days = after.on.duration_since(before.on).as_secs_f64() / 86_400.0;
        if !(0.0..=BRIDGED_DAYS).contains(&days) {
            return None;
        }
        let part = f64::from(code - before.stage) / f64::from(after.stage - before.stage);
        before
            .on
            .checked_add(((part * days).round() as i64).days())
            .ok()
    })
}

/// The latest stage seen, with its day.
pub fn latest_seen(seen: &BloomDates) -> Option<(BloomStage, Date)> {
    BloomStage::ALL
        .into_iter()
        .rev()
        .find_map(|stage| seen.get(stage).map(|on| (stage, on)))
}

/// The season, by the year of its bloom, that a day belongs to.
pub fn season_of(day: Date, latitude: Latitude) -> i16 {
    if latitude.degrees() >= 0.0 && day.month() >= 10 {
        day.year() + 1
    } else {
        day.year()
    }
}

/// The published range that a plant's requirement starts from, and what is to be said of it.
pub fn prior(species: &str, nectarine: bool) -> (RequirementPrior, Option<String>) {
    let all = species
        .parse::<Taxon>()
        .map(|taxon| taxon.all_species())
        .unwrap_or_default();
    let published = |species: PrunusSpecies| match species {
        PrunusSpecies::Persica if nectarine => Some(Species::Nectarine),
        PrunusSpecies::Persica => Some(Species::Peach),
        PrunusSpecies::Armeniaca => Some(Species::Apricot),
        PrunusSpecies::Avium => Some(Species::SweetCherry),
        PrunusSpecies::Salicina => Some(Species::JapanesePlum),
        PrunusSpecies::Domestica => Some(Species::EuropeanPlum),
        _ => None,
    };
    let near = |species: PrunusSpecies| match species {
        PrunusSpecies::Dulcis | PrunusSpecies::Davidiana => Species::Peach,
        PrunusSpecies::Mume => Species::Apricot,
        PrunusSpecies::Cerasifera => Species::JapanesePlum,
        PrunusSpecies::Spinosa | PrunusSpecies::Insititia => Species::EuropeanPlum,
        _ => Species::SweetCherry,
    };
    let known: Vec<Species> = all.iter().copied().filter_map(published).collect();
    match (known.as_slice(), all.as_slice()) {
        ([only], [_]) => (RequirementPrior::of(*only), None),
        ([first, ..], _) => (
            RequirementPrior::of(*first),
            Some(format!(
                "no published range of {species}; it starts from that of one parent species"
            )),
        ),
        ([], [first, ..]) => (
            RequirementPrior::of(near(*first)),
            Some(format!(
                "no published range of {species}; it starts from that of a near species"
            )),
        ),
        ([], []) => (RequirementPrior::of(Species::Peach), None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn note(on: Date, stage: u8) -> Note {
        Note { on, stage }
    }

    #[test]
    fn stages_between_close_notes_are_bridged() {
        let notes = [
            note(date(2026, 2, 10), 57),
            note(date(2026, 2, 14), 61),
            note(date(2026, 2, 18), 65),
            note(date(2026, 3, 20), 71),
        ];
        let seen = dates_seen(&notes);
        assert_eq!(seen.balloon, Some(date(2026, 2, 12)));
        assert_eq!(seen.full_bloom, Some(date(2026, 2, 18)));
        assert_eq!(seen.end_of_bloom, None, "a month apart says nothing");
        assert_eq!(
            latest_seen(&seen),
            Some((BloomStage::FullBloom, date(2026, 2, 18)))
        );
    }

    #[test]
    fn hybrids_start_from_a_parent_and_say_so() {
        assert!(prior("Prunus persica", false).1.is_none());
        let (range, note) = prior("P. salicina × P. armeniaca", false);
        assert_eq!(range, RequirementPrior::of(Species::JapanesePlum));
        assert!(note.is_some());
        assert!(
            prior("Prunus cerasus", false)
                .1
                .unwrap()
                .contains("near species")
        );
    }

    #[test]
    fn a_december_bloom_belongs_to_the_next_year_in_the_north() {
        let north = Latitude::new(36.0).unwrap();
        let south = Latitude::new(-34.0).unwrap();
        assert_eq!(season_of(date(2025, 12, 20), north), 2026);
        assert_eq!(season_of(date(2026, 9, 1), south), 2026);
    }
}
