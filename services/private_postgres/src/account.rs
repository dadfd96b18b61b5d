use std::fs::{self, Metadata};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::StartError;

const ROOT: u32 = 0;

/// The account that PostgreSQL's programs run as: never root.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Account {
    name: String,
    uid: u32,
    gid: u32,
    /// Whether the parent is root and its children must change to this account.
    switch: bool,
}

impl Account {
    /// The account for the data in `cluster`: the parent's own, or, for a parent that is root, the
    /// owner of existing data, else `postgres`, else `nobody`.
    pub(crate) fn for_cluster(cluster: &Path) -> Result<Self, StartError> {
        let passwd = fs::read_to_string("/etc/passwd").unwrap_or_default();
        let effective = rustix::process::geteuid().as_raw();
        let owner = fs::metadata(cluster)
            .ok()
            .map(|found| (found.uid(), found.gid()));
        if effective != ROOT {
            let own = Self {
                name: name_of(&passwd, effective),
                uid: effective,
                gid: rustix::process::getegid().as_raw(),
                switch: false,
            };
            return match owner {
                Some((uid, _)) if uid != effective => {
                    Err(other_owner(cluster, name_of(&passwd, uid), own.name))
                }
                _ => Ok(own),
            };
        }
        let unprivileged = || {
            ["postgres", "nobody"]
                .into_iter()
                .find_map(|name| by_name(&passwd, name))
                .ok_or(StartError::NoAccount)
        };
        match owner {
            Some((ROOT, _)) => Err(other_owner(cluster, "root".into(), unprivileged()?.name)),
            Some((uid, gid)) => Ok(Self {
                name: name_of(&passwd, uid),
                uid,
                gid,
                switch: true,
            }),
            None => unprivileged(),
        }
    }

    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// Whether children run as another account than the parent.
    pub(crate) fn is_switched(&self) -> bool {
        self.switch
    }

    /// Hands a file or folder that the parent made to this account.
    pub(crate) fn take_over(&self, path: &Path) -> Result<(), StartError> {
        if self.switch {
            std::os::unix::fs::chown(path, Some(self.uid), Some(self.gid))
                .map_err(StartError::system("hand over the ownership of", path))?;
        }
        Ok(())
    }

    /// Whether a folder's permission bits let this account pass through it.
    pub(crate) fn passes(&self, folder: &Metadata) -> bool {
        let mode = folder.permissions().mode();
        let bit = if folder.uid() == self.uid {
            0o100
        } else if folder.gid() == self.gid {
            0o010
        } else {
            0o001
        };
        mode & bit != 0
    }

    /// A command that runs `program` as this account, from the root folder (the parent's may be
    /// closed to it), with English messages and without the settings that PostgreSQL's programs
    /// would take from the parent's environment.
    pub(crate) fn command(&self, program: &Path) -> Command {
        let mut command = Command::new(program);
        command
            .current_dir("/")
            .stdin(Stdio::null())
            .env("LC_ALL", "C");
        for (variable, _) in std::env::vars_os() {
            if variable.to_string_lossy().starts_with("PG") {
                command.env_remove(variable);
            }
        }
        if self.switch {
            // As root, this also drops root's supplementary groups.
            command.uid(self.uid).gid(self.gid);
        }
        command
    }
}

fn other_owner(cluster: &Path, owner: String, wanted: String) -> StartError {
    StartError::OtherOwner {
        cluster: cluster.to_owned(),
        owner,
        wanted,
    }
}

/// Name, user id and group id of each line of a passwd file.
fn entries(passwd: &str) -> impl Iterator<Item = (&str, u32, u32)> {
    passwd.lines().filter_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let uid = fields.nth(1)?.parse().ok()?;
        let gid = fields.next()?.parse().ok()?;
        Some((name, uid, gid))
    })
}

/// The account called `name`, unless it is another name for root.
fn by_name(passwd: &str, name: &str) -> Option<Account> {
    entries(passwd)
        .find(|&(found, uid, _)| found == name && uid != ROOT)
        .map(|(name, uid, gid)| Account {
            name: name.to_owned(),
            uid,
            gid,
            switch: true,
        })
}

fn name_of(passwd: &str, wanted: u32) -> String {
    entries(passwd)
        .find(|&(_, uid, _)| uid == wanted)
        .map_or_else(|| wanted.to_string(), |(name, _, _)| name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASSWD: &str = "root:x:0:0:root:/root:/bin/bash\n\
        # a comment\n\
        broken:x\n\
        nobody:x:65534:65533:nobody:/nonexistent:/usr/sbin/nologin\n\
        postgres:x:101:104:PostgreSQL administrator,,,:/var/lib/postgresql:/bin/bash\n\
        toor:x:0:0::/root:/bin/sh\n";

    #[test]
    fn accounts_are_read_from_the_passwd_file() {
        let postgres = by_name(PASSWD, "postgres").unwrap();
        assert_eq!((postgres.uid, postgres.gid), (101, 104));
        let nobody = by_name(PASSWD, "nobody").unwrap();
        assert_eq!((nobody.uid, nobody.gid), (65534, 65533));
        assert_eq!(by_name(PASSWD, "absent"), None);
    }

    #[test]
    fn an_alias_of_root_is_no_account_to_run_as() {
        assert_eq!(by_name(PASSWD, "toor"), None);
    }

    #[test]
    fn unnamed_users_go_by_their_number() {
        assert_eq!(name_of(PASSWD, 101), "postgres");
        assert_eq!(name_of(PASSWD, 4242), "4242");
    }

    #[test]
    fn passing_a_folder_goes_by_the_first_class_that_fits() {
        let home = tempfile::tempdir().unwrap();
        let mode = |bits| {
            fs::set_permissions(home.path(), fs::Permissions::from_mode(bits)).unwrap();
            fs::metadata(home.path()).unwrap()
        };
        let found = mode(0o700);
        let account = |uid, gid| Account {
            name: "any".into(),
            uid,
            gid,
            switch: true,
        };
        let (owner, stranger) = (
            account(found.uid(), 1),
            account(found.uid() + 1, found.gid() + 1),
        );
        let fellow = account(found.uid() + 1, found.gid());
        assert!(owner.passes(&found) && !fellow.passes(&found) && !stranger.passes(&found));
        let found = mode(0o711);
        assert!(fellow.passes(&found) && stranger.passes(&found));
        let found = mode(0o701);
        assert!(!fellow.passes(&found) && stranger.passes(&found));
    }
}
