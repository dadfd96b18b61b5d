//! Numbering and planting seedlings in one call.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Instant;

use contract::crossing::{ListCrossesRequest, PlantSeedlingsRequest};
use platform::Fault;
use platform::peers::Peers;
use sqlx::PgPool;
use uuid::Uuid;

use super::{Measured, Outcome, ROUNDS, account, copy, middle};
use crate::demo::accounts::{self, Account};
use crate::import::remote::Remote;

const SEEDLINGS: u32 = 50_000;

pub(super) async fn measure(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    plain: &PgPool,
    today: jiff::civil::Date,
) -> Outcome<Measured> {
    let token = accounts::sign_in(peers, account(accounts, "breeder")?).await?;
    let remote = Remote::new(peers, &token);
    let request = ListCrossesRequest {
        limit: 1,
        ..Default::default()
    };
    let crosses = remote
        .crossing()?
        .list_crosses(request)
        .await
        .map_err(Fault::from)?;
    let cross_id = crosses
        .into_inner()
        .items
        .first()
        .map(|c| c.id.clone())
        .ok_or("no cross")?;
    let mut rates = Vec::new();
    for round in 0..ROUNDS {
        let request = PlantSeedlingsRequest {
            cross_id: cross_id.clone(),
            planted_n: SEEDLINGS,
            block: format!("measured {round}"),
            first_row: 1,
            on: today.to_string(),
            reason: "a measurement".to_owned(),
            ..Default::default()
        };
        let started = Instant::now();
        remote
            .crossing()?
            .plant_seedlings(request)
            .await
            .map_err(Fault::from)?;
        rates.push(f64::from(SEEDLINGS) / started.elapsed().as_secs_f64());
    }
    let mut text = String::new();
    let (programme, cross, planting) = (Uuid::now_v7(), Uuid::now_v7(), Uuid::now_v7());
    for n in 1..=SEEDLINGS {
        let (row, position) = (n / 100 + 1, n % 100 + 1);
        writeln!(
            text,
            "{programme}\t2026\t{}\t{cross}\t{planting}\t{n}\t26-0001-{n:05}\tsite\tblock\t{row}\t{position}",
            Uuid::now_v7()
        )?;
    }
    let columns = "programme_id, season, id, cross_id, planting_id, place, number, site, block, row_n, position_n";
    Ok(Measured {
        what: "seedlings numbered in one call of 50,000",
        rate: middle(rates),
        baseline: "COPY of as many rows into a like table",
        baseline_rate: copy(
            plain,
            "crossing.seedling",
            columns,
            text,
            SEEDLINGS as usize,
        )
        .await?,
        remark: String::new(),
    })
}
