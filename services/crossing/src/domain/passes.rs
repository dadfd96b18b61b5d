//! A pass: what is refused as impossible, and what is recorded with a warning.

use compatibility::SelfCompatibility;
use contract::crossing::CrossWarning;
use jiff::civil::Date;
use phenology::pollen::{PollenVerdict, late_pollination};
use platform::Fields;

use super::ledger::{Lot, LotState};
use super::warnings::{WarningCode, warning};

/// Most flowers that one pass can hold.
pub const MOST_FLOWERS: u32 = 50_000;

/// What was counted on a pass.
#[derive(Debug, Clone)]
pub struct Counted {
    /// The day.
    pub on: Date,
    /// Flowers emasculated.
    pub emasculated_n: u32,
    /// Flowers pollinated.
    pub pollinated_n: u32,
    /// Emasculated flowers found unfit.
    pub unfit_n: u32,
    /// Flowers found open and unworked.
    pub stray_n: u32,
    /// Of these, taken off.
    pub stray_stripped_n: u32,
    /// Days since the pollinated flowers opened or were emasculated.
    pub days_since_opening: Option<f64>,
    /// Pollen taken.
    pub pollen_mg: Option<f64>,
    /// Why counts do not fit.
    pub reason: String,
}

/// Flowers of the cross's other passes, in all and up to the day.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tally {
    /// Emasculated.
    pub emasculated_n: i64,
    /// Pollinated.
    pub pollinated_n: i64,
    /// Unfit.
    pub unfit_n: i64,
}

/// The mother as she stood on the day.
#[derive(Debug, Clone, Default)]
pub struct MotherOnDay {
    /// Whether she was covered.
    pub covered: bool,
    /// Whether insects were seen on her in the week before.
    pub insects_seen: bool,
    /// Strays left on her by earlier passes and not taken off since.
    pub strays_before_n: i64,
}

/// What a pass is judged by.
#[derive(Debug)]
pub struct Facts<'a> {
    /// Whether the pollen parent is left to the bees.
    pub open_pollinated: bool,
    /// Whether the mother sets with her own pollen.
    pub self_compatible: SelfCompatibility,
    /// Share of the pollen that the mother accepts, when predicted.
    pub accepted_pollen: Option<f64>,
    /// First and last day of the season.
    pub season: (Date, Date),
    /// Day of the first picking.
    pub first_harvest_on: Option<Date>,
    /// Flowers of the other passes up to the day.
    pub until: Tally,
    /// Flowers of all other passes.
    pub in_all: Tally,
    /// The pollen lot.
    pub lot: Option<&'a Lot>,
    /// The mother, when named.
    pub mother: Option<&'a MotherOnDay>,
    /// What was said of a cover where none is recorded.
    pub covered: Option<bool>,
}

impl Facts<'_> {
    /// Whether a cover was on, where anything is known of it.
    pub fn covered(&self) -> Option<bool> {
        match (self.mother, self.covered) {
            (Some(mother), _) if mother.covered => Some(true),
            (_, Some(said)) => Some(said),
            (Some(_), None) => Some(false),
            (None, None) => None,
        }
    }

    /// Checks for what cannot be.
    pub fn check(&self, fields: &mut Fields, pass: &Counted) {
        for (field, value) in [
            ("flowers_emasculated_n", pass.emasculated_n),
            ("flowers_pollinated_n", pass.pollinated_n),
            ("stray_open_flowers_n", pass.stray_n),
            ("unfit_n", pass.unfit_n),
        ] {
            fields.require(
                value <= MOST_FLOWERS,
                field,
                format!("{value} flowers cannot be worked in one pass; at most {MOST_FLOWERS}"),
            );
        }
        fields.require(
            pass.stray_stripped_n <= pass.stray_n,
            "stray_stripped_n",
            format!(
                "{} of {} stray flowers cannot be taken off",
                pass.stray_stripped_n, pass.stray_n
            ),
        );
        if let Some(days) = pass.days_since_opening {
            fields.number("days_since_opening", days, 0.0, 30.0);
        }
        if let Some(first) = self.first_harvest_on
            && pass.on >= first
        {
            fields.fault(
                "on",
                format!(
                    "{} is not before the first harvest of this cross, on {first}",
                    pass.on
                ),
            );
        }
        self.check_flowers(fields, pass);
        self.check_pollen(fields, pass);
    }

    fn check_flowers(&self, fields: &mut Fields, pass: &Counted) {
        if self.open_pollinated || !pass.reason.trim().is_empty() {
            return;
        }
        let lacking = |other: Tally| {
            let ready = other.emasculated_n + i64::from(pass.emasculated_n)
                - other.unfit_n
                - i64::from(pass.unfit_n);
            let pollinated = other.pollinated_n + i64::from(pass.pollinated_n);
            (pollinated > ready).then_some((pollinated, ready))
        };
        if let Some((pollinated, ready)) = lacking(self.until).or_else(|| lacking(self.in_all)) {
            let field = if pass.pollinated_n > 0 {
                "flowers_pollinated_n"
            } else {
                "unfit_n"
            };
            fields.fault(
                field,
                format!(
                    "with this, {pollinated} flowers are pollinated of {ready} that were emasculated and fit; record the emasculation, or give a reason"
                ),
            );
        }
    }

    fn check_pollen(&self, fields: &mut Fields, pass: &Counted) {
        let Some(lot) = self.lot else {
            if pass.pollinated_n > 0 && !self.open_pollinated {
                fields.fault("pollen_lot_id", "is required where flowers were pollinated");
            }
            return;
        };
        if pass.on < lot.gathered_on {
            fields.fault(
                "on",
                format!(
                    "{} is before the pollen was gathered, on {}",
                    pass.on, lot.gathered_on
                ),
            );
        } else if let Some(dried) = lot.dried_on()
            && pass.on < dried
        {
            fields.fault(
                "on",
                format!("{} is before the pollen was dry, on {dried}", pass.on),
            );
        }
        if let Some(discarded) = lot.discarded_on()
            && pass.on > discarded
        {
            fields.fault(
                "pollen_lot_id",
                format!("this lot was discarded on {discarded}; take another"),
            );
        }
        if let Some(pollen_mg) = pass.pollen_mg {
            let left = lot.on(Date::MAX).left_mg;
            if !pollen_mg.is_finite() || pollen_mg <= 0.0 {
                fields.fault("pollen_mg", format!("{pollen_mg} is not a weight above 0"));
            } else if left.is_none() {
                fields.fault(
                    "pollen_mg",
                    "the lot was never weighed; give the weight when it is recorded as dried",
                );
            } else if let Some(left) = left
                && pollen_mg > left + 1e-6
            {
                fields.fault(
                    "pollen_mg",
                    format!("{pollen_mg} mg is more than the {left} mg that are left"),
                );
            }
        }
    }

    /// What stays on the cross and on its seedlings.
    pub fn warnings(&self, pass: &Counted, pollen: Option<&LotState>) -> Vec<CrossWarning> {
        let mut found = Vec::new();
        let mut warn = |code, message: String| found.push(warning(code, message));
        let on = pass.on;
        if pass.pollinated_n > 0 {
            if let Some(state) = pollen {
                let percent = state.germination.share * 100.0;
                if !state.dried {
                    warn(
                        WarningCode::NotDry,
                        format!("{on}: nobody recorded that this pollen was dry"),
                    );
                }
                match state.germination.verdict {
                    PollenVerdict::Dead => warn(
                        WarningCode::DeadPollen,
                        format!(
                            "{on}: about {percent:.0} % of this pollen is expected to germinate; it is as good as dead"
                        ),
                    ),
                    PollenVerdict::Doubtful => warn(
                        WarningCode::StalePollen,
                        format!(
                            "{on}: about {percent:.0} % of this pollen is expected to germinate; test it or take fresher"
                        ),
                    ),
                    PollenVerdict::Good => {}
                }
                if pass.pollinated_n > state.serves_flowers_n
                    && state.germination.verdict != PollenVerdict::Dead
                {
                    warn(
                        WarningCode::LotOverdrawn,
                        format!(
                            "{on}: {} flowers were pollinated with a lot that was expected to serve {} more",
                            pass.pollinated_n, state.serves_flowers_n
                        ),
                    );
                }
            }
            if self.accepted_pollen == Some(0.0) && !self.open_pollinated {
                warn(
                    WarningCode::Incompatible,
                    format!(
                        "{on}: the mother rejects all of this pollen; fruit will be of stray pollen"
                    ),
                );
            }
            let sets_alone = matches!(
                self.self_compatible,
                SelfCompatibility::Yes | SelfCompatibility::Expected
            );
            if sets_alone && self.covered() != Some(true) && !self.open_pollinated {
                warn(
                    WarningCode::UncoveredSelfFertile,
                    format!(
                        "{on}: the mother sets with her own pollen and no cover is recorded on her"
                    ),
                );
            }
            if let Some(late) = pass.days_since_opening.and_then(late_pollination) {
                warn(WarningCode::LatePollination, format!("{on}: {late}"));
            }
        }
        let strays_left = pass.stray_n.saturating_sub(pass.stray_stripped_n);
        if strays_left > 0 {
            warn(
                WarningCode::StraysLeft,
                format!(
                    "{on}: {strays_left} open, unworked flowers stayed on the mother; strip them"
                ),
            );
        }
        if let Some(mother) = self.mother {
            if mother.strays_before_n > 0 {
                warn(
                    WarningCode::NotStripped,
                    format!(
                        "{on}: {} stray flowers of earlier passes were never taken off this mother",
                        mother.strays_before_n
                    ),
                );
            }
            if mother.insects_seen {
                warn(
                    WarningCode::InsectsSeen,
                    format!("{on}: insects were seen on this mother's flowers in the week before"),
                );
            }
        }
        if on < self.season.0 || on > self.season.1 {
            warn(
                WarningCode::OutOfSeason,
                format!(
                    "{on} is outside the season, {} to {}",
                    self.season.0, self.season.1
                ),
            );
        }
        if !pass.reason.trim().is_empty() {
            warn(
                WarningCode::CountExplained,
                format!("{on}: {}", pass.reason.trim()),
            );
        }
        found
    }
}
