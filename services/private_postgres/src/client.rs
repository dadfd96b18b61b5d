use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::binaries::{VERSIONED, major};

/// One of PostgreSQL's programs that talk to a server, such as `pg_dump`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClientProgram {
    /// Where it is.
    pub path: PathBuf,
    /// Its major version.
    pub major: u32,
}

impl ClientProgram {
    /// Finds a program of this version or, where there is none, of the next one: in `given`, in
    /// Debian's versioned folders and on `PATH`.
    #[must_use]
    pub fn find(given: Option<&Path>, name: &str, oldest_major: u32) -> Option<Self> {
        let versioned = fs::read_dir(VERSIONED)
            .into_iter()
            .flatten()
            .filter_map(|entry| Some(entry.ok()?.path().join("bin")));
        let search_path = env::var_os("PATH").unwrap_or_default();
        let folders: Vec<PathBuf> = given
            .map(Path::to_owned)
            .into_iter()
            .chain(versioned)
            .chain(env::split_paths(&search_path).filter(|folder| folder.is_absolute()))
            .collect();
        Self::nearest(&folders, name, oldest_major)
    }

    fn nearest(folders: &[PathBuf], name: &str, oldest_major: u32) -> Option<Self> {
        folders
            .iter()
            .map(|folder| folder.join(name))
            .filter(|path| path.is_file())
            .filter_map(|path| {
                let major = version(&path)?;
                Some(Self { path, major })
            })
            .filter(|program| program.major >= oldest_major)
            // Of those of one version the first found.
            .min_by_key(|program| program.major)
    }
}

/// The major version in the answer to `--version`, as `pg_dump (PostgreSQL) 15.14`.
fn version(program: &Path) -> Option<u32> {
    let answer = Command::new(program)
        .arg("--version")
        .env("LC_ALL", "C")
        .stdin(Stdio::null())
        .output()
        .ok()?;
    let said = String::from_utf8(answer.stdout).ok()?;
    major(said.split_once("(PostgreSQL) ")?.1)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    #[test]
    fn the_nearest_version_that_is_new_enough_is_taken() {
        let root = tempfile::tempdir().unwrap();
        let folders = ["16.2", "18beta1", "15.14", "9.6.24", "none"].map(|version| {
            let folder = root.path().join(version);
            fs::create_dir(&folder).unwrap();
            let program = folder.join("pg_dump");
            let says = format!("#!/bin/sh\necho \"pg_dump (PostgreSQL) {version}\"\n");
            fs::write(&program, says).unwrap();
            fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
            folder
        });
        let found = |oldest| {
            ClientProgram::nearest(&folders, "pg_dump", oldest).map(|program| program.major)
        };
        assert_eq!(found(15), Some(15));
        assert_eq!(found(16), Some(16));
        assert_eq!(found(17), Some(18));
        assert_eq!(found(19), None);
        assert_eq!(ClientProgram::nearest(&folders, "pg_restore", 1), None);
    }
}
