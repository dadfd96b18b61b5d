//! Everything in one process, on a private PostgreSQL or on the one that `DATABASE_URL` names.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use platform::config::Secret;
use platform::fields::Words as _;
use platform::health::Health;
use platform::peers::ServiceName;
use platform::quota::Quota;
use platform::{Clock, config, server};
use private_postgres::{
    Happening, Options, PrivatePostgres, Supervised, binaries_from_environment,
};
use rand::distr::{Alphanumeric, SampleString as _};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

use crate::assembly::{self, Plan};
use crate::migrate::{self, DATABASE_URL};
use crate::serve::bind;
use crate::settings::Settings;
use crate::stopping::{LEFTOVERS, Stop};

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
    let stop = Stop::listen()?;
    prepare_folder(&up.data_dir)?;
    let given = config::setting(DATABASE_URL)?;
    let health = Health::default();
    let private = match &given {
        Some(_) => None,
        None => Some(Private::start(&up.data_dir, &health)?),
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
                ensure_database(&private.maintenance_url).await?;
                private.url.clone()
            }
            (None, None) => unreachable!("one of the two was just made"),
        };
        serve(up, &admin_url, health, stop).await
    });
    // Open requests have ended; now the database may go, whatever arithmetic is left over.
    runtime.shutdown_timeout(LEFTOVERS);
    if let Some(private) = private {
        private.server.stop()?;
    }
    eprintln!("drupeline: stopped");
    result
}

/// The private PostgreSQL, started again whenever it ends.
struct Private {
    server: Supervised,
    maintenance_url: String,
    url: String,
}

impl Private {
    fn start(data_dir: &Path, health: &Health) -> Result<Self, Box<dyn Error + Send + Sync>> {
        step("starting a private PostgreSQL");
        let mut options = Options::lasting(data_dir.join("postgres"));
        options.binaries = binaries_from_environment();
        let server = PrivatePostgres::start(options)?;
        let (maintenance_url, url) = (server.url(), server.url_of(DATABASE));
        let health = health.clone();
        let server = server.supervise(move |happening| tell(&health, happening))?;
        Ok(Self {
            server,
            maintenance_url,
            url,
        })
    }
}

/// Logs what happens to the private PostgreSQL, and has `/healthz` tell it.
fn tell(health: &Health, happening: Happening) {
    const NAME: &str = "the private PostgreSQL";
    match happening {
        Happening::Ended { why } => {
            tracing::error!("PostgreSQL ended and is started again: {why}");
            health.down(NAME, "it ended and is being started again");
        }
        Happening::NotStarted { error, next_in } => {
            tracing::error!(
                "PostgreSQL could not be started again, which is tried again in {next_in:?}: {error}"
            );
            health.down(
                NAME,
                "it ended and could not yet be started again; see the log",
            );
        }
        Happening::Back => {
            tracing::warn!("PostgreSQL was started again and answers");
            health.well(NAME);
        }
    }
}

fn step(what: &str) {
    eprintln!("drupeline: {what} …");
}

/// Makes the data folder where it is missing. It must be passable for the account that PostgreSQL runs as; what is secret in it
/// is protected file by file.
pub(crate) fn prepare_folder(folder: &Path) -> Result<(), String> {
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

pub(crate) async fn ensure_database(
    maintenance_url: &str,
) -> Result<(), Box<dyn Error + Send + Sync>> {
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

/// Writes a file that only its owner may read: all of it, or nothing.
///
/// # Errors
/// When the file cannot be written.
pub fn write_secret(path: &Path, text: &str) -> std::io::Result<()> {
    write_whole(path, text, 0o600)
}

/// Writes a file all at once: whoever finds it finds all of it, whenever this process is killed.
///
/// # Errors
/// When the file cannot be written.
pub(crate) fn write_whole(path: &Path, text: &str, mode: u32) -> std::io::Result<()> {
    let mut unfinished = path.as_os_str().to_owned();
    unfinished.push(".new");
    let mut file = fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(mode)
        .open(&unfinished)?;
    file.set_permissions(fs::Permissions::from_mode(mode))?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    fs::rename(&unfinished, path)
}

/// A secret that cannot be guessed.
pub fn random_secret() -> String {
    Alphanumeric.sample_string(&mut rand::rng(), 32)
}

/// Name of the file with the set-up key in the data folder.
pub const SETUP_KEY_FILE: &str = "setup-key";

/// The installation's set-up key, made on first start.
fn setup_key(data_dir: &Path) -> Result<Secret, Box<dyn Error + Send + Sync>> {
    let path = data_dir.join(SETUP_KEY_FILE);
    match fs::read_to_string(&path) {
        Ok(key) => Secret::read(&path.display().to_string(), &key)
            .map_err(|error| format!("{error}, or remove the file to have one made").into()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let key = Secret::random();
            write_secret(&path, &format!("{}\n", key.reveal()))?;
            Ok(key)
        }
        Err(error) => Err(error.into()),
    }
}

async fn serve(
    up: &Up,
    admin_url: &str,
    health: Health,
    stop: Stop,
) -> Result<(), Box<dyn Error + Send + Sync>> {
    let listener = bind(up.listen).await?;
    let address = listener.local_addr()?;
    step("bringing the schemas up to date");
    migrate::run(admin_url).await?;
    let databases = migrate::role_databases(admin_url, assembly::WITH_TABLES).await?;
    let here: Vec<ServiceName> = ServiceName::ALL
        .iter()
        .map(|(service, _)| *service)
        .collect();
    let setup_key = setup_key(&up.data_dir)?;
    let mut settings = Settings::from_environment()?;
    settings
        .release
        .public_url
        .get_or_insert_with(|| format!("http://{address}"));
    if up.demo && address.ip().is_loopback() {
        // A demonstration on one's own machine may send events to it.
        settings.release.webhooks = release::Reach::Anywhere;
    }
    if up.demo {
        // Its years are written down in minutes.
        settings.person = Quota::UNLIMITED;
    }
    let assembled = assembly::assemble(Plan {
        // All in one process: the secrets need not outlive it.
        service_secrets: here
            .iter()
            .map(|&service| (service, Secret::random()))
            .collect(),
        here,
        databases,
        connections: 20,
        setup_key: Some(setup_key.clone()),
        elsewhere: BTreeMap::new(),
        clock: Clock::System,
        settings,
        health,
    })
    .await?;

    let serving = tokio::spawn(server::serve(
        listener,
        assembled.router,
        assembled.background,
        stop.clone().asked(),
    ));
    if up.demo {
        tokio::select! {
            loaded = crate::demo::load(&assembled.peers, setup_key.reveal(), &up.data_dir) => loaded?,
            () = stop.asked() => {}
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
        eprintln!(
            "  set-up key   {}",
            up.data_dir.join(SETUP_KEY_FILE).display()
        );
    }
    eprintln!("  stop with Ctrl-C");
    serving.await?;
    Ok(())
}
