use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::process::{Output, Stdio};

use rand::distr::{Alphanumeric, SampleString};

use crate::StartError;
use crate::account::Account;
use crate::binaries::Binaries;
use crate::folder::{DataFolder, tail};
use crate::kept::spawn_kept;
use crate::private_postgres::{Durability, SUPERUSER};

/// Length of the superuser's password: 40 letters and digits carry 238 bits.
const PASSWORD_LENGTH: usize = 40;

/// The major version that wrote the data, `None` where there are none yet.
pub(crate) fn data_major(folder: &DataFolder) -> Result<Option<u32>, StartError> {
    let cluster = folder.cluster();
    if !cluster
        .try_exists()
        .map_err(StartError::system("look at", &cluster))?
    {
        return Ok(None);
    }
    fs::read_to_string(cluster.join("PG_VERSION"))
        .ok()
        .and_then(|version| version.trim().parse().ok())
        .map(Some)
        .ok_or(StartError::NotACluster { cluster })
}

/// Makes a new cluster and returns its superuser's password. The cluster gets its final name only
/// when it is complete, so an interrupted attempt is simply made again.
pub(crate) fn create(
    folder: &DataFolder,
    binaries: &Binaries,
    account: &Account,
    durability: Durability,
) -> Result<String, StartError> {
    let unfinished = folder.unfinished_cluster()?;
    account.take_over(unfinished.path())?;

    let password = new_password();
    write_private(&folder.password(), &password)?;
    // initdb reads the password from a file of its own account, in a folder closed to others.
    let handed_over = folder.root().join("superuser-password.for-initdb");
    write_private(&handed_over, &password)?;
    account.take_over(&handed_over)?;

    let mut initdb = account.command(&binaries.initdb());
    initdb
        .arg("--pgdata")
        .arg(unfinished.path())
        .arg("--pwfile")
        .arg(&handed_over)
        .args(["--username", SUPERUSER])
        .args(["--auth-host=scram-sha-256", "--auth-local=scram-sha-256"])
        .args(["--encoding=UTF8", "--locale=C.UTF-8", "--lc-messages=C"])
        .args(["--data-checksums", "--no-instructions"]);
    if durability == Durability::Ephemeral {
        initdb.arg("--no-sync");
    }
    initdb.stdout(Stdio::piped()).stderr(Stdio::piped());
    let outcome = spawn_kept(initdb).and_then(|(child, _keeper)| child.wait_with_output());
    remove_if_there(fs::remove_file(&handed_over), &handed_over)?;
    let outcome = outcome.map_err(StartError::system("run", binaries.initdb()))?;
    let made = unfinished.path().join("PG_VERSION").exists();
    succeeded("initdb", unfinished.path(), &outcome, made)?;

    let cluster = folder.cluster();
    fs::rename(unfinished.path(), &cluster)
        .map_err(StartError::system("rename", unfinished.path()))?;
    // Nothing is left under that name to be removed.
    let _ = unfinished.keep();
    if durability == Durability::Lasting {
        sync_folder(folder.root())?;
    }
    Ok(password)
}

/// The superuser's password of an existing cluster. Where its file is lost, a new password is set
/// through a single-user server: whoever owns the data may do so.
pub(crate) fn password(
    folder: &DataFolder,
    binaries: &Binaries,
    account: &Account,
) -> Result<String, StartError> {
    let path = folder.password();
    match fs::read_to_string(&path) {
        Ok(kept) if is_password(kept.trim()) => return Ok(kept.trim().to_owned()),
        Ok(_) => {}
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(source) => {
            return Err(StartError::System {
                action: "read",
                path,
                source,
            });
        }
    }
    tracing::warn!(file = %path.display(), "the superuser's password is lost: setting a new one");
    let password = new_password();
    let mut single_user = account
        .command(&binaries.postgres())
        .arg("--single")
        .arg("-D")
        .arg(folder.cluster())
        .args([
            "-c",
            "exit_on_error=on",
            "-c",
            "log_statement=none",
            SUPERUSER,
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(StartError::system("run", binaries.postgres()))?;
    let asked = single_user
        .stdin
        .take()
        .map(|mut stdin| writeln!(stdin, "ALTER ROLE {SUPERUSER} PASSWORD '{password}';"));
    let outcome = single_user
        .wait_with_output()
        .map_err(StartError::system("run", binaries.postgres()))?;
    succeeded("postgres --single", &folder.cluster(), &outcome, true)?;
    asked
        .transpose()
        .map_err(StartError::system("instruct", binaries.postgres()))?;
    write_private(&path, &password)?;
    Ok(password)
}

fn new_password() -> String {
    Alphanumeric.sample_string(&mut rand::rng(), PASSWORD_LENGTH)
}

/// Whether a text can stand in a URL and in SQL as it is.
fn is_password(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_alphanumeric())
}

/// Replaces a file that only its owner may read, all at once.
fn write_private(path: &Path, text: &str) -> Result<(), StartError> {
    let new = path.with_extension("new");
    remove_if_there(fs::remove_file(&new), &new)?;
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&new)
        .and_then(|mut file| {
            writeln!(file, "{text}")?;
            file.sync_all()
        })
        .and_then(|()| fs::rename(&new, path))
        .map_err(StartError::system("write", path))
}

fn sync_folder(folder: &Path) -> Result<(), StartError> {
    File::open(folder)
        .and_then(|opened| opened.sync_all())
        .map_err(StartError::system("flush", folder))
}

fn remove_if_there(removed: io::Result<()>, path: &Path) -> Result<(), StartError> {
    match removed {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(StartError::System {
            action: "remove",
            path: path.to_owned(),
            source: error,
        }),
        _ => Ok(()),
    }
}

fn succeeded(
    program: &'static str,
    folder: &Path,
    outcome: &Output,
    done: bool,
) -> Result<(), StartError> {
    if outcome.status.success() && done {
        return Ok(());
    }
    let said = [&outcome.stdout, &outcome.stderr]
        .map(|stream| String::from_utf8_lossy(stream).into_owned())
        .concat();
    Err(StartError::SetUp {
        program,
        folder: folder.to_owned(),
        status: outcome.status,
        output: tail(&said),
    })
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn passwords_are_long_random_and_need_no_escaping() {
        let (one, other) = (new_password(), new_password());
        assert_ne!(one, other);
        assert_eq!(one.len(), PASSWORD_LENGTH);
        assert!(is_password(&one));
        assert!(!is_password("") && !is_password("it's") && !is_password("a b"));
    }

    #[test]
    fn private_files_are_replaced_and_closed_to_others() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("secret");
        write_private(&path, "first").unwrap();
        write_private(&path, "second").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "second\n");
        assert_eq!(
            fs::metadata(&path).unwrap().permissions().mode() & 0o777,
            0o600
        );
        assert_eq!(fs::read_dir(home.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_without_a_version_is_no_cluster() {
        let home = tempfile::tempdir().unwrap();
        let folder = DataFolder::at(home.path()).unwrap();
        assert_eq!(data_major(&folder).unwrap(), None);
        fs::create_dir(folder.cluster()).unwrap();
        assert!(matches!(
            data_major(&folder),
            Err(StartError::NotACluster { .. })
        ));
        fs::write(folder.cluster().join("PG_VERSION"), "15\n").unwrap();
        assert_eq!(data_major(&folder).unwrap(), Some(15));
    }
}
