//! Decisions on entries.

use std::collections::HashMap;

use contract::evaluation::DecisionItem;
use jiff::Timestamp;
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::PgConnection;

use super::id_text;
use crate::domain::trial::DecisionWord;
use crate::domain::{DecisionId, EntryDecisionId, GermplasmId, TrialId};

/// A decision on some entries of a trial.
#[derive(Debug)]
pub struct Decision<'a> {
    /// Id.
    pub id: DecisionId,
    /// Trial.
    pub trial: TrialId,
    /// Where those that advance go; empty when none does.
    pub to_stage: &'a str,
    /// Day.
    pub on: Date,
    /// Who.
    pub by: (PersonId, &'a str),
    /// When it was entered.
    pub at: Timestamp,
    /// What was decided on each.
    pub entries: Vec<(GermplasmId, DecisionWord, String)>,
}

/// Writes a decision.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    decision: &Decision<'_>,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into decision (programme_id, id, trial_id, to_stage, on_day, by_id, by_name, at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(programme)
    .bind(decision.id)
    .bind(decision.trial)
    .bind(decision.to_stage)
    .bind(Day(decision.on))
    .bind(decision.by.0)
    .bind(decision.by.1)
    .bind(Instant(decision.at))
    .execute(&mut *connection)
    .await?;
    let entries = &decision.entries;
    sqlx::query(
        "insert into entry_decision (programme_id, decision_id, trial_id, id, germplasm_id, \
         decision, reason) select $1, $2, $3, e.* \
         from unnest($4::uuid[], $5::uuid[], $6::text[], $7::text[]) as e",
    )
    .bind(programme)
    .bind(decision.id)
    .bind(decision.trial)
    .bind(
        entries
            .iter()
            .map(|_| EntryDecisionId::new())
            .collect::<Vec<_>>(),
    )
    .bind(entries.iter().map(|e| e.0).collect::<Vec<_>>())
    .bind(entries.iter().map(|e| e.1.word()).collect::<Vec<_>>())
    .bind(entries.iter().map(|e| e.2.clone()).collect::<Vec<_>>())
    .execute(connection)
    .await?;
    Ok(())
}

/// The latest decision on each entry of a trial that has one.
pub async fn latest(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
) -> Result<HashMap<GermplasmId, String>, Fault> {
    let rows: Vec<(GermplasmId, String)> = sqlx::query_as(
        "select distinct on (germplasm_id) germplasm_id, decision from entry_decision \
         where programme_id = $1 and trial_id = $2 order by germplasm_id, id desc",
    )
    .bind(programme)
    .bind(trial)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().collect())
}

#[derive(sqlx::FromRow)]
struct Row {
    id: EntryDecisionId,
    germplasm_id: GermplasmId,
    number: String,
    name: String,
    decision: String,
    reason: String,
    to_stage: String,
    on_day: Day,
    by_name: String,
}

/// Decisions of a trial, the newest first, before a known one.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
    only: Option<DecisionWord>,
    before: Option<EntryDecisionId>,
    limit: i64,
) -> Result<Vec<DecisionItem>, Fault> {
    let rows: Vec<Row> = sqlx::query_as(
        "select d.id, d.germplasm_id, e.number, e.name, d.decision, d.reason, h.to_stage, h.on_day, \
         h.by_name from entry_decision d \
         join decision h on h.programme_id = d.programme_id and h.id = d.decision_id \
         join trial_entry e on e.programme_id = d.programme_id and e.trial_id = d.trial_id \
         and e.germplasm_id = d.germplasm_id \
         where d.programme_id = $1 and d.trial_id = $2 and ($3::text is null or d.decision = $3) \
         and ($4::uuid is null or d.id < $4) order by d.id desc limit $5",
    )
    .bind(programme)
    .bind(trial)
    .bind(only.map(|word| word.word()))
    .bind(before)
    .bind(limit)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Row::told).collect())
}

impl Row {
    fn told(self) -> DecisionItem {
        DecisionItem {
            id: id_text(Some(self.id)),
            germplasm_id: self.germplasm_id.to_string(),
            number: self.number,
            name: self.name,
            to_stage: if self.decision == DecisionWord::Advance.word() {
                self.to_stage
            } else {
                String::new()
            },
            decision: self.decision,
            reason: self.reason,
            on: self.on_day.0.to_string(),
            by: self.by_name,
        }
    }
}

/// Decisions on one plant by trial, the oldest first.
pub async fn of_plant(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    plant: GermplasmId,
) -> Result<HashMap<TrialId, Vec<DecisionItem>>, Fault> {
    #[derive(sqlx::FromRow)]
    struct InTrial {
        trial_id: TrialId,
        #[sqlx(flatten)]
        decided: Row,
    }
    let rows: Vec<InTrial> = sqlx::query_as(
        "select e.trial_id, d.id, d.germplasm_id, e.number, e.name, d.decision, d.reason, \
         h.to_stage, h.on_day, h.by_name from trial_entry e \
         join entry_decision d on d.programme_id = e.programme_id and d.trial_id = e.trial_id \
         and d.germplasm_id = e.germplasm_id \
         join decision h on h.programme_id = d.programme_id and h.id = d.decision_id \
         where e.programme_id = $1 and e.germplasm_id = $2 order by d.id",
    )
    .bind(programme)
    .bind(plant)
    .fetch_all(connection)
    .await?;
    let mut by_trial: HashMap<TrialId, Vec<DecisionItem>> = HashMap::new();
    for row in rows {
        let own = by_trial.entry(row.trial_id).or_default();
        own.push(row.decided.told());
    }
    Ok(by_trial)
}
