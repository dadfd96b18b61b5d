//! Taking records in a batch.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Instant;

use contract::evaluation::{GetLayoutRequest, RecordBatchRow, TakeRecordsRequest, TrialTree};
use platform::Fault;
use platform::peers::Peers;
use sqlx::PgPool;
use uuid::Uuid;

use super::{Measured, Outcome, ROUNDS, account, copy, middle};
use crate::demo::accounts::{self, Account};
use crate::import::remote::Remote;

const RECORDS: usize = 5_000;

pub(super) async fn measure(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    plain: &PgPool,
    trials: &[String],
) -> Outcome<Measured> {
    let token = accounts::sign_in(peers, account(accounts, "trials")?).await?;
    let remote = Remote::new(peers, &token);
    let mut trees: Vec<TrialTree> = Vec::new();
    for trial in trials {
        let request = GetLayoutRequest {
            trial_id: trial.clone(),
        };
        let layout = remote
            .evaluation()?
            .get_layout(request)
            .await
            .map_err(Fault::from)?;
        trees.extend(
            layout
                .into_inner()
                .trees
                .into_iter()
                .filter(|tree| tree.status == "standing"),
        );
    }
    let mut rates = Vec::new();
    for round in 0..ROUNDS {
        let rows = (0..RECORDS)
            .map(|n| RecordBatchRow {
                id: Uuid::now_v7().to_string(),
                tree_id: trees[n % trees.len()].tree_id.clone(),
                r#trait: "acidity_g_l".to_owned(),
                value: format!("{}.{}", 6 + n % 5, n % 10),
                observed_at: format!("2026-0{}-{:02}", 5 + round, 1 + (n / trees.len()) % 28),
                by: "measured".to_owned(),
                ..Default::default()
            })
            .collect();
        let request = TakeRecordsRequest {
            rows,
            all_or_nothing: true,
            dry_run: false,
        };
        let started = Instant::now();
        let reply = remote
            .evaluation()?
            .take_records(request)
            .await
            .map_err(Fault::from)?;
        rates.push(RECORDS as f64 / started.elapsed().as_secs_f64());
        let reply = reply.into_inner();
        if reply.accepted != RECORDS as u64 {
            return Err(format!(
                "{} of {RECORDS} records were accepted: {:?}",
                reply.accepted,
                reply.rejected.first()
            )
            .into());
        }
    }
    let mut text = String::new();
    let (programme, trial) = (Uuid::now_v7(), Uuid::now_v7());
    for n in 0..RECORDS {
        writeln!(
            text,
            "{programme}\t2026\t{}\t{trial}\t{}\tacidity_g_l\t7.5\t7.5\t2026-07-01T12:00:00Z\tmeasured\t2026-07-01T12:00:00Z",
            Uuid::now_v7(),
            trees[n % trees.len()].tree_id
        )?;
    }
    let columns = "programme_id, year, id, trial_id, tree_id, trait, value, sent, observed_at, observer, recorded_at";
    Ok(Measured {
        what: "records taken in a batch of 5,000",
        rate: middle(rates),
        baseline: "COPY of as many rows into a like table",
        baseline_rate: copy(plain, "evaluation.record", columns, text, RECORDS).await?,
        remark: String::new(),
    })
}
