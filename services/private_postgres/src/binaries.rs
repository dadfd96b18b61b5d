use std::env;
use std::fs;
use std::path::{Path, PathBuf};

use crate::StartError;
use crate::account::Account;

/// The environment variable that names the folder of PostgreSQL's programs.
pub const BINARIES_VARIABLE: &str = "DRUPELINE_POSTGRES_BIN";

/// The oldest major version of PostgreSQL that a private server is started from.
pub const OLDEST_MAJOR: u32 = 15;

/// Where Debian keeps each installed version's programs, in `<major>/bin`.
pub(crate) const VERSIONED: &str = "/usr/lib/postgresql";

/// The folder of PostgreSQL's programs named by [`BINARIES_VARIABLE`], if it is set and not empty.
#[must_use]
pub fn binaries_from_environment() -> Option<PathBuf> {
    env::var_os(BINARIES_VARIABLE)
        .filter(|folder| !folder.is_empty())
        .map(PathBuf::from)
}

/// A pair of programs of one version that the server's account can run.
#[derive(Debug)]
pub(crate) struct Binaries {
    folder: PathBuf,
    major: u32,
}

impl Binaries {
    /// Finds the programs in `given`, or else in Debian's versioned folders (`wanted_major` first,
    /// then the newest), or else on `PATH`, and checks that `account` can run them.
    pub(crate) fn find(
        given: Option<&Path>,
        wanted_major: Option<u32>,
        account: &Account,
    ) -> Result<Self, StartError> {
        let folder = match given {
            Some(folder) => match missing(folder) {
                Some(missing) => {
                    return Err(StartError::FolderLacks {
                        folder: folder.to_owned(),
                        missing,
                    });
                }
                None => std::path::absolute(folder)
                    .map_err(StartError::system("resolve the folder", folder))?,
            },
            None => installed(
                Path::new(VERSIONED),
                &env::split_paths(&env::var_os("PATH").unwrap_or_default()).collect::<Vec<_>>(),
                wanted_major,
            )?,
        };
        let initdb = version(&folder.join("initdb"), account)?;
        let postgres = version(&folder.join("postgres"), account)?;
        if initdb != postgres {
            return Err(StartError::MixedVersions {
                folder,
                initdb,
                postgres,
            });
        }
        match major(&postgres) {
            Some(major) if major >= OLDEST_MAJOR => Ok(Self { folder, major }),
            _ => Err(StartError::TooOld {
                folder,
                version: postgres,
            }),
        }
    }

    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    pub(crate) fn major(&self) -> u32 {
        self.major
    }

    pub(crate) fn initdb(&self) -> PathBuf {
        self.folder.join("initdb")
    }

    pub(crate) fn postgres(&self) -> PathBuf {
        self.folder.join("postgres")
    }
}

/// The first of the two programs that `folder` lacks.
fn missing(folder: &Path) -> Option<&'static str> {
    ["initdb", "postgres"]
        .into_iter()
        .find(|program| !folder.join(program).is_file())
}

fn installed(
    versioned: &Path,
    search_path: &[PathBuf],
    wanted_major: Option<u32>,
) -> Result<PathBuf, StartError> {
    let mut majors: Vec<u32> = fs::read_dir(versioned)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok())
        .collect();
    majors.sort_by_key(|&major| (Some(major) != wanted_major, std::cmp::Reverse(major)));
    majors
        .into_iter()
        .map(|major| versioned.join(major.to_string()).join("bin"))
        .chain(
            search_path
                .iter()
                .filter(|folder| folder.is_absolute())
                .cloned(),
        )
        .find(|folder| missing(folder).is_none())
        .ok_or_else(|| StartError::NotFound {
            searched: format!("{}/*/bin and PATH", versioned.display()),
        })
}

/// What follows `(PostgreSQL) ` in a program's answer to `--version`, up to the next blank.
fn version(program: &Path, account: &Account) -> Result<String, StartError> {
    let answer = account
        .command(program)
        .arg("--version")
        .output()
        .map_err(|source| StartError::NotExecutable {
            program: program.to_owned(),
            account: account.name().to_owned(),
            source,
        })?;
    let said = String::from_utf8_lossy(&answer.stdout);
    said.split_once("(PostgreSQL) ")
        .and_then(|(_, version)| version.split_whitespace().next())
        .filter(|version| answer.status.success() && major(version).is_some())
        .map(str::to_owned)
        .ok_or_else(|| StartError::NotPostgres {
            program: program.to_owned(),
            answer: format!("{said}{}", String::from_utf8_lossy(&answer.stderr))
                .trim()
                .to_owned(),
        })
}

/// The major version: the digits before the first dot or word, as in `15.14`, `18beta1`, `9.6.24`.
pub(crate) fn major(version: &str) -> Option<u32> {
    let digits = version
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(version.len());
    version[..digits].parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn programs(folder: &Path) {
        fs::create_dir_all(folder).unwrap();
        for program in ["initdb", "postgres"] {
            fs::write(folder.join(program), "").unwrap();
        }
    }

    #[test]
    fn major_versions_are_read_from_releases_and_previews() {
        assert_eq!(major("15.14"), Some(15));
        assert_eq!(major("18beta1"), Some(18));
        assert_eq!(major("9.6.24"), Some(9));
        assert_eq!(major("devel"), None);
    }

    #[test]
    fn the_newest_complete_version_is_taken_unless_the_data_want_another() {
        let root = tempfile::tempdir().unwrap();
        let bin = |major: &str| root.path().join(major).join("bin");
        programs(&bin("9"));
        programs(&bin("15"));
        // Client packages leave such a folder behind: no server in it.
        fs::create_dir_all(bin("17")).unwrap();
        fs::write(bin("17").join("psql"), "").unwrap();
        assert_eq!(installed(root.path(), &[], None).unwrap(), bin("15"));
        programs(&bin("16"));
        assert_eq!(installed(root.path(), &[], None).unwrap(), bin("16"));
        assert_eq!(installed(root.path(), &[], Some(15)).unwrap(), bin("15"));
        assert_eq!(installed(root.path(), &[], Some(14)).unwrap(), bin("16"));
    }

    #[test]
    fn the_search_path_comes_last_and_an_empty_machine_is_told_what_to_install() {
        let root = tempfile::tempdir().unwrap();
        let (versioned, elsewhere) = (root.path().join("versioned"), root.path().join("bin"));
        let nothing = installed(&versioned, std::slice::from_ref(&elsewhere), None).unwrap_err();
        assert!(
            nothing.to_string().contains("apt-get install postgresql"),
            "{nothing}"
        );
        programs(&elsewhere);
        let found = installed(&versioned, std::slice::from_ref(&elsewhere), None).unwrap();
        assert_eq!(found, elsewhere);
        programs(&versioned.join("14/bin"));
        let found = installed(&versioned, &[elsewhere], None).unwrap();
        assert_eq!(found, versioned.join("14/bin"));
    }
}
