//! Words of fixed sets.

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
