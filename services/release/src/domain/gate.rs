//! Gates: what a candidate must bring to a stage, and who may decide.

use platform::access::Role;
use platform::fields::Words as _;

use super::stage::Stage;
use super::words::{TrueToType, VirusStatus};

platform::words! {
    /// What a gate may ask for.
    pub enum Need {
        /// A trial, record or letter named with the move.
        Evidence = "evidence",
        /// Tested for virus and found free.
        VirusTest = "virus_test",
        /// Budded trees confirmed to be what the candidate was.
        TrueToType = "true_to_type",
        /// A denomination that an office has published.
        Denomination = "denomination",
        /// An application on file.
        Filing = "filing",
    }
}

/// Stages that have a gate.
pub const GATED: [Stage; 4] = [
    Stage::Budded,
    Stage::MultiSite,
    Stage::PreRelease,
    Stage::Released,
];

/// The way into one stage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gate {
    /// The stage.
    pub stage: Stage,
    /// What it asks for.
    pub needs: Vec<Need>,
    /// Roles that may decide; whoever may move candidates when empty.
    pub deciders: Vec<Role>,
}

/// What is known of a candidate that stands before a gate.
#[derive(Debug, Clone, Copy)]
pub struct Brought {
    /// Whether evidence was named.
    pub evidence: bool,
    /// Its virus test.
    pub virus: VirusStatus,
    /// Whether it is true to type.
    pub true_to_type: TrueToType,
    /// Whether a denomination is published.
    pub denomination: bool,
    /// Whether an application is on file.
    pub filing: bool,
}

impl Gate {
    /// The gate as it stands until a programme sets its own: release goes under a published
    /// denomination.
    pub fn as_it_comes(stage: Stage) -> Self {
        Self {
            stage,
            needs: if stage == Stage::Released {
                vec![Need::Denomination]
            } else {
                Vec::new()
            },
            deciders: Vec::new(),
        }
    }

    /// What is missing.
    pub fn missing(&self, brought: &Brought) -> Vec<Need> {
        let has = |need: Need| match need {
            Need::Evidence => brought.evidence,
            Need::VirusTest => brought.virus == VirusStatus::Free,
            Need::TrueToType => brought.true_to_type == TrueToType::Confirmed,
            Need::Denomination => brought.denomination,
            Need::Filing => brought.filing,
        };
        self.needs
            .iter()
            .copied()
            .filter(|need| !has(*need))
            .collect()
    }

    /// Whether somebody of these roles may decide.
    pub fn lets_decide(&self, roles: &[Role]) -> bool {
        self.deciders.is_empty() || self.deciders.iter().any(|role| roles.contains(role))
    }
}

/// What to do about something that is missing.
pub fn remedy(need: Need) -> &'static str {
    match need {
        Need::Evidence => "name the trial, record or letter behind the move as evidence",
        Need::VirusTest => "record a virus test that found it free",
        Need::TrueToType => "record that budded trees were confirmed true to type",
        Need::Denomination => {
            "an accepted denomination: propose one, have it checked, and record its publication \
             by the office"
        }
        Need::Filing => "record an application for a right",
    }
}

/// Why a candidate may not pass, with the remedies.
pub fn refusal(to: Stage, missing: &[Need]) -> String {
    let listed: Vec<String> = missing
        .iter()
        .map(|need| format!("{} ({})", need.word().replace('_', " "), remedy(*need)))
        .collect();
    format!(
        "the gate to {to} asks for what this candidate lacks: {}",
        listed.join("; ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const BARE: Brought = Brought {
        evidence: false,
        virus: VirusStatus::Unknown,
        true_to_type: TrueToType::UnderTest,
        denomination: false,
        filing: false,
    };

    #[test]
    fn a_gate_names_everything_that_is_missing() {
        let gate = Gate {
            stage: Stage::Released,
            needs: Need::ALL.iter().map(|(need, _)| *need).collect(),
            deciders: Vec::new(),
        };
        assert_eq!(gate.missing(&BARE).len(), Need::ALL.len());
        let all = Brought {
            evidence: true,
            virus: VirusStatus::Free,
            true_to_type: TrueToType::Confirmed,
            denomination: true,
            filing: true,
        };
        assert!(gate.missing(&all).is_empty());
        let told = refusal(Stage::Released, &gate.missing(&BARE));
        assert!(
            told.contains("virus test (record") && told.contains("evidence ("),
            "{told}"
        );
    }

    #[test]
    fn as_they_come_only_release_asks_for_anything() {
        for stage in GATED {
            let missing = Gate::as_it_comes(stage).missing(&BARE);
            let wanted: &[Need] = match stage {
                Stage::Released => &[Need::Denomination],
                _ => &[],
            };
            assert_eq!(missing, wanted, "{stage}");
        }
    }

    #[test]
    fn only_the_named_roles_decide() {
        let mut gate = Gate::as_it_comes(Stage::PreRelease);
        assert!(gate.lets_decide(&[Role::Rights]));
        gate.deciders = vec![Role::Breeder];
        assert!(!gate.lets_decide(&[Role::Rights]));
        assert!(gate.lets_decide(&[Role::Rights, Role::Breeder]));
    }
}
