//! Words of fixed sets.

use platform::fields::Words as _;

platform::words! {
    /// The cross that a candidate came from, as far as its parents' species tell.
    pub enum KindOfCross {
        /// Both parents of one species.
        WithinSpecies = "within_species",
        /// Parents of different species or species hybrids.
        BetweenSpecies = "between_species",
        /// Pollen parent unknown.
        OpenPollinated = "open_pollinated",
        /// Not known.
        Unknown = "unknown",
    }
}

impl KindOfCross {
    /// Its place among the kinds.
    pub fn index(self) -> usize {
        self as usize
    }

    /// The kind at a place.
    pub fn of_index(index: usize) -> Self {
        Self::ALL
            .get(index)
            .map_or(Self::Unknown, |(kind, _)| *kind)
    }

    /// The kind of a cross of plants of these species; an empty species is not known, and no
    /// pollen parent at all is open pollination.
    pub fn of_parents(seed_parent: Option<&str>, pollen_parent: Option<&str>) -> Self {
        let known = |species: &str| !species.trim().is_empty();
        match (seed_parent, pollen_parent) {
            (Some(_), None) => Self::OpenPollinated,
            (Some(seed), Some(pollen)) if known(seed) && known(pollen) => {
                if seed.trim().eq_ignore_ascii_case(pollen.trim()) {
                    Self::WithinSpecies
                } else {
                    Self::BetweenSpecies
                }
            }
            _ => Self::Unknown,
        }
    }
}

platform::words! {
    /// What tests for virus say of a candidate.
    pub enum VirusStatus {
        /// Not tested.
        Unknown = "unknown",
        /// Being tested.
        UnderTest = "under_test",
        /// Tested and found free.
        Free = "free",
        /// Tested and found infected.
        Infected = "infected",
    }
}

platform::words! {
    /// Whether budded trees are what the candidate was.
    pub enum TrueToType {
        /// Not looked at.
        Unknown = "unknown",
        /// Being looked at.
        UnderTest = "under_test",
        /// They are.
        Confirmed = "confirmed",
        /// They are not.
        OffType = "off_type",
    }
}

platform::words! {
    /// What is counted of a candidate at a place.
    pub enum Material {
        /// Trees.
        Trees = "trees",
        /// Sticks of budwood.
        Budwood = "budwood",
    }
}

platform::words! {
    /// What a licence is for.
    pub enum Purpose {
        /// To test trees.
        Testing = "testing",
        /// To propagate and sell trees.
        Propagation = "propagation",
        /// To grow and sell fruit.
        Fruit = "fruit",
        /// To sell trees for home gardens.
        HomeGarden = "home_garden",
    }
}

impl Purpose {
    /// Whether it lets its holder propagate trees.
    pub fn lets_propagate(self) -> bool {
        matches!(self, Self::Propagation | Self::HomeGarden)
    }
}

platform::words! {
    /// What a royalty is counted by.
    pub enum Per {
        /// Trees propagated.
        Tree = "tree",
        /// Hectares planted.
        Hectare = "hectare",
        /// Kilograms of fruit sold.
        Kilogram = "kilogram",
    }
}

platform::words! {
    /// What becomes of trees held for test.
    pub enum OnEnd {
        /// They go back.
        Return = "return",
        /// They are destroyed.
        Destroy = "destroy",
    }
}

platform::words! {
    /// What became of trees held for test.
    pub enum Outcome {
        /// They came back.
        Returned = "returned",
        /// They were destroyed.
        Destroyed = "destroyed",
    }
}

platform::words! {
    /// An event that a filing may have after it, beside its grant.
    pub enum FilingEventWord {
        /// The office published the application.
        ApplicationPublished = "application_published",
        /// Technical examination began.
        Examination = "examination",
        /// Priority was claimed.
        PriorityClaim = "priority_claim",
        /// The office sent an action.
        ActionMailed = "action_mailed",
        /// An act falls due.
        ActionDue = "action_due",
        /// The office allowed the application.
        AllowanceMailed = "allowance_mailed",
        /// An annual fee was paid.
        AnnualFeePaid = "annual_fee_paid",
        /// The right was renewed.
        Renewal = "renewal",
        /// The right or application was assigned.
        Assignment = "assignment",
        /// The right lapsed.
        Lapse = "lapse",
        /// The right was surrendered.
        Surrender = "surrender",
        /// The office recorded expiry.
        Expiry = "expiry",
    }
}

impl FilingEventWord {
    /// Whether the right must have been granted before.
    pub fn needs_grant(self) -> bool {
        matches!(
            self,
            Self::AnnualFeePaid | Self::Renewal | Self::Lapse | Self::Surrender | Self::Expiry
        )
    }

    /// Whether it ends the right.
    pub fn ends_right(self) -> bool {
        matches!(self, Self::Lapse | Self::Surrender | Self::Expiry)
    }

    /// Whether it counts only with evidence.
    pub fn needs_evidence(self) -> bool {
        self.needs_grant()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_of_cross_follows_from_the_parents_species() {
        use KindOfCross as K;
        let peach = "Prunus persica";
        for (seed, pollen, kind) in [
            (Some(peach), Some("prunus persica "), K::WithinSpecies),
            (
                Some("Prunus salicina"),
                Some("Prunus armeniaca"),
                K::BetweenSpecies,
            ),
            (Some(peach), None, K::OpenPollinated),
            (Some(peach), Some(""), K::Unknown),
            (None, None, K::Unknown),
            (None, Some(peach), K::Unknown),
        ] {
            assert_eq!(K::of_parents(seed, pollen), kind, "{seed:?} × {pollen:?}");
        }
        for (kind, _) in K::ALL {
            assert_eq!(K::of_index(kind.index()), *kind);
        }
    }
}
