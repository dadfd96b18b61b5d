//! What a candidate must bring to each stage.

use contract::release::{ListStageGatesRequest, SetStageGateRequest, StageGate, StageGateList};
use platform::access::Role;
use platform::database::Instant;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};

use super::asked::listed;
use crate::ReleaseApp;
use crate::domain::gate::{GATED, Gate, Need};
use crate::domain::stage::Stage;
use crate::store::gates::{self, GateRow};

/// Roles that a gate may name: those that may move candidates.
const DECIDERS: [Role; 2] = [Role::Breeder, Role::Rights];

/// A gate with its version and who set it.
#[derive(Debug, Clone)]
pub(super) struct KeptGate {
    pub gate: Gate,
    version: i64,
    set_by: String,
}

impl KeptGate {
    /// The gate as the contract shows it, with what one candidate lacks.
    pub fn shown(self, missing: &[Need]) -> StageGate {
        let words = |needs: &[Need]| needs.iter().map(|n| n.word().to_owned()).collect();
        StageGate {
            stage: self.gate.stage.word().to_owned(),
            needs: words(&self.gate.needs),
            deciders: self
                .gate
                .deciders
                .iter()
                .map(|role| role.word().to_owned())
                .collect(),
            missing: words(missing),
            version: self.version,
            set_by: self.set_by,
        }
    }
}

/// The gate to a stage; none to one that has none.
pub(super) async fn before(unit: &mut Unit, stage: Stage) -> Result<Option<KeptGate>, Fault> {
    Ok(all(unit)
        .await?
        .into_iter()
        .find(|kept| kept.gate.stage == stage))
}

async fn all(unit: &mut Unit) -> Result<Vec<KeptGate>, Fault> {
    let programme = unit.programme()?;
    let rows = gates::all(unit.connection(), programme).await?;
    Ok(GATED
        .into_iter()
        .map(
            |stage| match rows.iter().find(|row| row.stage == stage.word()) {
                Some(row) => KeptGate {
                    gate: Gate {
                        stage,
                        needs: row
                            .needs
                            .iter()
                            .filter_map(|w| Need::from_word(w))
                            .collect(),
                        deciders: row
                            .deciders
                            .iter()
                            .filter_map(|w| Role::from_word(w))
                            .collect(),
                    },
                    version: row.version,
                    set_by: row.set_by.clone(),
                },
                None => KeptGate {
                    gate: Gate::as_it_comes(stage),
                    version: 1,
                    set_by: String::new(),
                },
            },
        )
        .collect())
}

/// Lists the gates.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    _request: ListStageGatesRequest,
) -> Result<StageGateList, Fault> {
    Ok(StageGateList {
        items: all(unit)
            .await?
            .into_iter()
            .map(|kept| kept.shown(&[]))
            .collect(),
    })
}

/// Sets a gate.
pub async fn set(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: SetStageGateRequest,
) -> Result<StageGate, Fault> {
    let mut fields = Fields::new();
    let stage = fields.word::<Stage>("stage", &request.stage);
    fields.require(
        stage.is_none_or(|stage| GATED.contains(&stage)),
        "stage",
        format!("has no gate; one of {}", listed(&GATED)),
    );
    let mut needs: Vec<Need> = Vec::new();
    for (i, word) in request.needs.iter().enumerate() {
        needs.extend(fields.word::<Need>(&format!("needs/{i}"), word));
    }
    needs.sort_unstable();
    needs.dedup();
    let mut deciders: Vec<Role> = Vec::new();
    for (i, word) in request.deciders.iter().enumerate() {
        let field = format!("deciders/{i}");
        let role = fields.word::<Role>(&field, word);
        fields.require(
            role.is_none_or(|role| DECIDERS.contains(&role)),
            &field,
            format!("may not move candidates; one of {}", listed(&DECIDERS)),
        );
        deciders.extend(role);
    }
    deciders.sort_unstable();
    deciders.dedup();
    fields.finish()?;
    let stage = super::asked::checked(stage, "stage")?;
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let row = GateRow {
        stage: stage.word().to_owned(),
        needs: needs.iter().map(|need| need.word().to_owned()).collect(),
        deciders: deciders.iter().map(|role| role.word().to_owned()).collect(),
        version: request.expected_version,
        set_by: unit.caller().name.clone(),
    };
    let version = gates::set(unit.connection(), programme, &row, now).await?;
    let Some(version) = version else {
        let at = before(unit, stage).await?.map_or(1, |kept| kept.version);
        return Err(Fault::stale(at));
    };
    unit.touch("stage_gate", stage);
    Ok(KeptGate {
        gate: Gate {
            stage,
            needs,
            deciders,
        },
        version,
        set_by: row.set_by,
    }
    .shown(&[]))
}
