//! The harness of the end-to-end tests: a whole Drupeline on a port of its own, with a database of
//! its own, in a fraction of a second.
//!
//! PostgreSQL is the one that `TEST_DATABASE_URL` names (as a superuser), else one in a container
//! where a Docker daemon answers, else a private one from installed binaries. A template database
//! is migrated and peopled once; every test works in a clone of it.

pub mod client;
pub mod crossing;
pub mod postgres;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};

use drupeline::assembly::{self, Plan};
use drupeline::demo::accounts::{self, Account, Founding};
use platform::Clock;
use platform::database;
use platform::origin::TrustedProxies;
use platform::peers::{Peers, ServiceName};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _, PgPool};
use tokio::net::TcpListener;
use tokio::sync::OnceCell;

pub use client::{Client, Reply};

/// The installation's set-up key.
pub const SETUP_KEY: &str = "set-up key of the tests";
/// Key of the lock under which the template is made.
const TEMPLATE_LOCK: i64 = 0x7465_6d70;
/// Hashing a strong password is slow on purpose, so the tests' accounts share one.
const PASSWORD: &str = "a password for tests only";

const FIRST: Founding = Founding {
    programme: "Tests",
    login_suffix: "",
    nurseries: [("Nursery A", "US"), ("Nursery B", "CL")],
};
const OTHER: Founding = Founding {
    programme: "Other tests",
    login_suffix: "-other",
    nurseries: [("Nursery A", "US"), ("Nursery B", "CL")],
};

/// A running Drupeline, seen from one of its two programmes.
pub struct System {
    address: SocketAddr,
    accounts: BTreeMap<String, Account>,
    others: BTreeMap<String, Account>,
    databases: BTreeMap<ServiceName, PgConnectOptions>,
    peers: Peers,
    here: Arc<OnceLock<axum::Router>>,
}

struct Template {
    name: String,
    first: BTreeMap<String, Account>,
    other: BTreeMap<String, Account>,
}

impl System {
    /// Starts a Drupeline with a fresh database.
    pub async fn start() -> Self {
        Self::start_at(Clock::System).await
    }

    /// Starts a Drupeline whose clock is given.
    pub async fn start_at(clock: Clock) -> Self {
        // Tests receive events on their own machine.
        let settings = release::Settings {
            public_url: None,
            webhooks: release::Reach::Anywhere,
        };
        Self::start_with(clock, settings).await
    }

    /// Starts a Drupeline behind proxies whose word for an address is taken.
    pub async fn start_behind(proxies: &str) -> Self {
        let proxies = proxies.parse().expect("addresses of proxies");
        Self::start_as(Clock::System, release::Settings::default(), proxies).await
    }

    /// Starts a Drupeline whose clock and release settings are given.
    pub async fn start_with(clock: Clock, release: release::Settings) -> Self {
        Self::start_as(clock, release, TrustedProxies::default()).await
    }

    async fn start_as(clock: Clock, release: release::Settings, proxies: TrustedProxies) -> Self {
        static TEMPLATE: OnceCell<Template> = OnceCell::const_new();
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let template = TEMPLATE.get_or_init(make_template).await;
        let name = format!(
            "drupeline_test_{}_{}",
            std::process::id(),
            NEXT.fetch_add(1, Ordering::Relaxed)
        );
        let admin_url = postgres::url().await;
        let mut admin = connect(&admin_url).await;
        // Cloning needs the template to itself for a moment.
        lock(&mut admin).await;
        execute(
            &mut admin,
            format!("create database {name} template {}", template.name),
        )
        .await;
        unlock(&mut admin).await;
        admin
            .close()
            .await
            .expect("the administrator's connection closes");

        let url = postgres::with_database(&admin_url, &name);
        let (assembled, databases) = assemble(&url, clock, release, proxies).await;
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("the port's address");
        tokio::spawn(platform::server::serve(
            listener,
            assembled.router,
            assembled.background,
            std::future::pending(),
        ));
        Self {
            address,
            accounts: template.first.clone(),
            others: template.other.clone(),
            databases,
            peers: assembled.peers,
            here: assembled.here,
        }
    }

    /// The same Drupeline, seen from the other programme.
    pub async fn other_programme(&self) -> Self {
        Self {
            address: self.address,
            accounts: self.others.clone(),
            others: self.accounts.clone(),
            databases: self.databases.clone(),
            peers: self.peers.clone(),
            here: self.here.clone(),
        }
    }

    /// Base address, as `http://127.0.0.1:40123`.
    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Reaches the services in process, as the dashboard does.
    pub fn peers(&self) -> &Peers {
        &self.peers
    }

    /// The account of a role: `admin`, `breeder`, `field`, `trials`, `rights`, `manager`,
    /// `partner_a` or `partner_b`.
    pub fn account(&self, role: &str) -> &Account {
        self.accounts
            .get(role)
            .unwrap_or_else(|| panic!("there is no account {role}"))
    }

    /// Every account's key.
    pub fn roles(&self) -> Vec<String> {
        self.accounts.keys().cloned().collect()
    }

    /// A client that is signed in as a role.
    pub async fn sign_in(&self, role: &str) -> Client {
        let account = self.account(role);
        let reply = self
            .anonymous()
            .post(
                "/api/identity/v1/sessions",
                &serde_json::json!({ "login": account.login, "password": account.password }),
            )
            .await;
        let body = reply.expect(200);
        let token = body["access_token"].as_str().expect("an access token");
        Client::new(self.url(), Some(token.to_owned()))
    }

    /// A client that is not signed in.
    pub fn anonymous(&self) -> Client {
        Client::new(self.url(), None)
    }

    /// Plain SQL as a service's own role.
    pub async fn pool(&self, service: ServiceName) -> PgPool {
        let options = self.databases[&service].clone();
        database::connect(options, service, 2)
            .await
            .expect("the service's role connects")
    }
}

async fn assemble(
    url: &str,
    clock: Clock,
    release: release::Settings,
    trusted_proxies: TrustedProxies,
) -> (assembly::Assembled, BTreeMap<ServiceName, PgConnectOptions>) {
    let admin: PgConnectOptions = url.parse().expect("a database URL");
    let databases: BTreeMap<ServiceName, PgConnectOptions> = assembly::WITH_TABLES
        .into_iter()
        .map(|service| {
            let own = admin
                .clone()
                .username(&service.database_role())
                .password(&postgres::role_password(service));
            (service, own)
        })
        .collect();
    let here: Vec<ServiceName> = <ServiceName as platform::fields::Words>::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    let assembled = assembly::assemble(Plan {
        service_secrets: here
            .iter()
            .map(|&service| (service, format!("secret of {service}")))
            .collect(),
        here,
        databases: databases.clone(),
        connections: 4,
        setup_key: Some(SETUP_KEY.to_owned()),
        elsewhere: BTreeMap::new(),
        clock,
        trusted_proxies,
        release,
    })
    .await
    .expect("the services assemble");
    (assembled, databases)
}

/// Makes the template of this process: migrated, with two programmes and all their accounts.
async fn make_template() -> Template {
    let admin_url = postgres::url().await;
    let name = format!("drupeline_template_{}", std::process::id());
    let mut admin = connect(&admin_url).await;
    lock(&mut admin).await;
    execute(&mut admin, format!("drop database if exists {name}")).await;
    execute(&mut admin, format!("create database {name}")).await;
    let url = postgres::with_database(&admin_url, &name);
    // Roles belong to the server, so their passwords must not differ between databases.
    drupeline::migrate::run_with_role_passwords(&url, postgres::role_password)
        .await
        .expect("the schemas migrate");
    let (assembled, _) = assemble(
        &url,
        Clock::System,
        release::Settings::default(),
        TrustedProxies::default(),
    )
    .await;
    let found = async |founding| {
        accounts::found(&assembled.peers, SETUP_KEY, founding, || {
            PASSWORD.to_owned()
        })
        .await
        .expect("the programme is founded")
    };
    let first = found(&FIRST).await;
    let other = found(&OTHER).await;
    for pool in assembled.pools.values() {
        pool.close().await;
    }
    unlock(&mut admin).await;
    Template { name, first, other }
}

async fn connect(url: &str) -> sqlx::PgConnection {
    let options: PgConnectOptions = url.parse().expect("a database URL");
    options.connect().await.expect("PostgreSQL answers")
}

async fn execute(connection: &mut sqlx::PgConnection, statement: String) {
    sqlx::raw_sql(AssertSqlSafe(statement.clone()))
        .execute(connection)
        .await
        .unwrap_or_else(|error| panic!("{statement}: {error}"));
}

async fn lock(connection: &mut sqlx::PgConnection) {
    execute(
        connection,
        format!("select pg_advisory_lock({TEMPLATE_LOCK})"),
    )
    .await;
}

async fn unlock(connection: &mut sqlx::PgConnection) {
    execute(
        connection,
        format!("select pg_advisory_unlock({TEMPLATE_LOCK})"),
    )
    .await;
}
