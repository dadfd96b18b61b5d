//! Everything in one process, on a private PostgreSQL or on the one that `DATABASE_URL` names.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use platform::fields::Words as _;
use platform::peers::ServiceName;
use platform::{Clock, config, database, server};
use private_postgres::{Options, PrivatePostgres, binaries_from_environment};
use rand::distr::{Alphanumeric, SampleString as _};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

use crate::assembly::{self, Plan};
use crate::migrate::{self, DATABASE_URL};
use crate::serve::{bind, release_settings, stop_asked, trusted_proxies};

/// Name of the database inside a private PostgreSQL.
pub const DATABASE: &str = "drupeline";

/// What `up` was asked for.
pub struct Up {
    /// Load the demo programme on first start.
    pub demo: bool,
    /// Port on loopback.
    pub listen: SocketAddr,
    /// Folder for the private PostgreSQL and secrets.
    pub data_dir: PathBuf,
}

/// Runs until told to stop. Starts PostgreSQL before the runtime, so that it outlives every task.
///
/// # Errors
/// When PostgreSQL cannot be started, the port is taken or the data folder cannot be used.
pub fn run(up: &Up) -> Result<(), Box<dyn Error + Send + Sync>> {
    prepare_folder(&up.data_dir)?;
    let given = config::setting(DATABASE_URL)?;
    let private = match &given {
        Some(_) => None,
        None => {
            step("starting a private PostgreSQL");
            let mut options = Options::lasting(up.data_dir.join("postgres"));
            options.binaries = binaries_from_environment();
            Some(PrivatePostgres::start(options)?)
        }
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let result = runtime.block_on(async {
        let admin_url = match (&given, &private) {
            (Some(url), _) => {
                step("using the PostgreSQL that DATABASE_URL names");
                url.clone()
            }
            (None, Some(private)) => {
                ensure_database(&private.url()).await?;
                private.url_of(DATABASE)
            }
            (None, None) => unreachable!("one of the two was just made"),
        };
        serve(up, &admin_url).await
    });
    // Open requests have ended; now the database may go.
    drop(runtime);
    if let Some(private) = private {
        private.stop()?;
    }
    eprintln!("drupeline: stopped");
    result
}

fn step(what: &str) {
    eprintln!("drupeline: {what} …");
}

/// The data folder must be passable for the account that PostgreSQL runs as; what is secret in it
/// is protected file by file.
fn prepare_folder(folder: &Path) -> Result<(), String> {
    let failed = |error: std::io::Error| {
        format!(
            "the data folder {} cannot be used: {error}; choose another with --data-dir",
            folder.display()
        )
    };
    if !folder.exists() {
        fs::DirBuilder::new()
            .recursive(true)
            .mode(0o711)
            .create(folder)
            .map_err(failed)?;
        fs::set_permissions(folder, fs::Permissions::from_mode(0o711)).map_err(failed)?;
    }
    Ok(())
}

async fn ensure_database(maintenance_url: &str) -> Result<(), Box<dyn Error + Send + Sync>> {
    let options: PgConnectOptions = maintenance_url.parse()?;
    let mut connection = options.connect().await?;
    let there: bool =
        sqlx::query_scalar("select exists (select from pg_database where datname = $1)")
            .bind(DATABASE)
            .fetch_one(&mut connection)
            .await?;
    if !there {
        sqlx::raw_sql(AssertSqlSafe(format!("create database {DATABASE}")))
            .execute(&mut connection)
            .await?;
    }
    connection.close().await?;
    Ok(())
}

/// Writes a file that only its owner may read.
///
/// # Errors
/// When the file cannot be written.
pub fn write_secret(path: &Path, text: &str) -> std::io::Result<()> {
    let mut file = fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(path)?;
    file.set_permissions(fs::Permissions::from_mode(0o600))?;
    file.write_all(text.as_bytes())
}

/// A secret that cannot be guessed.
pub fn random_secret() -> String {
    Alphanumeric.sample_string(&mut rand::rng(), 32)
}

/// The installation's set-up key, made on first start.
fn setup_key(data_dir: &Path) -> std::io::Result<String> {
    let path = data_dir.join("setup-key");
    match fs::read_to_string(&path) {
        Ok(key) => Ok(key.trim().to_owned()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let key = random_secret();
            write_secret(&path, &format!("{key}\n"))?;
            Ok(key)
        }
        Err(error) => Err(error),
    }
}

async fn serve(up: &Up, admin_url: &str) -> Result<(), Box<dyn Error + Send + Sync>> {
    let listener = bind(up.listen).await?;
    let address = listener.local_addr()?;
    step("bringing the schemas up to date");
    migrate::run(admin_url).await?;
    let mut databases = BTreeMap::new();
    for service in assembly::WITH_TABLES {
        let options = database::options(DATABASE_URL, admin_url)?
            .username(&service.database_role())
            .password(&migrate::role_password(service, admin_url)?);
        databases.insert(service, options);
    }
    let here: Vec<ServiceName> = ServiceName::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    let setup_key = setup_key(&up.data_dir)?;
    let mut release = release_settings()?;
    release
        .public_url
        .get_or_insert_with(|| format!("http://{address}"));
    if up.demo && address.ip().is_loopback() {
        // A demonstration on one's own machine may send events to it.
        release.webhooks = release::Reach::Anywhere;
    }
    let assembled = assembly::assemble(Plan {
        // All in one process: the secrets need not outlive it.
        service_secrets: here
            .iter()
            .map(|&service| (service, random_secret()))
            .collect(),
        here,
        databases,
        connections: 20,
        setup_key: Some(setup_key.clone()),
        elsewhere: BTreeMap::new(),
        clock: Clock::System,
        trusted_proxies: trusted_proxies()?,
        release,
    })
    .await?;

    let (stop, stopping) = tokio::sync::watch::channel(false);
    tokio::spawn(async move {
        stop_asked().await;
        let _ = stop.send(true);
    });
    let stopped = |mut stopping: tokio::sync::watch::Receiver<bool>| async move {
        let _ = stopping.wait_for(|asked| *asked).await;
    };
    let serving = tokio::spawn(server::serve(
        listener,
        assembled.router,
        assembled.background,
        stopped(stopping.clone()),
    ));
    if up.demo {
        tokio::select! {
            loaded = crate::demo::load(&assembled.peers, &setup_key, &up.data_dir) => loaded?,
            () = stopped(stopping) => {}
        }
    }
    eprintln!();
    eprintln!("drupeline: ready at http://{address}");
    eprintln!("  pages        http://{address}/");
    eprintln!("  REST         http://{address}/docs, description at /openapi.json");
    eprintln!("  gRPC         {address}, with reflection and health");
    if up.demo {
        eprintln!(
            "  accounts     {}",
            up.data_dir.join(crate::demo::ACCOUNTS_FILE).display()
        );
    } else {
        eprintln!("  set-up key   {}", up.data_dir.join("setup-key").display());
    }
    eprintln!("  stop with Ctrl-C");
    serving.await??;
    Ok(())
}
