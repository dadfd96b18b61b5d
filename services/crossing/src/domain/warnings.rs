//! Facts that do not forbid a record and must not be forgotten: they stay on it, and on what
//! comes of it.

use contract::crossing::CrossWarning;
use platform::fields::Words as _;

platform::words! {
    /// What a warning is about.
    pub enum WarningCode {
        /// An S allele that the species is not known to have.
        UnknownSAllele = "unknown_s_allele",
        /// A locus or genotype that the species' catalogue does not hold.
        UnknownLocus = "unknown_locus",
        /// The mother rejects all of the pollen.
        Incompatible = "incompatible",
        /// The mother rejects half of the pollen.
        HalfCompatible = "half_compatible",
        /// Too little is known of the S alleles.
        CompatibilityUnknown = "compatibility_unknown",
        /// A parent has other than two sets of chromosomes.
        Polyploid = "polyploid",
        /// A cross between species that seldom or never works.
        HardToCross = "hard_to_cross",
        /// Near kin.
        Kin = "kin",
        /// A third party's rights cover a parent.
        Rights = "rights",
        /// Neither fresh bloom nor a stored lot is in sight.
        NoPollenInSight = "no_pollen_in_sight",
        /// Flowers gathered at another stage than the balloon stage.
        NotBalloonStage = "not_balloon_stage",
        /// Nobody recorded that the pollen was dry.
        NotDry = "not_dry",
        /// Pollen of doubtful germination.
        StalePollen = "stale_pollen",
        /// Pollen that is as good as dead.
        DeadPollen = "dead_pollen",
        /// Pollen that was thawed and frozen again.
        FrozenAgain = "frozen_again",
        /// More flowers pollinated than the lot is expected to serve.
        LotOverdrawn = "lot_overdrawn",
        /// A mother that sets with her own pollen has no cover on.
        UncoveredSelfFertile = "uncovered_self_fertile",
        /// Open, unworked flowers stayed on the mother.
        StraysLeft = "strays_left",
        /// Late flowers of an earlier round of passes were not taken off.
        NotStripped = "not_stripped",
        /// Insects were seen on the mother's flowers.
        InsectsSeen = "insects_seen",
        /// The flowers had been open too long.
        LatePollination = "late_pollination",
        /// Outside the season's days.
        OutOfSeason = "out_of_season",
        /// A count that does not fit what went before, with its reason.
        CountExplained = "count_explained",
        /// Fruit or seed from a cross that no pass is recorded for.
        BloomRunsBackwards = "bloom_runs_backwards",
        /// Seedlings of a doubtful cross.
        OutcrossDoubt = "outcross_doubt",
    }
}

/// A warning with its message.
pub fn warning(code: WarningCode, message: impl Into<String>) -> CrossWarning {
    CrossWarning {
        code: code.word().to_owned(),
        message: message.into(),
    }
}

/// Each warning once, in the order met.
pub fn distinct(warnings: impl IntoIterator<Item = CrossWarning>) -> Vec<CrossWarning> {
    let mut seen: Vec<CrossWarning> = Vec::new();
    for warning in warnings {
        if !seen
            .iter()
            .any(|known| known.code == warning.code && known.message == warning.message)
        {
            seen.push(warning);
        }
    }
    seen
}
