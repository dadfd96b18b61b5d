//! From a backup to an installation that runs.

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::Stdio;
use std::time::Instant;

use platform::audit::chain::{self, Head};
use platform::database;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _, PgConnection};

use super::manifest::{FORMAT, Manifest};
use super::{archive, manifest, programs};
use crate::assembly;
use crate::installation::{self, Installation, POSTGRES_FOLDER};
use crate::migrate::{self, DATABASE_URL};
use crate::up::{DATABASE, ensure_database, prepare_folder, write_secret};

type Failed = Box<dyn Error + Send + Sync>;

/// Restores a backup into the database that `DATABASE_URL` names, else into the data folder, with the
/// data folder's own files; compares every table with what the backup says, and brings rights, roles
/// and schemas up to date.
///
/// # Errors
/// When there are data already and `replace` is not asked for, the file is no backup, or what was
/// restored is not what was backed up.
pub fn restore(data_dir: &Path, file: &Path, replace: bool) -> Result<(), Failed> {
    let began = Instant::now();
    prepare_folder(data_dir)?;
    refuse_to_overwrite(data_dir, replace)?;
    let installation = if installation::is_given()? {
        Installation::reach(data_dir)?
    } else {
        set_aside(data_dir)?;
        Installation::start(data_dir)?
    };
    let manifest = installation.work(async |installation| {
        if let Some(maintenance_url) = installation.maintenance_url() {
            ensure_database(&maintenance_url).await?;
        }
        into(&installation.url, data_dir, file, replace).await
    })?;
    eprintln!(
        "drupeline: {} rows of {} tables restored from {} (of {}) in {:.1} s; every table is as it \
         was backed up",
        manifest.rows_n(),
        manifest.tables.len(),
        file.display(),
        manifest.made_at,
        began.elapsed().as_secs_f64()
    );
    Ok(())
}

/// A folder with data is left alone unless told otherwise.
fn refuse_to_overwrite(data_dir: &Path, replace: bool) -> Result<(), Failed> {
    if !replace && !installation::is_given()? && data_dir.join(POSTGRES_FOLDER).exists() {
        return Err(format!(
            "{} holds a database already; restore into another folder (--data-dir), or say \
             --replace to have this one set aside",
            data_dir.display()
        )
        .into());
    }
    Ok(())
}

/// Renames the database that is there, so that nothing is lost by a restore that was a mistake.
fn set_aside(data_dir: &Path) -> Result<(), Failed> {
    let present = data_dir.join(POSTGRES_FOLDER);
    if !present.exists() {
        return Ok(());
    }
    if private_postgres::PrivatePostgres::url_of_running(&present, DATABASE)?.is_some() {
        return Err(format!(
            "the database in {} is in use; stop Drupeline first",
            data_dir.display()
        )
        .into());
    }
    let at = jiff::Timestamp::now().strftime("%Y%m%dT%H%M%SZ");
    let aside = data_dir.join(format!("{POSTGRES_FOLDER}.replaced-{at}"));
    fs::rename(&present, &aside)?;
    eprintln!(
        "drupeline: what was there is set aside in {}",
        aside.display()
    );
    Ok(())
}

/// Restores a backup into the database of a URL and a data folder; gives what the backup holds.
///
/// # Errors
/// As [`restore`].
pub async fn into(
    url: &str,
    data_dir: &Path,
    file: &Path,
    replace: bool,
) -> Result<Manifest, Failed> {
    let archive::Opened {
        manifest,
        folder,
        mut dump,
    } = archive::open(file).await?;
    require_known(&manifest)?;
    let mut connection = database::options(DATABASE_URL, url)?.connect().await?;
    clear(&mut connection, replace).await?;
    make_roles(&mut connection, &manifest).await?;

    let program = programs::find("pg_restore", manifest.dumped_with)?.path;
    let mut restoring = programs::command(&program, url)?
        .args([
            "--no-owner",
            "--no-acl",
            "--exit-on-error",
            "--single-transaction",
        ])
        .stdin(Stdio::piped())
        .spawn()?;
    let mut into = restoring
        .stdin
        .take()
        .ok_or("pg_restore takes nothing in")?;
    let (copied, ()) = tokio::try_join!(
        async {
            let copied = tokio::io::copy(&mut dump, &mut into).await;
            drop(into);
            Ok::<_, Failed>(copied)
        },
        programs::finish("pg_restore", restoring)
    )?;
    copied?;

    require_same(&mut connection, &manifest).await?;
    connection.close().await?;
    // Owners, rights, roles with their passwords, and migrations that came after the backup.
    migrate::run(url).await?;
    for (name, bytes) in &folder {
        let text = std::str::from_utf8(bytes)?;
        write_secret(&data_dir.join(name), text)?;
    }
    Ok(manifest)
}

/// A backup of a later program may hold what this one does not know of.
fn require_known(manifest: &Manifest) -> Result<(), Failed> {
    let newer = |what: String| -> Failed {
        format!("the backup is of a newer Drupeline ({what}); restore it with that one").into()
    };
    if manifest.format > FORMAT {
        return Err(newer(format!("form {}", manifest.format)));
    }
    for schema in assembly::WITH_TABLES
        .into_iter()
        .filter_map(assembly::schema)
    {
        let name = schema.service.schema();
        let [platform, own] = manifest.migrations.get(name).copied().unwrap_or_default();
        let [known_platform, known_own] = database::newest(&schema);
        if platform > known_platform || own > known_own {
            return Err(newer(format!("schema {name} at {platform} and {own}")));
        }
    }
    Ok(())
}

/// Makes room, or refuses where there are data.
async fn clear(connection: &mut PgConnection, replace: bool) -> Result<(), Failed> {
    let there: Vec<String> = sqlx::query_scalar(
        "select nspname::text from pg_namespace \
         where nspname in ('identity', 'crossing', 'evaluation', 'release', 'installation')",
    )
    .fetch_all(&mut *connection)
    .await?;
    if there.is_empty() {
        return Ok(());
    }
    if !replace {
        return Err(format!(
            "the database holds the schemas {} already; restore into an empty one, or say --replace \
             to lose what is there",
            there.join(", ")
        )
        .into());
    }
    let statement = format!("drop schema {} cascade", there.join(", "));
    sqlx::raw_sql(AssertSqlSafe(statement))
        .execute(connection)
        .await?;
    Ok(())
}

/// Makes the roles that are missing, with the passwords that they had where the backup has what those
/// are checked against; `migrate` sets those that are given, and gives every right.
async fn make_roles(connection: &mut PgConnection, manifest: &Manifest) -> Result<(), Failed> {
    for (role, verifier) in &manifest.roles {
        let known: bool =
            sqlx::query_scalar("select exists (select from pg_roles where rolname = $1)")
                .bind(role)
                .fetch_one(&mut *connection)
                .await?;
        let ours = assembly::WITH_TABLES
            .iter()
            .any(|service| service.database_role() == *role);
        if let (false, true, Some(verifier)) = (known, ours, verifier) {
            let quoted = verifier.replace('\'', "''");
            let statement = format!("create role {role} login password '{quoted}'");
            sqlx::raw_sql(AssertSqlSafe(statement))
                .execute(&mut *connection)
                .await?;
        }
    }
    Ok(())
}

/// Compares every table with what the backup says of it, and checks the audit trail against the heads
/// that it had.
async fn require_same(connection: &mut PgConnection, manifest: &Manifest) -> Result<(), Failed> {
    let mut transaction = connection
        .begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        .await?;
    let sequences = manifest::sequences(&mut transaction).await?;
    let restored = Manifest::take(&mut transaction, manifest.dumped_with, sequences).await?;
    transaction.commit().await?;
    let differences = manifest.differences(&restored);
    for difference in &differences {
        eprintln!("drupeline: {difference}");
    }
    if !differences.is_empty() {
        return Err(format!(
            "{} tables or sequences are not what was backed up, as told above",
            differences.len()
        )
        .into());
    }
    let kept: Vec<Head> = manifest
        .audit_heads
        .iter()
        .map(|line| line.parse())
        .collect::<Result<_, _>>()?;
    let report = chain::verify(connection, &assembly::WITH_TABLES, &kept).await?;
    for wrong in &report.breaks {
        // It was so when it was backed up; to be known, and no reason to be without one's data.
        eprintln!("drupeline: {wrong}");
    }
    Ok(())
}
