//! The harness of the end-to-end tests: a whole Drupeline on a port of its own, with a database of
//! its own, in a fraction of a second.
//!
//! PostgreSQL is the one that `TEST_DATABASE_URL` names (as a superuser), else one in a container
//! where a Docker daemon answers, else a private one from installed binaries. A template database
//! is migrated and peopled once; every test works in a clone of it.

pub mod client;
pub mod crossing;
pub mod postgres;
pub mod wire;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};

use drupeline::assembly::{self, Plan};
use drupeline::demo::accounts::{self, Account, Founding};
use drupeline::settings::Settings;
use platform::Clock;
use platform::config::Secret;
use platform::database;
use platform::peers::{Peers, Place, ServiceName};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _, PgPool};
use tokio::net::TcpListener;
use tokio::sync::OnceCell;

pub use client::{Client, Reply};

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
    database_url: String,
    clock: Clock,
    settings: Settings,
}

/// The set-up key of the tests, and what each service proves itself with.
struct Secrets {
    setup_key: Secret,
    services: BTreeMap<ServiceName, Secret>,
}

fn secrets() -> &'static Secrets {
    static SECRETS: OnceLock<Secrets> = OnceLock::new();
    SECRETS.get_or_init(|| Secrets {
        setup_key: Secret::random(),
        services: <ServiceName as platform::fields::Words>::ALL
            .iter()
            .map(|(service, _)| (*service, Secret::random()))
            .collect(),
    })
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
        Self::start_with(clock, |settings| {
            // Tests receive events on their own machine.
            settings.release.webhooks = release::Reach::Anywhere;
        })
        .await
    }

    /// Starts a Drupeline whose clock and settings are given; it is its own public address.
    pub async fn start_with(clock: Clock, decide: impl FnOnce(&mut Settings)) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let template = template().await;
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
        let databases = databases(&url);
        let accounts = (&template.first, &template.other);
        Self::serve(url, databases, clock, accounts, decide).await
    }

    /// Another process on the same database, as far as a test can tell.
    pub async fn beside(&self) -> Self {
        let settings = self.settings.clone();
        let accounts = (&self.accounts, &self.others);
        let (databases, clock) = (self.databases.clone(), self.clock.clone());
        Self::serve(
            self.database_url.clone(),
            databases,
            clock,
            accounts,
            |its| {
                *its = settings;
            },
        )
        .await
    }

    /// Starts a Drupeline on a database that was made from another test's, as by a restore, with the
    /// passwords that `migrate` gave its roles.
    pub async fn on_restored(url: String) -> Self {
        let databases = drupeline::migrate::role_databases(&url, assembly::WITH_TABLES)
            .await
            .expect("the roles have passwords");
        let template = template().await;
        let accounts = (&template.first, &template.other);
        Self::serve(url, databases, Clock::System, accounts, |_| {}).await
    }

    async fn serve(
        url: String,
        databases: BTreeMap<ServiceName, PgConnectOptions>,
        clock: Clock,
        (accounts, others): (&BTreeMap<String, Account>, &BTreeMap<String, Account>),
        decide: impl FnOnce(&mut Settings),
    ) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("the port's address");
        let mut settings = Settings::default();
        settings.release.public_url = Some(format!("http://{address}"));
        decide(&mut settings);
        let assembled = assemble(databases.clone(), clock.clone(), settings.clone()).await;
        tokio::spawn(platform::server::serve(
            listener,
            assembled.router,
            assembled.background,
            std::future::pending(),
        ));
        Self {
            address,
            accounts: accounts.clone(),
            others: others.clone(),
            databases,
            peers: assembled.peers,
            here: assembled.here,
            database_url: url,
            clock,
            settings,
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
            database_url: self.database_url.clone(),
            clock: self.clock.clone(),
            settings: self.settings.clone(),
        }
    }

    /// The database's URL, as its administrator.
    pub fn admin_url(&self) -> &str {
        &self.database_url
    }

    /// Reaches the services in process, as one of them does.
    pub fn peers_of(&self, service: ServiceName) -> Peers {
        let places = assembly::WITH_TABLES
            .into_iter()
            .map(|other| (other, Place::Here(Arc::downgrade(&self.here))))
            .collect();
        let secret = secrets().services[&service].reveal().to_owned();
        Peers::new(service, secret, places)
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

    /// A client with a service's token.
    pub async fn as_service(&self, service: ServiceName) -> Client {
        let secret = secrets().services[&service].reveal();
        let token = self
            .anonymous()
            .post(
                "/api/identity/v1/service-tokens",
                &serde_json::json!({ "service": service.to_string(), "secret": secret }),
            )
            .await
            .expect(200);
        let token = token["access_token"].as_str().expect("an access token");
        Client::new(self.url(), Some(token.to_owned()))
    }

    /// A client that is not signed in.
    pub fn anonymous(&self) -> Client {
        Client::new(self.url(), None)
    }

    /// Plain SQL as the administrator of the database.
    pub async fn admin(&self) -> sqlx::PgConnection {
        connect(&self.database_url).await
    }

    /// Plain SQL as a service's own role.
    pub async fn pool(&self, service: ServiceName) -> PgPool {
        self.pool_of(service, 2).await
    }

    /// The same with more connections.
    pub async fn pool_of(&self, service: ServiceName, connections_n: u32) -> PgPool {
        let options = self.databases[&service].clone();
        database::connect(options, service, connections_n)
            .await
            .expect("the service's role connects")
    }
}

async fn template() -> &'static Template {
    static TEMPLATE: OnceCell<Template> = OnceCell::const_new();
    TEMPLATE.get_or_init(make_template).await
}

/// A database as each service's role reaches it.
fn databases(url: &str) -> BTreeMap<ServiceName, PgConnectOptions> {
    let admin: PgConnectOptions = url.parse().expect("a database URL");
    assembly::WITH_TABLES
        .into_iter()
        .map(|service| {
            let own = admin
                .clone()
                .username(&service.database_role())
                .password(&postgres::role_password(service));
            (service, own)
        })
        .collect()
}

async fn assemble(
    databases: BTreeMap<ServiceName, PgConnectOptions>,
    clock: Clock,
    settings: Settings,
) -> assembly::Assembled {
    let here: Vec<ServiceName> = <ServiceName as platform::fields::Words>::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    assembly::assemble(Plan {
        service_secrets: secrets().services.clone(),
        here,
        databases,
        connections: 4,
        setup_key: Some(secrets().setup_key.clone()),
        elsewhere: BTreeMap::new(),
        clock,
        settings,
        health: platform::health::Health::default(),
    })
    .await
    .expect("the services assemble")
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
    drupeline::migrate::run_with_role_passwords(&url, |s| Some(postgres::role_password(s)))
        .await
        .expect("the schemas migrate");
    let assembled = assemble(databases(&url), Clock::System, Settings::default()).await;
    let found = async |founding| {
        accounts::found(
            &assembled.peers,
            secrets().setup_key.reveal(),
            founding,
            || PASSWORD.to_owned(),
        )
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

/// A connection to a database, as its administrator.
pub async fn connect(url: &str) -> sqlx::PgConnection {
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
