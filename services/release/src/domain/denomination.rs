//! States of a denomination and which moves between them are sound.

platform::words! {
    /// Where a denomination stands.
    pub enum NameState {
        /// Put forward.
        Proposed = "proposed",
        /// Checked and found fit to be filed.
        Checked = "checked",
        /// Accepted and published by the office.
        Published = "published",
        /// Refused.
        Refused = "refused",
        /// Replaced by another.
        Replaced = "replaced",
    }
}

impl NameState {
    /// States it may go to from here.
    pub fn next(self) -> &'static [Self] {
        match self {
            Self::Proposed => &[Self::Checked, Self::Refused, Self::Replaced],
            Self::Checked => &[Self::Published, Self::Refused, Self::Replaced],
            // An office may still cancel a published denomination.
            Self::Published => &[Self::Replaced],
            Self::Refused | Self::Replaced => &[],
        }
    }

    /// Whether it names the candidate.
    pub fn is_live(self) -> bool {
        matches!(self, Self::Proposed | Self::Checked | Self::Published)
    }

    /// Whether the move needs a reason.
    pub fn needs_reason(self) -> bool {
        matches!(self, Self::Refused | Self::Replaced)
    }
}
