//! Stages of a candidate and which moves between them are sound.

use platform::fields::Words as _;

use super::words::{TrueToType, VirusStatus};

platform::words! {
    /// Where a candidate stands.
    pub enum Stage {
        /// Looked at as the tree grown from its seed.
        OwnRoot = "own_root",
        /// Budded for a second look.
        Budded = "budded",
        /// Grown at several sites.
        MultiSite = "multi_site",
        /// Being made ready for release.
        PreRelease = "pre_release",
        /// Released.
        Released = "released",
        /// Taken out.
        Withdrawn = "withdrawn",
    }
}

impl Stage {
    /// The stages in order, without withdrawal.
    pub const LADDER: [Self; 5] = [
        Self::OwnRoot,
        Self::Budded,
        Self::MultiSite,
        Self::PreRelease,
        Self::Released,
    ];

    fn rung(self) -> Option<usize> {
        Self::LADDER.iter().position(|stage| *stage == self)
    }

    /// The next stage.
    pub fn next(self) -> Option<Self> {
        Self::LADDER.get(self.rung()? + 1).copied()
    }

    /// The stage before.
    pub fn previous(self) -> Option<Self> {
        Self::LADDER.get(self.rung()?.checked_sub(1)?).copied()
    }
}

/// What a sound move is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// One stage on, or out.
    Forward,
    /// One stage back, or back in; takes an earlier move back.
    Reversal,
}

/// Where a candidate may go from `at`: one stage on, out, or, as a reversal with its reason, one
/// stage back. From withdrawal it may only return to the stage it was withdrawn from.
pub fn moves_from(at: Stage, withdrawn_from: Option<Stage>) -> Vec<(Stage, Direction)> {
    match at {
        Stage::Withdrawn => withdrawn_from
            .map(|stage| (stage, Direction::Reversal))
            .into_iter()
            .collect(),
        _ => at
            .next()
            .map(|stage| (stage, Direction::Forward))
            .into_iter()
            .chain([(Stage::Withdrawn, Direction::Forward)])
            .chain(at.previous().map(|stage| (stage, Direction::Reversal)))
            .collect(),
    }
}

/// Judges a move.
///
/// # Errors
/// What would be allowed, in words.
pub fn judge(from: Stage, to: Stage, withdrawn_from: Option<Stage>) -> Result<Direction, String> {
    let allowed = moves_from(from, withdrawn_from);
    if let Some((_, direction)) = allowed.iter().find(|(stage, _)| *stage == to) {
        return Ok(*direction);
    }
    if from == to {
        return Err(format!("the candidate stands at {from} already"));
    }
    let listed: Vec<_> = allowed
        .iter()
        .map(|(stage, direction)| match direction {
            Direction::Forward => stage.word().to_owned(),
            Direction::Reversal => format!("{stage} (as a reversal)"),
        })
        .collect();
    Err(format!(
        "a candidate at {from} may not go to {to}; allowed from there: {}",
        if listed.is_empty() {
            "nothing".to_owned()
        } else {
            listed.join(", ")
        }
    ))
}

/// Whether what is known of a candidate's trees lets it come so near to growers.
///
/// # Errors
/// Why not, with the remedy.
pub fn health_allows(
    to: Stage,
    virus: VirusStatus,
    true_to_type: TrueToType,
) -> Result<(), String> {
    if !matches!(to, Stage::PreRelease | Stage::Released) {
        return Ok(());
    }
    if virus == VirusStatus::Infected {
        return Err(format!(
            "a candidate found infected does not go to {to}; clean it, test again and record the result first"
        ));
    }
    if true_to_type == TrueToType::OffType {
        return Err(format!(
            "budded trees of this candidate were off type; settle that before it goes to {to}"
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn no_stage_is_skipped() {
        assert_eq!(
            judge(Stage::OwnRoot, Stage::Budded, None),
            Ok(Direction::Forward)
        );
        let refused = judge(Stage::OwnRoot, Stage::Released, None).unwrap_err();
        assert!(
            refused.contains("allowed from there: budded, withdrawn"),
            "{refused}"
        );
    }

    #[test]
    fn a_move_is_taken_back_by_a_reversal() {
        assert_eq!(
            judge(Stage::MultiSite, Stage::Budded, None),
            Ok(Direction::Reversal)
        );
        let back_in = judge(Stage::Withdrawn, Stage::MultiSite, Some(Stage::MultiSite));
        assert_eq!(back_in, Ok(Direction::Reversal));
        assert!(judge(Stage::Withdrawn, Stage::Budded, Some(Stage::MultiSite)).is_err());
    }

    #[test]
    fn infected_or_off_type_trees_keep_a_candidate_from_growers() {
        use super::{TrueToType as T, VirusStatus as V};
        assert!(health_allows(Stage::MultiSite, V::Infected, T::OffType).is_ok());
        assert!(health_allows(Stage::PreRelease, V::Infected, T::Confirmed).is_err());
        assert!(health_allows(Stage::Released, V::Free, T::OffType).is_err());
        assert!(health_allows(Stage::Released, V::Free, T::Confirmed).is_ok());
    }

    proptest! {
        #[test]
        fn every_forward_move_can_be_taken_back(from in 0usize..5, to in 0usize..6) {
            let from = Stage::LADDER[from];
            let to = Stage::ALL[to].0;
            if judge(from, to, None) == Ok(Direction::Forward) {
                prop_assert_eq!(judge(to, from, Some(from)), Ok(Direction::Reversal));
            }
        }
    }
}
