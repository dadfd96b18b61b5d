//! Stages, states and decisions of trials and trees.

platform::words! {
    /// How far the entries of a trial have come.
    pub enum Stage {
        /// Seedlings on their own roots.
        OwnRoot = "own_root",
        /// Budded trees in a mature block.
        Budded = "budded",
        /// Trees at several sites.
        MultiSite = "multi_site",
        /// What may be released.
        PreRelease = "pre_release",
    }
}

platform::words! {
    /// What became of a tree.
    pub enum TreeEventWord {
        /// It died.
        Died = "died",
        /// It was taken out alive.
        Removed = "removed",
        /// Another was planted in its place.
        Replaced = "replaced",
        /// Its fruit was thinned.
        Thinned = "thinned",
    }
}

platform::words! {
    /// Whether a tree still stands.
    pub enum TreeStatus {
        /// It stands.
        Standing = "standing",
        /// It died.
        Dead = "dead",
        /// It was taken out alive.
        Removed = "removed",
        /// Another stands in its place.
        Replaced = "replaced",
    }
}

impl TreeEventWord {
    /// The state in which it leaves the tree; none when the tree goes on as it was.
    pub fn ends_as(self) -> Option<TreeStatus> {
        match self {
            Self::Died => Some(TreeStatus::Dead),
            Self::Removed => Some(TreeStatus::Removed),
            Self::Replaced => Some(TreeStatus::Replaced),
            Self::Thinned => None,
        }
    }
}

platform::words! {
    /// What is decided on an entry.
    pub enum DecisionWord {
        /// It goes on to the next stage.
        Advance = "advance",
        /// It goes no further.
        Discard = "discard",
        /// It waits for another year.
        Hold = "hold",
    }
}

platform::words! {
    /// What a person decides on a doubtful record.
    pub enum Judgement {
        /// It stays in the figures.
        Kept = "kept",
        /// It is left out of the figures.
        SetAside = "set_aside",
    }
}

/// Longest name of a rootstock.
pub const ROOTSTOCK_CHARS: usize = 100;

/// What is wrong with a rootstock in an own-root block.
pub const OWN_ROOT: &str =
    "own-root trees stand on no rootstock; leave it out or choose another stage";

/// A trial's number from its season and place in it: `T26-004`.
pub fn trial_number(season: i16, place: i32) -> String {
    format!("T{:02}-{place:03}", season.rem_euclid(100))
}

/// A tree's number with its check character: `T26-004-00142-K`.
pub fn tree_number(trial_number: &str, place: usize) -> String {
    platform::numbering::with_check_character(&format!("{trial_number}-{place:05}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stages_rise() {
        assert!(Stage::OwnRoot < Stage::Budded && Stage::Budded < Stage::MultiSite);
        assert!(Stage::MultiSite < Stage::PreRelease);
    }

    #[test]
    fn numbers_carry_a_check_character() {
        let number = tree_number(&trial_number(2026, 4), 142);
        assert!(number.starts_with("T26-004-00142-"), "{number}");
        assert_eq!(platform::numbering::verify(&number), Some("T26-004-00142"));
    }
}
