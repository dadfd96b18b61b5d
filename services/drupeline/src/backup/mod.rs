//! Backups: all of an installation in one file, and back.
//!
//! A backup is one snapshot of the database, so that writing goes on meanwhile, and beside it what
//! every table held in that snapshot. After a restore every table is compared with that. Rights and
//! roles are not copied but given anew by `migrate`, which is the one place that knows them.

mod archive;
pub mod manifest;
mod programs;
mod restore;

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Instant;

use platform::database;
use sqlx::{ConnectOptions as _, Connection as _, PgConnection};

pub use restore::{into, restore};

use crate::installation::Installation;
use crate::migrate::DATABASE_URL;
use manifest::Manifest;

type Failed = Box<dyn Error + Send + Sync>;

/// Writes a backup of the installation to a new file, which only its owner may read.
///
/// # Errors
/// When the file is there already, the database cannot be reached, or the backup cannot be written.
pub fn backup(data_dir: &Path, file: &Path) -> Result<(), Failed> {
    if file.exists() {
        return Err(format!("{} is there already; choose another name", file.display()).into());
    }
    let began = Instant::now();
    let manifest = Installation::reach(data_dir)?
        .work(async |installation| write(&installation.url, data_dir, file).await)?;
    eprintln!(
        "drupeline: {} rows of {} tables backed up to {} in {:.1} s",
        manifest.rows_n(),
        manifest.tables.len(),
        file.display(),
        began.elapsed().as_secs_f64()
    );
    Ok(())
}

/// A file that is removed again unless it was finished.
struct Unfinished(PathBuf);

impl Unfinished {
    fn beside(file: &Path, what: &str) -> Self {
        let mut name = file.as_os_str().to_owned();
        name.push(format!(".{what}-{}", std::process::id()));
        Self(name.into())
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

/// Backs the database of a URL and the files of a data folder up; gives what the backup holds.
///
/// # Errors
/// When the database does not answer or a file cannot be written.
pub async fn write(url: &str, data_dir: &Path, file: &Path) -> Result<Manifest, Failed> {
    // Before anything is written, which may be beside them.
    let folder = archive::folder_files(data_dir)?;
    let (dump_file, whole) = (
        Unfinished::beside(file, "dump"),
        Unfinished::beside(file, "unfinished"),
    );
    let mut connection = database::options(DATABASE_URL, url)?.connect().await?;
    let program = programs::find("pg_dump", server_major(&mut connection).await?)?;
    let mut transaction = connection
        .begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        .await?;
    let snapshot: String = sqlx::query_scalar("select pg_export_snapshot()")
        .fetch_one(&mut *transaction)
        .await?;
    let sequences = manifest::sequences(&mut transaction).await?;
    // The dump and the stock are taken of the same snapshot, at the same time.
    let dumping = programs::command(&program.path, url)?
        .args(["--format", "custom", "--snapshot", &snapshot])
        .stdout(Stdio::from(archive::private_file(&dump_file.0)?))
        .spawn()?;
    let (manifest, ()) = tokio::try_join!(
        async {
            Ok::<_, Failed>(Manifest::take(&mut transaction, program.major, sequences).await?)
        },
        programs::finish("pg_dump", dumping)
    )?;
    transaction.commit().await?;
    connection.close().await?;

    archive::write(
        archive::private_file(&whole.0)?,
        &manifest,
        &folder,
        fs::File::open(&dump_file.0)?,
    )
    .await?;
    // Not over a file that came about meanwhile.
    fs::hard_link(&whole.0, file)
        .map_err(|error| format!("{} cannot be written: {error}", file.display()))?;
    Ok(manifest)
}

async fn server_major(connection: &mut PgConnection) -> Result<u32, Failed> {
    let number: String = sqlx::query_scalar("select current_setting('server_version_num')")
        .fetch_one(connection)
        .await?;
    Ok(number.parse::<u32>()? / 10_000)
}
