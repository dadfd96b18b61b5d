//! `drupeline bench`: how the system does against named baselines, measured in the same run.
//!
//! Absolute figures tell of the machine; the ratio tells of the program. Everything happens on a
//! private PostgreSQL of its own, filled with a small demo, and is gone afterwards.

mod announcing;
mod day_list;
mod due_dates;
mod load;
mod release_status;
mod seedlings;
mod year;

use std::collections::BTreeMap;
use std::error::Error;
use std::time::{Duration, Instant};

use platform::config::Secret;
use platform::fields::Words as _;
use platform::peers::ServiceName;
use platform::quota::Quota;
use platform::{Clock, server};
use private_postgres::{PrivatePostgres, binaries_from_environment};
use sqlx::PgPool;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};

use crate::assembly::{self, Plan};
use crate::demo::accounts::{self, Account, Founding};
use crate::demo::history::Size;
use crate::demo::loading;
use crate::migrate;
use crate::settings::Settings;
use crate::up::random_secret;

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

const CONNECTIONS: u32 = 16;
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
    /// What else is worth saying, as the slowest calls.
    remark: String,
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
    measured
}

impl Measured {
    /// Printed as soon as it is known: what comes after may still fail.
    fn tell(&self) {
        println!(
            "{:<48} {:>12.0} {:>9.3}  {} ({:.0} per second){}",
            self.what,
            self.rate,
            self.rate / self.baseline_rate,
            self.baseline,
            self.baseline_rate,
            self.remark,
        );
    }
}

async fn measure(url: &str, time: Duration) -> Outcome<()> {
    eprintln!("drupeline: preparing a database …");
    migrate::run(url).await?;
    let admin: PgConnectOptions = url.parse()?;
    let databases = migrate::role_databases(url, assembly::WITH_TABLES).await?;
    let setup_key = Secret::random();
    let here: Vec<ServiceName> = ServiceName::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    let assembled = assembly::assemble(Plan {
        service_secrets: here
            .iter()
            .map(|&service| (service, Secret::random()))
            .collect(),
        here,
        databases,
        connections: CONNECTIONS,
        setup_key: Some(setup_key.clone()),
        elsewhere: BTreeMap::new(),
        clock: Clock::System,
        settings: Settings {
            person: Quota::UNLIMITED,
            ..Settings::default()
        },
        health: platform::health::Health::default(),
    })
    .await?;
    let peers = assembled.peers.clone();
    let evaluation = assembled.pools.get(&ServiceName::Evaluation).cloned();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    tokio::spawn(server::serve(
        listener,
        assembled.router,
        assembled.background,
        std::future::pending(),
    ));
    let accounts = accounts::found(&peers, setup_key.reveal(), &FOUNDING, random_secret).await?;
    let today = Clock::System.today();
    let hidden = indicatif::ProgressBar::hidden();
    loading::load(&peers, &accounts, Size::SMALL, today, hidden).await?;
    let plain = PgPoolOptions::new()
        .max_connections(CONNECTIONS)
        .test_before_acquire(false)
        .connect_with(admin)
        .await?;

    eprintln!("drupeline: measuring …");
    println!(
        "{:<48} {:>12} {:>9}  against",
        "measured", "per second", "ratio"
    );
    release_status::measure(&peers, &accounts, address, url, &plain, time)
        .await?
        .tell();
    seedlings::measure(&peers, &accounts, &plain, today)
        .await?
        .tell();
    due_dates::measure(&plain, today).await?.tell();
    day_list::measure(&peers, &accounts, &plain).await?.tell();
    let evaluation = evaluation.ok_or("the evaluation service has no tables")?;
    announcing::measure(&evaluation, &plain).await?.tell();
    let here = format!("http://{address}");
    year::measure(&peers, &accounts, &here, &plain, today).await
}

fn account<'a>(accounts: &'a BTreeMap<String, Account>, role: &str) -> Outcome<&'a Account> {
    accounts
        .get(role)
        .ok_or_else(|| format!("there is no account {role}").into())
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
        let took = copied(plain, like, columns, &text).await?;
        rates.push(n as f64 / took.as_secs_f64());
    }
    Ok(middle(rates))
}

/// Time of COPY into an empty table like another, with its indexes.
async fn copied(
    plain: &PgPool,
    like: &'static str,
    columns: &'static str,
    text: &str,
) -> Outcome<Duration> {
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
    Ok(started.elapsed())
}
