//! `drupeline bench`: how the system does against named baselines, measured in the same run.
//!
//! Absolute figures tell of the machine; the ratio tells of the program. Everything happens on a
//! private PostgreSQL of its own, filled with a small demo, and is gone afterwards.

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::future::Future;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use contract::crossing::{ListCrossesRequest, PlantSeedlingsRequest};
use contract::evaluation::{GetLayoutRequest, RecordBatchRow, TakeRecordsRequest, TrialTree};
use platform::fields::Words as _;
use platform::peers::{Peers, ServiceName};
use platform::{Clock, Fault, database, server};
use private_postgres::{PrivatePostgres, binaries_from_environment};
use sqlx::PgPool;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use uuid::Uuid;

use crate::assembly::{self, Plan};
use crate::demo::accounts::{self, Account, Founding};
use crate::demo::history::Size;
use crate::demo::loading;
use crate::import::remote::Remote;
use crate::migrate;
use crate::up::random_secret;

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

const SETUP_KEY: &str = "set-up key of a database that lives for one run";
const CONNECTIONS: u32 = 16;
const SEEDLINGS: u32 = 50_000;
const RECORDS: usize = 5_000;
const ROUNDS: usize = 3;
const FOUNDING: Founding = Founding {
    programme: "Measured programme",
    login_suffix: "",
    nurseries: [("Nursery A", "US"), ("Nursery B", "CL")],
};

/// One figure beside its baseline, each in units a second.
struct Measured {
    what: &'static str,
    rate: f64,
    baseline: &'static str,
    baseline_rate: f64,
}

/// Measures, and prints a line for each figure.
///
/// # Errors
/// When no private PostgreSQL can be started or a call is refused.
pub fn run(seconds: u32) -> Outcome<()> {
    // Started before the runtime, so that it ends with the thread that lives as long as we do.
    let postgres = PrivatePostgres::start_temporary(binaries_from_environment())?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let measured = runtime.block_on(measure(
        &postgres.url(),
        Duration::from_secs(seconds.into()),
    ));
    drop(runtime);
    postgres.stop()?;
    println!(
        "{:<44} {:>12} {:>9}  against",
        "measured", "per second", "ratio"
    );
    for line in measured? {
        println!(
            "{:<44} {:>12.0} {:>9.3}  {} ({:.0} per second)",
            line.what,
            line.rate,
            line.rate / line.baseline_rate,
            line.baseline,
            line.baseline_rate,
        );
    }
    Ok(())
}

async fn measure(url: &str, time: Duration) -> Outcome<Vec<Measured>> {
    eprintln!("drupeline: preparing a database …");
    migrate::run(url).await?;
    let admin: PgConnectOptions = url.parse()?;
    let mut databases = BTreeMap::new();
    for service in assembly::WITH_TABLES {
        let password = migrate::role_password(service, url)?;
        let options = database::options(migrate::DATABASE_URL, url)?;
        databases.insert(
            service,
            options
                .username(&service.database_role())
                .password(&password),
        );
    }
    let here: Vec<ServiceName> = ServiceName::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    let assembled = assembly::assemble(Plan {
        service_secrets: here
            .iter()
            .map(|&service| (service, random_secret()))
            .collect(),
        here,
        databases,
        connections: CONNECTIONS,
        setup_key: Some(SETUP_KEY.to_owned()),
        elsewhere: BTreeMap::new(),
        clock: Clock::System,
    })
    .await?;
    let peers = assembled.peers.clone();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    tokio::spawn(server::serve(
        listener,
        assembled.router,
        assembled.background,
        std::future::pending(),
    ));
    let accounts = accounts::found(&peers, SETUP_KEY, &FOUNDING, random_secret).await?;
    let today = Clock::System.today();
    let hidden = indicatif::ProgressBar::hidden();
    let demo = loading::load(&peers, &accounts, Size::SMALL, today, hidden).await?;
    let plain = PgPoolOptions::new()
        .max_connections(CONNECTIONS)
        .test_before_acquire(false)
        .connect_with(admin)
        .await?;

    eprintln!("drupeline: measuring …");
    Ok(vec![
        release_status(
            &peers,
            &accounts,
            &format!("http://{address}"),
            &plain,
            time,
        )
        .await?,
        seedlings(&peers, &accounts, &plain, today).await?,
        records(&peers, &accounts, &plain, &demo.trials).await?,
        due_dates(&plain, today).await?,
    ])
}

fn account<'a>(accounts: &'a BTreeMap<String, Account>, role: &str) -> Outcome<&'a Account> {
    accounts
        .get(role)
        .ok_or_else(|| format!("there is no account {role}").into())
}

/// Calls a second of as many tasks as there are connections.
async fn per_second<F, T>(time: Duration, task: F) -> Outcome<f64>
where
    F: Fn() -> T,
    T: Repeated,
{
    let done = Arc::new(AtomicU64::new(0));
    let end = Instant::now() + time;
    let started = Instant::now();
    let mut running = tokio::task::JoinSet::new();
    for _ in 0..CONNECTIONS {
        let (done, mut call) = (done.clone(), task());
        running.spawn(async move {
            while Instant::now() < end {
                call.once().await?;
                done.fetch_add(1, Ordering::Relaxed);
            }
            Outcome::Ok(())
        });
    }
    while let Some(ended) = running.join_next().await {
        ended??;
    }
    Ok(done.load(Ordering::Relaxed) as f64 / started.elapsed().as_secs_f64())
}

/// A call that is made over and over.
trait Repeated: Send + 'static {
    /// Makes it once.
    fn once(&mut self) -> impl Future<Output = Outcome<()>> + Send;
}

struct Ask {
    client: reqwest::Client,
    address: String,
    token: String,
}

impl Repeated for Ask {
    async fn once(&mut self) -> Outcome<()> {
        let reply = self
            .client
            .get(&self.address)
            .bearer_auth(&self.token)
            .send()
            .await?;
        reply.error_for_status()?.bytes().await?;
        Ok(())
    }
}

struct Select {
    pool: PgPool,
    id: Uuid,
}

impl Repeated for Select {
    async fn once(&mut self) -> Outcome<()> {
        let _: (Uuid, String) =
            sqlx::query_as("select id, code from release.candidate where id = $1")
                .bind(self.id)
                .fetch_one(&self.pool)
                .await?;
        Ok(())
    }
}

async fn release_status(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    url: &str,
    plain: &PgPool,
    time: Duration,
) -> Outcome<Measured> {
    let token = accounts::sign_in(peers, account(accounts, "partner_a")?).await?;
    let address = format!("{url}/api/release/v1/partner/release-status");
    let (id,): (Uuid,) = sqlx::query_as("select id from release.candidate limit 1")
        .fetch_one(plain)
        .await?;
    let select = || Select {
        pool: plain.clone(),
        id,
    };
    let ask = || Ask {
        client: reqwest::Client::new(),
        address: address.clone(),
        token: token.clone(),
    };
    // The first calls open connections and prepare statements.
    per_second(Duration::from_millis(300), ask).await?;
    per_second(Duration::from_millis(300), select).await?;
    Ok(Measured {
        what: "partner's release status over HTTP",
        rate: per_second(time, ask).await?,
        baseline: "select of one row by key, 16 connections",
        baseline_rate: per_second(time, select).await?,
    })
}

/// Candidates whose due dates are recomputed.
const CANDIDATES: i32 = 10_000;

/// All due dates of many candidates in every covered jurisdiction, reading their rows included,
/// against reading the same rows alone.
async fn due_dates(plain: &PgPool, today: jiff::civil::Date) -> Outcome<Measured> {
    let mut connection = plain.acquire().await?;
    sqlx::raw_sql("set search_path to release")
        .execute(&mut *connection)
        .await?;
    let programme = platform::ProgrammeId::new();
    for statement in [
        "insert into candidate (programme_id, id, germplasm_id, plant_number, code, species, stage, \
           stage_since, registered_at) \
         select $1, gen_random_uuid(), gen_random_uuid(), '', n::text, 'Prunus persica', \
           'multi_site', '2020-01-01', now() from generate_series(1, $2) n",
        "insert into disclosure (programme_id, id, candidate_id, kind, on_day, country, detail, \
           disclosed_to, recorded_by, at) \
         select $1, gen_random_uuid(), c.id, kind, date '2019-01-01' + c.code::int % 2500 + days, \
           (array['US', 'ES', 'CL', 'AU'])[1 + c.code::int % 4], '', '', '', now() \
         from candidate c, (values ('first_sale', 0), ('publication', 30)) as told (kind, days) \
         where c.programme_id = $1 and $2 > 0",
        "insert into filing (programme_id, id, candidate_id, jurisdiction, kind, filed_on, \
           application_number, granted_on, grant_number, recorded_by, at) \
         select $1, gen_random_uuid(), c.id, 'EU', 'community_plant_variety_right', \
           date '2019-01-01' + c.code::int % 2500 + 200, '', \
           date '2019-01-01' + c.code::int % 2500 + 900, '', '', now() \
         from candidate c where c.programme_id = $1 and $2 > 0",
    ] {
        sqlx::query(statement)
            .bind(programme)
            .bind(CANDIDATES)
            .execute(&mut *connection)
            .await?;
    }
    sqlx::raw_sql("analyze candidate; analyze disclosure; analyze filing")
        .execute(&mut *connection)
        .await?;
    let (mut read, mut recomputed) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let started = Instant::now();
        let dossiers = release::pass::read(&mut connection, programme).await?;
        read.push(f64::from(CANDIDATES) / started.elapsed().as_secs_f64());
        if dossiers.len() != CANDIDATES as usize {
            return Err(format!("{} candidates were read", dossiers.len()).into());
        }
        let started = Instant::now();
        let dossiers = release::pass::read(&mut connection, programme).await?;
        let dates_n = release::pass::due_dates(&dossiers, today)?;
        recomputed.push(f64::from(CANDIDATES) / started.elapsed().as_secs_f64());
        if dates_n == 0 {
            return Err("no date is due".into());
        }
    }
    Ok(Measured {
        what: "candidates, all due dates in 10 jurisdictions",
        rate: middle(recomputed),
        baseline: "reading the rows they are computed from",
        baseline_rate: middle(read),
    })
}

/// The middle of a few rounds, in units a second.
fn middle(mut rates: Vec<f64>) -> f64 {
    rates.sort_by(f64::total_cmp);
    rates[rates.len() / 2]
}

/// Rows a second of COPY into a table like another, with its indexes.
async fn copy(
    plain: &PgPool,
    like: &'static str,
    columns: &'static str,
    text: String,
    n: usize,
) -> Outcome<f64> {
    let mut rates = Vec::new();
    for _ in 0..ROUNDS {
        let mut connection = plain.acquire().await?;
        sqlx::raw_sql(sqlx::AssertSqlSafe(format!(
            "drop table if exists public.measured; create table public.measured (like {like} including all)"
        )))
        .execute(&mut *connection)
        .await?;
        let started = Instant::now();
        let mut sink = connection
            .copy_in_raw(&format!("copy public.measured ({columns}) from stdin"))
            .await?;
        sink.send(text.as_bytes()).await?;
        sink.finish().await?;
        rates.push(n as f64 / started.elapsed().as_secs_f64());
    }
    Ok(middle(rates))
}

async fn seedlings(
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
    })
}

async fn records(
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
    })
}
