//! Types and rules of the crossing house, without I/O.

pub mod counts;
pub mod doubt;
pub mod feasibility;
pub mod forecast;
pub mod fruit_sets;
pub mod germplasm;
pub mod goals;
pub mod labels;
pub mod ledger;
pub mod numbers;
pub mod parents;
pub mod passes;
pub mod plan;
pub mod seed;
pub mod warnings;
pub mod weather;
pub mod weather_csv;
pub mod windows;
pub mod winter;

platform::ids! {
    /// A plant: of the germplasm or a numbered seedling, which keeps its id when it is taken into
    /// the germplasm.
    PlantId for PlantKind,
    /// A season.
    SeasonId for SeasonKind,
    /// A note of bloom.
    BloomRecordId for BloomRecordKind,
    /// A cross.
    CrossId for CrossKind,
    /// A pollen lot.
    PollenLotId for PollenLotKind,
    /// An entry in a pollen lot's ledger.
    PollenEventId for PollenEventIdKind,
    /// A container-grown mother.
    MotherId for MotherKind,
    /// Something done to or seen on a mother.
    MotherEventId for MotherEventIdKind,
    /// A pass.
    PassId for PassKind,
    /// A count of fruit.
    FruitCountId for FruitCountKind,
    /// A step of seed.
    SeedEntryId for SeedEntryKind,
    /// A planting.
    PlantingId for PlantingKind,
    /// Something that happened to a seedling.
    SeedlingEventId for SeedlingEventIdKind,
    /// A pollinizer trial.
    PollinizerTrialId for PollinizerTrialKind,
    /// A count of one branch in a pollinizer trial.
    PollinizerCountId for PollinizerCountKind,
}

platform::words! {
    /// A plant's standing in the germplasm.
    pub enum Standing {
        /// A named variety, ours or another's.
        Variety = "variety",
        /// A plant chosen for further use.
        Selection = "selection",
        /// A plant grown from seed and not chosen yet.
        Seedling = "seedling",
        /// A plant from the wild.
        Wild = "wild",
    }
}

platform::words! {
    /// Whose rights stand in the way of using a plant as a parent.
    pub enum RightsStanding {
        /// Nobody's.
        Free = "free",
        /// The programme's own.
        Own = "own",
        /// A third party's; breeding with it may still be allowed.
        Protected = "protected",
        /// A third party's, and an agreement is needed first.
        AgreementNeeded = "agreement_needed",
    }
}

platform::words! {
    /// How far a cross has come; all but giving it up follows from what is recorded.
    pub enum CrossStanding {
        /// It is to be worked.
        Planned = "planned",
        /// Flowers were worked.
        Worked = "worked",
        /// Fruit was harvested.
        Harvested = "harvested",
        /// Seedlings were planted.
        Raised = "raised",
        /// It was given up.
        Cancelled = "cancelled",
    }
}

platform::words! {
    /// How a seedling stands.
    pub enum SeedlingState {
        /// It lives.
        Living = "living",
        /// It goes no further, though its tree may still stand.
        Discarded = "discarded",
        /// It died or was taken out.
        Dead = "dead",
    }
}

impl CrossStanding {
    /// The standing of a cross that was not given up.
    pub fn reached(passes_n: u32, harvested_n: u32, seedlings_n: u32) -> Self {
        match (passes_n, harvested_n, seedlings_n) {
            (.., 1..) => Self::Raised,
            (_, 1.., _) => Self::Harvested,
            (1.., ..) => Self::Worked,
            _ => Self::Planned,
        }
    }
}

platform::words! {
    /// Something done to or seen on a mother.
    pub enum MotherEventKind {
        /// A cover was put on.
        Covered = "covered",
        /// The cover was taken off.
        Uncovered = "uncovered",
        /// Late flowers were taken off.
        Stripped = "stripped",
        /// Insects were seen on her flowers.
        InsectsSeen = "insects_seen",
        /// She was moved.
        Moved = "moved",
        /// She died.
        Died = "died",
    }
}

platform::words! {
    /// Why a seedling died.
    pub enum DeathCause {
        /// It rotted at the neck.
        DampingOff = "damping_off",
        /// It dried up.
        Drought = "drought",
        /// It froze.
        Frost = "frost",
        /// It was eaten.
        Pests = "pests",
        /// A disease.
        Disease = "disease",
        /// A machine, a tool, an animal.
        Injury = "injury",
        /// It was taken out on purpose.
        Culled = "culled",
        /// Nobody knows.
        Unknown = "unknown",
    }
}

platform::words! {
    /// Something that happens to a seedling.
    pub enum SeedlingEventKind {
        /// It was moved.
        Moved = "moved",
        /// It died.
        Died = "died",
        /// It was grafted onto a rootstock.
        Regrafted = "regrafted",
        /// A marker or visible-locus result came in.
        LocusResult = "locus_result",
        /// It was taken into the germplasm.
        Selected = "selected",
        /// It goes no further, as decided in a trial.
        Discarded = "discarded",
        /// It was discarded and is kept after all.
        Kept = "kept",
    }
}
