//! A private server as its users meet it: real PostgreSQL, real connections, real kills.

use std::fs;
use std::io::{BufRead, BufReader};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use private_postgres::{Happening, Options, PrivatePostgres, StartError, StopError};
use sqlx::postgres::PgConnection;
use sqlx::{AssertSqlSafe, Connection};
use tempfile::TempDir;

/// A temporary folder that the server's account can pass through.
fn home() -> TempDir {
    let home = tempfile::tempdir().unwrap();
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o711)).unwrap();
    home
}

fn is_root() -> bool {
    fs::metadata("/proc/self").unwrap().uid() == 0
}

/// Runs a statement that answers nothing.
fn execute(url: &str, statement: &str) {
    with_connection(url, async |connection| {
        sqlx::query(AssertSqlSafe(statement))
            .execute(connection)
            .await
            .unwrap();
    });
}

/// The one text that a query answers.
fn ask(url: &str, query: &str) -> String {
    with_connection(url, async |connection| {
        sqlx::query_scalar(AssertSqlSafe(query))
            .fetch_one(connection)
            .await
            .unwrap()
    })
}

fn with_connection<T>(url: &str, work: impl AsyncFnOnce(&mut PgConnection) -> T) -> T {
    runtime().block_on(async {
        let mut connection = PgConnection::connect(url).await.unwrap();
        let answer = work(&mut connection).await;
        connection.close().await.unwrap();
        answer
    })
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
}

/// Whether a process lives, other than as one that is dead and not yet waited for.
fn lives(pid: u32) -> bool {
    fs::read_to_string(format!("/proc/{pid}/stat"))
        .ok()
        .and_then(|stat| {
            stat.rsplit_once(") ")
                .map(|(_, rest)| !rest.starts_with('Z'))
        })
        .unwrap_or(false)
}

fn wait_until(what: &str, holds: impl Fn() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(60);
    while !holds() {
        assert!(Instant::now() < deadline, "waited in vain until {what}");
        thread::sleep(Duration::from_millis(20));
    }
}

/// Another process that runs a server.
struct Parent {
    process: Child,
}

impl Parent {
    fn spawn(data_dir: &Path) -> Self {
        let process = Command::new(env!("CARGO_BIN_EXE_private-postgres"))
            .arg(data_dir)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        Self { process }
    }

    /// The server's process id and URL, once it is ready.
    fn server(&mut self) -> (u32, String) {
        let mut line = String::new();
        BufReader::new(self.process.stdout.as_mut().unwrap())
            .read_line(&mut line)
            .unwrap();
        let (pid, url) = line
            .trim()
            .split_once(' ')
            .expect("the parent started a server");
        (pid.parse().unwrap(), url.to_owned())
    }

    /// Ends the process as the system does when it is out of memory.
    fn kill(mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

#[test]
fn a_server_answers_over_tcp_with_scram_and_never_runs_as_root() {
    let home = home();
    let data_dir = home.path().join("made/on/the/way");
    let options = Options {
        max_connections: 37,
        ..Options::lasting(&data_dir)
    };
    let server = PrivatePostgres::start(options).unwrap();
    let url = server.url();

    for (setting, value) in [
        ("server_encoding", "UTF8"),
        ("lc_collate", "C.UTF-8"),
        ("data_checksums", "on"),
        ("max_connections", "37"),
        ("fsync", "on"),
        ("TimeZone", "UTC"),
        ("ssl", "off"),
        ("listen_addresses", "127.0.0.1"),
    ] {
        let query = match setting {
            // Not a setting any more in newer versions.
            "lc_collate" => {
                "SELECT datcollate::text FROM pg_database WHERE datname = current_database()"
                    .to_owned()
            }
            setting => format!("SELECT current_setting('{setting}')"),
        };
        assert_eq!(ask(&url, &query), value, "{setting}");
    }
    let secret = ask(
        &url,
        "SELECT left(rolpassword, 13) FROM pg_authid WHERE rolname='postgres'",
    );
    assert_eq!(secret, "SCRAM-SHA-256");
    let other_ways_in = ask(
        &url,
        "SELECT count(*)::text FROM pg_hba_file_rules WHERE auth_method <> 'scram-sha-256'",
    );
    assert_eq!(other_ways_in, "0");

    let wrong = url
        .replace("postgres:", "postgres:not")
        .replace("not//", "//");
    let refused = runtime()
        .block_on(PgConnection::connect(&wrong))
        .unwrap_err();
    assert!(
        refused
            .to_string()
            .contains("password authentication failed"),
        "{refused}"
    );

    let runs_as = fs::metadata(format!("/proc/{}", server.pid()))
        .unwrap()
        .uid();
    assert_ne!(runs_as, 0);
    let mode = |path: PathBuf| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(data_dir.join("cluster")), 0o700);
    assert_eq!(
        fs::metadata(data_dir.join("cluster")).unwrap().uid(),
        runs_as
    );
    let password = data_dir.join("superuser-password");
    assert_eq!(fs::metadata(&password).unwrap().uid() == 0, is_root());
    assert_eq!(mode(password), 0o600);
    assert_eq!(mode(server.log()), 0o600);
    assert!(!format!("{server:?}").contains(url.split([':', '@']).nth(2).unwrap()));
    server.stop().unwrap();
}

#[test]
fn data_survive_a_restart_and_the_password_stays() {
    let home = home();
    let first = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    execute(&first.url(), "CREATE TABLE kept AS SELECT 'plum' AS fruit");
    let (pid, port) = (first.pid(), first.port());
    let password = fs::read(home.path().join("superuser-password")).unwrap();
    first.stop().unwrap();
    assert!(!lives(pid));
    TcpStream::connect(("127.0.0.1", port)).expect_err("the port is closed");

    let again = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    assert_eq!(ask(&again.url(), "SELECT fruit FROM kept"), "plum");
    assert_eq!(
        fs::read(home.path().join("superuser-password")).unwrap(),
        password
    );
    let pid = again.pid();
    drop(again);
    assert!(!lives(pid), "dropping stops the server");
}

#[test]
fn open_connections_do_not_hold_up_a_stop() {
    let server = PrivatePostgres::start_temporary(None).unwrap();
    let data_dir = server.data_dir().to_owned();
    let runtime = runtime();
    let mut open = runtime
        .block_on(PgConnection::connect(&server.url()))
        .unwrap();
    runtime
        .block_on(sqlx::query("BEGIN").execute(&mut open))
        .unwrap();
    server.stop().unwrap();
    assert!(
        !data_dir.exists(),
        "a temporary folder goes with its server"
    );
}

#[test]
fn a_second_start_on_the_same_folder_says_who_runs_there() {
    let home = home();
    let mut parent = Parent::spawn(home.path());
    let (server_pid, _) = parent.server();
    let refused = PrivatePostgres::start(Options::lasting(home.path())).unwrap_err();
    match &refused {
        StartError::InUse {
            server_pid: server,
            parent_pid,
            ..
        } => {
            assert_eq!(*server, Some(server_pid));
            assert_eq!(*parent_pid, Some(parent.process.id()));
        }
        other => panic!("{other}"),
    }
    assert!(refused.to_string().contains("in use"), "{refused}");
    assert!(lives(server_pid), "the first server is left alone");

    drop(parent.process.stdin.take());
    assert!(parent.process.wait().unwrap().success());
    assert!(!lives(server_pid));
    PrivatePostgres::start(Options::lasting(home.path())).unwrap();
}

#[test]
fn a_killed_parent_takes_its_server_along_and_loses_no_data() {
    let home = home();
    let mut parent = Parent::spawn(home.path());
    let (pid, url) = parent.server();
    execute(&url, "CREATE TABLE kept AS SELECT 'apricot' AS fruit");
    parent.kill();
    wait_until("the server of a killed parent is gone", || !lives(pid));

    // A start right after the kill waits for the server that is still shutting down.
    let mut parent = Parent::spawn(home.path());
    let (pid, url) = parent.server();
    execute(&url, "INSERT INTO kept VALUES ('peach')");
    parent.kill();
    let server = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    assert!(!lives(pid));
    let fruits = "SELECT string_agg(fruit, ' ' ORDER BY fruit) FROM kept";
    assert_eq!(ask(&server.url(), fruits), "apricot peach");
}

#[test]
fn a_parent_killed_while_setting_up_leaves_nothing_in_the_way() {
    let home = home();
    let unfinished = || {
        fs::read_dir(home.path()).unwrap().flatten().any(|entry| {
            entry
                .file_name()
                .to_string_lossy()
                .starts_with("cluster.unfinished-")
        })
    };
    let parent = Parent::spawn(home.path());
    wait_until("the set-up has begun", unfinished);
    parent.kill();
    assert!(!home.path().join("cluster").exists());
    let server = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    assert_eq!(ask(&server.url(), "SELECT 'ready'"), "ready");
    server.stop().unwrap();
}

#[test]
fn a_killed_server_is_reported_and_recovers() {
    let home = home();
    let server = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    execute(
        &server.url(),
        "CREATE TABLE kept AS SELECT 'cherry' AS fruit",
    );
    let pid = server.pid();
    assert!(
        Command::new("kill")
            .args(["-9", &pid.to_string()])
            .status()
            .unwrap()
            .success()
    );
    wait_until("the server is gone", || !lives(pid));
    let ended = server.stop().unwrap_err();
    assert!(matches!(ended, StopError::AlreadyEnded { .. }), "{ended}");

    let again = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    assert_eq!(ask(&again.url(), "SELECT fruit FROM kept"), "cherry");
}

#[test]
fn a_lost_password_is_replaced() {
    let home = home();
    let url = PrivatePostgres::start(Options::ephemeral(home.path()))
        .unwrap()
        .url();
    fs::remove_file(home.path().join("superuser-password")).unwrap();
    let again = PrivatePostgres::start(Options::ephemeral(home.path())).unwrap();
    assert_ne!(again.url(), url);
    assert_eq!(ask(&again.url(), "SELECT current_setting('fsync')"), "off");
}

#[test]
fn a_taken_port_is_named() {
    let home = home();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port();
    let options = Options {
        port: Some(port),
        ..Options::ephemeral(home.path())
    };
    let refused = PrivatePostgres::start(options.clone()).unwrap_err();
    assert!(
        matches!(refused, StartError::PortTaken { port: named } if named == port),
        "{refused}"
    );
    drop(taken);
    let server = PrivatePostgres::start(options).unwrap();
    assert_eq!(server.port(), port);
}

#[test]
fn a_folder_with_a_long_name_has_its_socket_elsewhere() {
    let home = home();
    let long = home.path().join("long".repeat(30));
    let server = PrivatePostgres::start(Options::ephemeral(&long)).unwrap();
    let sockets = server.socket_folder().to_owned();
    assert!(!sockets.starts_with(&long));
    assert!(sockets.join(format!(".s.PGSQL.{}", server.port())).exists());
    assert_eq!(ask(&server.url(), "SELECT 'ready'"), "ready");
    server.stop().unwrap();
    assert!(!sockets.exists());
}

#[test]
fn a_refused_setting_is_explained_with_the_log() {
    let home = home();
    let options = Options {
        max_connections: 0,
        ..Options::ephemeral(home.path())
    };
    let refused = PrivatePostgres::start(options).unwrap_err();
    assert!(matches!(refused, StartError::Ended { .. }), "{refused}");
    assert!(refused.to_string().contains("max_connections"), "{refused}");
}

#[test]
fn a_closed_folder_above_the_data_is_named_with_its_remedy() {
    let home = home();
    let closed = home.path().join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o600)).unwrap();
    let refused = PrivatePostgres::start(Options::lasting(closed.join("data"))).unwrap_err();
    assert!(
        refused.to_string().contains(&closed.display().to_string()),
        "{refused}"
    );
    if is_root() {
        // Root itself could pass; the server's account cannot.
        assert!(refused.to_string().contains("chmod o+x"), "{refused}");
    }
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
}

#[test]
fn data_of_another_version_or_of_nobody_knows_what_are_refused() {
    let home = home();
    drop(PrivatePostgres::start(Options::ephemeral(home.path())).unwrap());
    let version = home.path().join("cluster/PG_VERSION");
    fs::write(&version, "99\n").unwrap();
    let other = PrivatePostgres::start(Options::ephemeral(home.path())).unwrap_err();
    assert!(
        matches!(other, StartError::OtherMajor { data_major: 99, .. }),
        "{other}"
    );
    assert!(
        other.to_string().contains("apt-get install postgresql-99"),
        "{other}"
    );
    fs::remove_file(&version).unwrap();
    let unknown = PrivatePostgres::start(Options::ephemeral(home.path())).unwrap_err();
    assert!(
        matches!(unknown, StartError::NotACluster { .. }),
        "{unknown}"
    );
}

/// A folder of programs that only answer `--version`. Written by another process: a program that
/// this one holds open for writing while another test forks could not be run.
fn programs(folder: &Path, initdb: &str, postgres: &str) {
    for (program, version) in [("initdb", initdb), ("postgres", postgres)] {
        let written = Command::new("sh")
            .args([
                "-c",
                "printf '#!/bin/sh\\necho \"%s\"\\n' \"$1\" > \"$0\"; chmod 755 \"$0\"",
            ])
            .arg(folder.join(program))
            .arg(format!("{program} (PostgreSQL) {version}"))
            .status()
            .unwrap();
        assert!(written.success());
    }
}

fn start_with(programs: &Path) -> StartError {
    let home = home();
    let options = Options {
        binaries: Some(programs.to_owned()),
        ..Options::ephemeral(home.path())
    };
    let refused = PrivatePostgres::start(options).unwrap_err();
    assert!(!home.path().join("cluster").exists(), "nothing was set up");
    refused
}

#[test]
fn wrong_programs_are_refused_with_a_remedy() {
    let folder = home();
    let empty = start_with(folder.path());
    assert!(
        matches!(
            empty,
            StartError::FolderLacks {
                missing: "initdb",
                ..
            }
        ),
        "{empty}"
    );
    assert!(
        empty.to_string().contains("apt-get install postgresql"),
        "{empty}"
    );

    programs(folder.path(), "15.4", "16.1");
    let mixed = start_with(folder.path());
    assert!(matches!(mixed, StartError::MixedVersions { .. }), "{mixed}");
    assert!(
        mixed.to_string().contains("15.4") && mixed.to_string().contains("16.1"),
        "{mixed}"
    );

    programs(folder.path(), "13.9", "13.9");
    let old = start_with(folder.path());
    assert!(matches!(old, StartError::TooOld { .. }), "{old}");
    assert!(old.to_string().contains("13.9"), "{old}");

    programs(folder.path(), "next", "next");
    let strange = start_with(folder.path());
    assert!(
        matches!(strange, StartError::NotPostgres { .. }),
        "{strange}"
    );

    // Programs that answer well and then set nothing up.
    programs(folder.path(), "15.4", "15.4");
    let idle = start_with(folder.path());
    assert!(
        matches!(
            idle,
            StartError::SetUp {
                program: "initdb",
                ..
            }
        ),
        "{idle}"
    );

    fs::set_permissions(
        folder.path().join("initdb"),
        fs::Permissions::from_mode(0o644),
    )
    .unwrap();
    let closed = start_with(folder.path());
    assert!(
        matches!(closed, StartError::NotExecutable { .. }),
        "{closed}"
    );
    assert!(closed.to_string().contains("initdb"), "{closed}");
}

/// What happened to a supervised server since this was last asked.
fn happened(happenings: &std::sync::mpsc::Receiver<Happening>, wanted: &str) -> Vec<String> {
    let mut told = Vec::new();
    loop {
        let next = happenings
            .recv_timeout(Duration::from_secs(60))
            .unwrap_or_else(|_| panic!("waited in vain for {wanted}; there came {told:#?}"));
        let text = format!("{next:?}");
        let found = text.starts_with(wanted);
        told.push(text);
        if found {
            return told;
        }
    }
}

#[test]
fn a_supervised_server_comes_back_where_it_was_however_often_it_is_killed() {
    let home = home();
    let server = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    let (url, data, port) = (server.url(), home.path().join("cluster"), server.port());
    execute(&url, "create table kept (n int)");
    let (tell, happenings) = std::sync::mpsc::channel();
    let supervised = server
        .supervise(move |happening| tell.send(happening).unwrap())
        .unwrap();
    let pid = || -> i32 {
        let file = fs::read_to_string(data.join("postmaster.pid")).unwrap();
        file.lines().next().unwrap().parse().unwrap()
    };
    for n in 1..=3 {
        execute(&url, &format!("insert into kept values ({n})"));
        let killed = rustix::process::Pid::from_raw(pid()).unwrap();
        rustix::process::kill_process(killed, rustix::process::Signal::KILL).unwrap();
        let told = happened(&happenings, "Ended");
        assert!(told[0].contains("signal: 9"), "{told:?}");
        happened(&happenings, "Back");
        assert_eq!(ask(&url, "select count(*)::text from kept"), n.to_string());
        assert_eq!(ask(&url, "show port"), port.to_string());
    }
    supervised.stop().unwrap();
    assert!(!data.join("postmaster.pid").exists(), "it was stopped");
}

#[test]
fn a_supervised_server_is_tried_again_until_what_was_in_its_way_is_gone() {
    let home = home();
    let server = PrivatePostgres::start(Options::lasting(home.path())).unwrap();
    let (url, pid) = (server.url(), server.pid());
    execute(&url, "create table kept (n int)");
    let (tell, happenings) = std::sync::mpsc::channel();
    let supervised = server
        .supervise(move |happening| tell.send(happening).unwrap())
        .unwrap();
    // As when the disk is full or not there: the data cannot be opened.
    let (data, away) = (home.path().join("cluster"), home.path().join("away"));
    fs::rename(&data, &away).unwrap();
    let killed = rustix::process::Pid::from_raw(pid.cast_signed()).unwrap();
    rustix::process::kill_process(killed, rustix::process::Signal::KILL).unwrap();
    happened(&happenings, "Ended");
    happened(&happenings, "NotStarted");
    happened(&happenings, "NotStarted");
    fs::rename(&away, &data).unwrap();
    happened(&happenings, "Back");
    assert_eq!(ask(&url, "select count(*)::text from kept"), "0");
    supervised.stop().unwrap();
}
