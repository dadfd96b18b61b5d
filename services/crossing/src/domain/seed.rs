//! Steps of seed, and the balance of what is left at each.

use std::collections::BTreeMap;

use compatibility::{Species, Taxon};

platform::words! {
    /// A step on the way from stone to seedling.
    pub enum SeedStep {
        /// Taken out of the stones.
        Extracted = "extracted",
        /// Laid into the cold.
        Stratified = "stratified",
        /// Embryos laid onto a medium, where fruit ripens before its seed.
        Rescued = "rescued",
        /// Germinated.
        Germinated = "germinated",
        /// Lost, for a cause.
        Lost = "lost",
    }
}

platform::words! {
    /// Why seed was lost.
    pub enum LossCause {
        /// No kernel, or a shrivelled one.
        Empty = "empty",
        /// Mould.
        Mould = "mould",
        /// It never germinated.
        NotGerminated = "not_germinated",
        /// The seedling rotted at the neck.
        DampingOff = "damping_off",
        /// Mice, insects and the like.
        Pests = "pests",
        /// Dropped, dried out, mixed up.
        Mishap = "mishap",
        /// Anything else.
        Other = "other",
    }
}

/// What must be minded when embryos are rescued.
pub const RESCUE_CAUTION: &str = "embryo rescue is work for a trained person in a laboratory: follow its protocol and its rules on sterilants, media and growth regulators";

impl SeedStep {
    /// Whether seed that took this step together is kept together, as a lot or a batch.
    pub fn keeps_together(self) -> bool {
        matches!(self, Self::Extracted | Self::Stratified | Self::Rescued)
    }

    /// The stages that this step may take seed from, the usual one first.
    pub fn sources(self, cause: Option<LossCause>) -> &'static [Self] {
        match (self, cause) {
            (Self::Extracted, _) => &[],
            (Self::Stratified, _) => &[Self::Extracted],
            (Self::Rescued, _) => &[Self::Extracted, Self::Stratified],
            (Self::Germinated, _) => &[Self::Stratified, Self::Rescued, Self::Extracted],
            (Self::Lost, Some(LossCause::NotGerminated)) => {
                &[Self::Stratified, Self::Rescued, Self::Extracted]
            }
            (Self::Lost, Some(LossCause::DampingOff)) => &[
                Self::Germinated,
                Self::Stratified,
                Self::Rescued,
                Self::Extracted,
            ],
            (Self::Lost, _) => &[
                Self::Stratified,
                Self::Rescued,
                Self::Extracted,
                Self::Germinated,
            ],
        }
    }
}

/// Seed at one stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Stage {
    /// Took the step.
    pub into_n: i64,
    /// Was more than was there before.
    pub found_n: i64,
    /// Went on, was planted or was lost.
    pub out_n: i64,
    /// Of these, was lost.
    pub lost_n: i64,
}

impl Stage {
    /// What is left; below 0 where entries do not reconcile.
    pub fn left_n(&self) -> i64 {
        self.into_n + self.found_n - self.out_n
    }
}

/// A cross's seed by stage.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Balance(pub BTreeMap<SeedStep, Stage>);

/// What a step takes out of a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    /// The stage.
    pub from: SeedStep,
    /// Seed left there.
    pub left_n: u32,
    /// How much more is taken than is left.
    pub short_n: u32,
}

impl Balance {
    /// What is left at a stage.
    pub fn left_n(&self, step: SeedStep) -> u32 {
        let left = self.0.get(&step).map_or(0, Stage::left_n);
        u32::try_from(left.max(0)).unwrap_or(u32::MAX)
    }

    /// Taking some out of one of several stages: the first that has enough, else the one that has
    /// most.
    pub fn take(&self, sources: &[SeedStep], n: u32) -> Option<Taken> {
        let enough = sources.iter().find(|stage| self.left_n(**stage) >= n);
        let fullest = sources
            .iter()
            .rev()
            .max_by_key(|stage| self.left_n(**stage));
        let from = *enough.or(fullest)?;
        let left_n = self.left_n(from);
        Some(Taken {
            from,
            left_n,
            short_n: n.saturating_sub(left_n),
        })
    }

    /// The stage that planting takes from: what germinated, or where that was never counted, what
    /// was taken out of stones.
    pub fn planted_from(&self) -> SeedStep {
        if self
            .0
            .get(&SeedStep::Germinated)
            .is_some_and(|stage| stage.into_n > 0)
        {
            SeedStep::Germinated
        } else {
            SeedStep::Extracted
        }
    }

    /// Stages of which more was taken than ever was there.
    pub fn overdrawn(&self) -> impl Iterator<Item = (SeedStep, i64)> + '_ {
        self.0
            .iter()
            .map(|(step, stage)| (*step, -stage.left_n()))
            .filter(|(_, short_n)| *short_n > 0)
    }
}

/// Days of moist cold that seed of a species usually needs (common practice, from memory); the
/// longest of its species for a hybrid.
pub fn stratification_days(taxon: &Taxon) -> i64 {
    taxon
        .all_species()
        .into_iter()
        .map(|species| match species {
            Species::Dulcis => 45,
            Species::Armeniaca | Species::Mume => 60,
            Species::Persica | Species::Davidiana => 90,
            Species::Salicina | Species::Cerasifera => 90,
            Species::Mahaleb => 100,
            _ => 120,
        })
        .max()
        .unwrap_or(90)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STEPS: [SeedStep; 5] = [
        SeedStep::Extracted,
        SeedStep::Stratified,
        SeedStep::Rescued,
        SeedStep::Germinated,
        SeedStep::Lost,
    ];

    /// Books a step as the service does, more than was there as found.
    fn book(balance: &mut Balance, step: SeedStep, n: u32) {
        if let Some(taken) = balance.take(step.sources(None), n) {
            let stage = balance.0.entry(taken.from).or_default();
            stage.out_n += i64::from(n);
            stage.found_n += i64::from(taken.short_n);
            if step == SeedStep::Lost {
                stage.lost_n += i64::from(n);
            }
        }
        if step != SeedStep::Lost {
            balance.0.entry(step).or_default().into_n += i64::from(n);
        }
    }

    proptest! {
        #[test]
        fn counts_always_reconcile(entries in prop::collection::vec((0usize..5, 1u32..200), 0..40)) {
            let mut balance = Balance::default();
            for (step, n) in &entries {
                book(&mut balance, STEPS[*step], *n);
                prop_assert_eq!(balance.overdrawn().count(), 0);
            }
            let sum = |of: fn(&Stage) -> i64| balance.0.values().map(of).sum::<i64>();
            let booked = |step: SeedStep| -> i64 {
                entries.iter().filter(|(s, _)| STEPS[*s] == step).map(|(_, n)| i64::from(*n)).sum()
            };
            // What came out of stones or was found is at some stage still, or lost.
            prop_assert_eq!(
                booked(SeedStep::Extracted) + sum(|s| s.found_n),
                sum(Stage::left_n) + booked(SeedStep::Lost)
            );
            prop_assert_eq!(sum(|s| s.lost_n), booked(SeedStep::Lost));
        }
    }

    #[test]
    fn a_step_takes_from_the_usual_stage_that_has_enough() {
        let mut balance = Balance::default();
        book(&mut balance, SeedStep::Extracted, 100);
        book(&mut balance, SeedStep::Stratified, 60);
        book(&mut balance, SeedStep::Rescued, 30);
        let from = |n| balance.take(SeedStep::Germinated.sources(None), n);
        assert_eq!(from(50).map(|t| t.from), Some(SeedStep::Stratified));
        let taken = from(70).unwrap();
        assert_eq!((taken.from, taken.short_n), (SeedStep::Stratified, 10));
        assert_eq!(balance.planted_from(), SeedStep::Extracted);
    }
}
