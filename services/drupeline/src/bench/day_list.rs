//! The day's list of a full day of bloom.

use std::collections::BTreeMap;
use std::time::Instant;

use contract::crossing::{
    GatherPollenRequest, GetDayRequest, ImportSeasonRequest, OpenSeasonRequest, PlanCrossRequest,
    RecordBloomRequest, RecordPassRequest, RecordPollenEventRequest, RegisterGermplasmRequest,
    RegisterMotherRequest,
};
use platform::Fault;
use platform::peers::Peers;
use sqlx::PgPool;
use uuid::Uuid;

use super::{Measured, Outcome, account, middle};
use crate::demo::accounts::{self, Account};
use crate::demo::history::TIME_ZONE;
use crate::import::remote::Remote;

const VARIETIES: usize = 150;
const MOTHERS: usize = 600;
const LISTS: usize = 15;
/// A season that the demo does not have.
const YEAR: i32 = 2011;
const DAY: &str = "2011-02-14";

pub(super) async fn measure(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    plain: &PgPool,
) -> Outcome<Measured> {
    let token = accounts::sign_in(peers, account(accounts, "breeder")?).await?;
    let remote = Remote::new(peers, &token);
    let reply = remote
        .crossing()?
        .import_season(season())
        .await
        .map_err(Fault::from)?
        .into_inner();
    if let Some(fault) = reply.faults.first() {
        let told = fault.errors.first().map_or("", |e| e.message.as_str());
        return Err(format!("{} row {}: {told}", fault.section, fault.row).into());
    }
    let mut rates = Vec::new();
    let mut due_n = 0;
    for _ in 0..LISTS {
        let request = GetDayRequest {
            date: DAY.to_owned(),
            morning: false,
        };
        let started = Instant::now();
        let list = remote
            .crossing()?
            .get_day(request)
            .await
            .map_err(Fault::from)?
            .into_inner();
        rates.push(1.0 / started.elapsed().as_secs_f64());
        due_n = list.passes.len();
    }
    let baseline_rate = bare_sql(plain).await?;
    Ok(Measured {
        what: "day's lists of 150 varieties × 600 mothers",
        rate: middle(rates),
        baseline: "the rows that they rest on, by bare SQL",
        baseline_rate,
        remark: format!("; {due_n} mothers due"),
    })
}

/// A season in which every mother is due on the day.
fn season() -> ImportSeasonRequest {
    let varieties: Vec<String> = (0..VARIETIES).map(|_| Uuid::now_v7().to_string()).collect();
    let lots: Vec<String> = (0..VARIETIES).map(|_| Uuid::now_v7().to_string()).collect();
    let mothers: Vec<String> = (0..MOTHERS).map(|_| Uuid::now_v7().to_string()).collect();
    let crosses: Vec<String> = (0..VARIETIES).map(|_| Uuid::now_v7().to_string()).collect();
    let id = || Uuid::now_v7().to_string();
    ImportSeasonRequest {
        seasons: vec![OpenSeasonRequest {
            id: id(),
            year: YEAR,
            site: "Measured house".to_owned(),
            time_zone: TIME_ZONE.to_owned(),
            ..Default::default()
        }],
        germplasm: (0..VARIETIES)
            .map(|n| RegisterGermplasmRequest {
                id: varieties[n].clone(),
                name: format!("Measured variety {n}"),
                species: "Prunus persica".to_owned(),
                kind: "variety".to_owned(),
                ..Default::default()
            })
            .collect(),
        mothers: (0..MOTHERS)
            .map(|n| RegisterMotherRequest {
                id: mothers[n].clone(),
                germplasm_id: varieties[n % VARIETIES].clone(),
                house: "Measured house".to_owned(),
                row: 1 + n as u32 / 30,
                position: 1 + n as u32 % 30,
                container_l: Some(60.0),
                on: format!("{}-11-20", YEAR - 1),
                ..Default::default()
            })
            .collect(),
        bloom_records: varieties
            .iter()
            .flat_map(|variety| {
                [(59, 12), (61, 13)].map(|(stage_bbch, day)| RecordBloomRequest {
                    id: id(),
                    germplasm_id: variety.clone(),
                    on: format!("{YEAR}-02-{day}"),
                    stage_bbch,
                    ..Default::default()
                })
            })
            .collect(),
        pollen_lots: (0..VARIETIES)
            .map(|n| GatherPollenRequest {
                id: lots[n].clone(),
                germplasm_id: varieties[n].clone(),
                gathered_on: format!("{YEAR}-02-11"),
                flowers_n: 60,
                stage_bbch: 59,
                ..Default::default()
            })
            .collect(),
        pollen_events: lots
            .iter()
            .map(|lot| RecordPollenEventRequest {
                pollen_lot_id: lot.clone(),
                id: id(),
                kind: "dried".to_owned(),
                on: format!("{YEAR}-02-12"),
                ..Default::default()
            })
            .collect(),
        crosses: (0..VARIETIES)
            .map(|n| PlanCrossRequest {
                id: crosses[n].clone(),
                season: YEAR.to_string(),
                seed_parent_id: varieties[n].clone(),
                pollen_parent_id: varieties[(n + 1) % VARIETIES].clone(),
                objective: "a measurement".to_owned(),
                fruit_wanted_n: 100,
                ..Default::default()
            })
            .collect(),
        passes: (0..MOTHERS)
            .map(|n| RecordPassRequest {
                cross_id: crosses[n % VARIETIES].clone(),
                id: id(),
                on: format!("{YEAR}-02-12"),
                pollen_lot_id: lots[(n + 1) % VARIETIES].clone(),
                mother_id: mothers[n].clone(),
                flowers_emasculated_n: 20,
                flowers_pollinated_n: 20,
                ..Default::default()
            })
            .collect(),
        ..Default::default()
    }
}

/// Lists' worth of rows a second: crosses with their parents' names, passes and fruit, mothers with
/// their events, notes of bloom, lots with their ledgers.
async fn bare_sql(plain: &PgPool) -> Outcome<f64> {
    let mut connection = plain.acquire().await?;
    let programme: Uuid = sqlx::query_scalar(
        "select programme_id from crossing.planned_cross where season = $1 limit 1",
    )
    .bind(YEAR)
    .fetch_one(&mut *connection)
    .await?;
    const READS: [&str; 7] = [
        "select c.*, m.name as seed_name, p.name as pollen_name from crossing.planned_cross c \
         join crossing.germplasm m on m.programme_id = c.programme_id and m.id = c.seed_parent_id \
         left join crossing.germplasm p on p.programme_id = c.programme_id and p.id = c.pollen_parent_id \
         where c.programme_id = $1 and c.season = $2",
        "select x.cross_id, x.mother_id, count(*), sum(x.pollinated_n), max(x.on_day) \
         from crossing.pass x join crossing.planned_cross c \
             on c.programme_id = x.programme_id and c.id = x.cross_id \
         where x.programme_id = $1 and c.season = $2 group by x.cross_id, x.mother_id",
        "select f.* from crossing.fruit_count f join crossing.planned_cross c \
             on c.programme_id = f.programme_id and c.id = f.cross_id \
         where f.programme_id = $1 and c.season = $2",
        "select m.*, g.name from crossing.mother m join crossing.germplasm g \
             on g.programme_id = m.programme_id and g.id = m.germplasm_id \
         where m.programme_id = $1 and $2::int is not null",
        "select * from crossing.mother_event where programme_id = $1 and $2::int is not null",
        "select b.* from crossing.bloom_record b where b.programme_id = $1 and $2::int is not null",
        "select l.*, e.* from crossing.pollen_lot l left join crossing.pollen_event e \
             on e.programme_id = l.programme_id and e.pollen_lot_id = l.id \
         where l.programme_id = $1 and l.season = $2",
    ];
    let mut rates = Vec::new();
    for _ in 0..LISTS {
        let started = Instant::now();
        for read in READS {
            sqlx::query(read)
                .bind(programme)
                .bind(YEAR)
                .fetch_all(&mut *connection)
                .await?;
        }
        rates.push(1.0 / started.elapsed().as_secs_f64());
    }
    Ok(middle(rates))
}
