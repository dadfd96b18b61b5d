//! The out-cross doubt of a cross, from how each of its mothers was worked.

use compatibility::{CrossConditions, OutcrossDoubt, OutcrossRates, SelfCompatibility};
use jiff::civil::Date;

use super::ledger::days_between;

/// Insects kept out by a cover, by a house without one, and in an unknown place (from memory, low
/// confidence).
const KEPT_OUT_BY_COVER: f64 = 0.95;
const KEPT_OUT_BY_HOUSE: f64 = 0.5;
const KEPT_OUT_UNKNOWN: f64 = 0.2;
/// What insects seen on the flowers leave of that.
const LEFT_BY_INSECTS_SEEN: f64 = 0.5;
/// Share of late flowers that a round of stripping finds (from memory).
const FOUND_BY_STRIPPING: f64 = 0.9;
/// Days after the last pass from which stripping counts as taking off the late flowers.
const STRIPPING_COUNTS_AFTER_DAYS: i64 = 3;
/// Germination reckoned with when nothing is known of the pollen.
const USUAL_GERMINATION: f64 = 0.6;

/// A pass as far as it bears on doubt.
#[derive(Debug, Clone)]
pub struct Worked {
    /// The day.
    pub on: Date,
    /// Flowers pollinated.
    pub pollinated_n: u32,
    /// Open, unworked flowers that were not taken off in the pass.
    pub strays_left_n: u32,
    /// Germination of the pollen.
    pub germination: Option<f64>,
    /// Whether a cover was on, where known.
    pub covered: Option<bool>,
}

/// One mother's passes on a cross, and what was done to her.
#[derive(Debug, Clone, Default)]
pub struct MotherWork {
    /// Whether it is known which mother it was.
    pub known: bool,
    /// Passes by day.
    pub passes: Vec<Worked>,
    /// Days on which late flowers were taken off.
    pub stripped_on: Vec<Date>,
    /// Whether insects were seen during the passes.
    pub insects_seen: bool,
}

/// The probability that a seedling's pollen parent is not the one intended; none before any flower
/// was pollinated, and 0 where no pollen parent was intended.
pub fn of_cross(
    mothers: &[MotherWork],
    accepted_pollen: Option<f64>,
    self_compatible: SelfCompatibility,
    open_pollinated: bool,
) -> Option<f64> {
    let pollinated: u32 = mothers
        .iter()
        .flat_map(|mother| &mother.passes)
        .map(|pass| pass.pollinated_n)
        .sum();
    if open_pollinated {
        return (!mothers.is_empty()).then_some(0.0);
    }
    if pollinated == 0 {
        return None;
    }
    let rates = OutcrossRates::default();
    let (mut intended, mut unintended) = (0.0, 0.0);
    for mother in mothers {
        let conditions = conditions(mother, accepted_pollen, self_compatible, &rates)?;
        let seeds = conditions.seed_sources(&rates).ok()?;
        intended += seeds.intended_n;
        unintended += seeds.foreign_n + seeds.own_n + seeds.strays_n;
    }
    let all = intended + unintended;
    let doubt = if all > 0.0 { unintended / all } else { 1.0 };
    OutcrossDoubt::new(doubt.clamp(0.0, 1.0))
        .ok()
        .map(OutcrossDoubt::probability)
}

fn conditions(
    mother: &MotherWork,
    accepted_pollen: Option<f64>,
    self_compatible: SelfCompatibility,
    rates: &OutcrossRates,
) -> Option<CrossConditions> {
    let last = mother.passes.iter().map(|pass| pass.on).max()?;
    let pollinated: u32 = mother.passes.iter().map(|pass| pass.pollinated_n).sum();
    let weighted = |value: &dyn Fn(&Worked) -> f64| {
        let sum: f64 = mother
            .passes
            .iter()
            .map(|p| f64::from(p.pollinated_n.max(1)) * value(p))
            .sum();
        sum / mother
            .passes
            .iter()
            .map(|p| f64::from(p.pollinated_n.max(1)))
            .sum::<f64>()
    };
    let strays_left: u32 = mother
        .passes
        .iter()
        .filter(|pass| !mother.stripped_on.iter().any(|on| *on >= pass.on))
        .map(|pass| pass.strays_left_n)
        .sum();
    let stripped = mother
        .stripped_on
        .iter()
        .any(|on| days_between(last, *on) >= STRIPPING_COUNTS_AFTER_DAYS);
    let kept_out = weighted(&|pass| match pass.covered {
        Some(true) => KEPT_OUT_BY_COVER,
        Some(false) if mother.known => KEPT_OUT_BY_HOUSE,
        _ => KEPT_OUT_UNKNOWN,
    });
    Some(CrossConditions {
        pollinated_flowers_n: pollinated,
        stray_open_flowers_left_n: strays_left,
        late_flowers_stripped: if stripped { FOUND_BY_STRIPPING } else { 0.0 },
        insects_kept_out: if mother.insects_seen {
            kept_out * LEFT_BY_INSECTS_SEEN
        } else {
            kept_out
        },
        self_fertility: rates.self_fertility(self_compatible),
        pollen_viability: weighted(&|pass| pass.germination.unwrap_or(USUAL_GERMINATION)),
        accepted_pollen: accepted_pollen.unwrap_or(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn mother() -> MotherWork {
        MotherWork {
            known: true,
            passes: vec![Worked {
                on: date(2026, 2, 12),
                pollinated_n: 100,
                strays_left_n: 0,
                germination: Some(0.7),
                covered: Some(true),
            }],
            stripped_on: vec![date(2026, 2, 20)],
            insects_seen: false,
        }
    }

    fn doubt(mother: &MotherWork, accepted: f64) -> f64 {
        of_cross(
            std::slice::from_ref(mother),
            Some(accepted),
            SelfCompatibility::Yes,
            false,
        )
        .unwrap()
    }

    #[test]
    fn each_slip_raises_the_doubt() {
        let clean = doubt(&mother(), 1.0);
        assert!(clean < 0.05, "{clean}");
        let mut unstripped = mother();
        unstripped.stripped_on.clear();
        assert!(doubt(&unstripped, 1.0) > clean);
        let mut strays = unstripped.clone();
        strays.passes[0].strays_left_n = 20;
        assert!(doubt(&strays, 1.0) > doubt(&unstripped, 1.0));
        let mut dead = mother();
        dead.passes[0].germination = Some(0.01);
        assert!(doubt(&dead, 1.0) > clean);
        let mut open = mother();
        open.passes[0].covered = None;
        assert!(doubt(&open, 1.0) > clean);
    }

    #[test]
    fn incompatible_pollen_leaves_nothing_but_doubt() {
        assert!((doubt(&mother(), 0.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_is_doubted_before_a_pass() {
        assert_eq!(
            of_cross(&[], Some(1.0), SelfCompatibility::Yes, false),
            None
        );
    }
}
