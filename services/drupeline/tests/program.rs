//! The program as its users start it: up, killed, up again, twice, apart.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use contract::identity::identity_client::IdentityClient;
use contract::identity::{FoundProgrammeRequest, SignInRequest};
use platform::config::Secret;
use private_postgres::{PrivatePostgres, binaries_from_environment};
use tonic::transport::{Channel, Endpoint};

/// Long enough for a loaded machine; nothing here measures time.
const PATIENCE: Duration = Duration::from_secs(120);

/// A running program.
struct Program {
    child: Child,
    lines: mpsc::Receiver<String>,
    said: Vec<String>,
}

impl Program {
    /// Starts it with arguments and settings.
    fn start(arguments: &[&str], settings: &[(&str, &str)]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_drupeline"));
        command
            .args(arguments)
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .stdin(Stdio::null());
        command.env_remove("DATABASE_URL");
        command.envs(settings.iter().copied());
        let mut child = command.spawn().expect("the program starts");
        let stderr = child.stderr.take().expect("its messages");
        let (sender, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self {
            child,
            lines,
            said: Vec::new(),
        }
    }

    /// Waits until it says something that contains `words`; gives the line.
    fn says(&mut self, words: &str) -> String {
        let deadline = Instant::now() + PATIENCE;
        while let Some(left) = deadline.checked_duration_since(Instant::now()) {
            match self.lines.recv_timeout(left) {
                Ok(line) => {
                    self.said.push(line.clone());
                    if line.contains(words) {
                        return line;
                    }
                }
                Err(_) => break,
            }
        }
        panic!("it never said {words:?}; it said {:#?}", self.said);
    }

    /// Waits until it says words before its address; gives the address.
    fn ready(&mut self, words: &str) -> String {
        let line = self.says(words);
        let at = line.rfind("http://").expect("an address");
        line[at..].trim().to_owned()
    }

    /// Kills it.
    fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }

    /// Waits for its end; gives whether it ended well, and what it had said.
    fn ends(mut self) -> (bool, String) {
        let deadline = Instant::now() + PATIENCE;
        while Instant::now() < deadline {
            if let Some(status) = self.child.try_wait().expect("its status") {
                let said: Vec<String> = self.lines.iter().collect();
                return (status.success(), said.join("\n"));
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("it did not end; it said {:#?}", self.said);
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A data folder that the account of PostgreSQL can reach.
fn data_folder(parent: &Path) -> String {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(parent, std::fs::Permissions::from_mode(0o711)).unwrap();
    parent.join("data").display().to_string()
}

/// A channel to an address.
fn channel(address: &str) -> Channel {
    Endpoint::from_shared(address.to_owned())
        .unwrap()
        .connect_lazy()
}

/// The keeper's login.
fn sign_in() -> SignInRequest {
    SignInRequest {
        login: "keeper".into(),
        password: "a password for tests".into(),
        device_token: String::new(),
    }
}

/// Founds the keeper's programme.
async fn found(address: &str, setup_key: String) {
    IdentityClient::new(channel(address))
        .found_programme(FoundProgrammeRequest {
            setup_key,
            name: "Kept through a crash".into(),
            admin_login: "keeper".into(),
            admin_name: "Keeper".into(),
            admin_password: "a password for tests".into(),
        })
        .await
        .expect("the programme is founded");
}

#[tokio::test]
async fn what_was_acknowledged_survives_a_kill() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let arguments = ["up", "--port", "0", "--data-dir", &folder];
    let mut first = Program::start(&arguments, &[]);
    let address = first.ready("ready at");
    let setup_key = std::fs::read_to_string(Path::new(&folder).join("setup-key")).unwrap();
    found(&address, setup_key.trim().to_owned()).await;

    // A second one on the same folder says plainly what is wrong.
    let (fine, said) = Program::start(&arguments, &[]).ends();
    assert!(!fine);
    assert!(said.contains(&folder), "{said}");

    first.kill();
    let mut second = Program::start(&arguments, &[]);
    let address = second.ready("ready at");
    IdentityClient::new(channel(&address))
        .sign_in(sign_in())
        .await
        .expect("the account survived");
}

#[tokio::test]
async fn a_backup_taken_while_up_becomes_another_installation() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let other = parent.path().join("other").display().to_string();
    let file = parent.path().join("backup").display().to_string();
    let heads = parent.path().join("heads").display().to_string();
    let run = |arguments: &[&str]| Program::start(arguments, &[]).ends();
    let mut up = Program::start(&["up", "--port", "0", "--data-dir", &folder], &[]);
    let address = up.ready("ready at");
    let setup_key = std::fs::read_to_string(Path::new(&folder).join("setup-key")).unwrap();
    found(&address, setup_key.trim().to_owned()).await;

    let (fine, said) = run(&["backup", &file, "--data-dir", &folder]);
    assert!(fine && said.contains("rows of"), "{said}");
    let (fine, said) = run(&["backup", &file, "--data-dir", &folder]);
    assert!(!fine && said.contains("is there already"), "{said}");
    // Never over what is there, and with --replace not while it is in use.
    let (fine, said) = run(&["restore", &file, "--data-dir", &folder]);
    assert!(!fine && said.contains("--replace"), "{said}");
    let (fine, said) = run(&["restore", &file, "--data-dir", &folder, "--replace"]);
    assert!(!fine && said.contains("in use"), "{said}");
    up.kill();

    let (fine, said) = run(&["restore", &file, "--data-dir", &other]);
    assert!(fine && said.contains("every table is as it was"), "{said}");
    let restored_key = std::fs::read_to_string(Path::new(&other).join("setup-key")).unwrap();
    assert_eq!(restored_key, setup_key);
    // What the restored trail ends with stands in the other too, which went on after the backup.
    let verified = |folder: &str, kept: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_drupeline"))
            .args(["verify-audit", "--data-dir", folder])
            .args(kept)
            .output()
            .unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{said}");
        output.stdout
    };
    let restored = verified(&other, &[]);
    assert!(!restored.is_empty());
    std::fs::write(&heads, restored).unwrap();
    verified(&folder, &["--kept", &heads]);
    let mut again = Program::start(&["up", "--port", "0", "--data-dir", &other], &[]);
    IdentityClient::new(channel(&again.ready("ready at")))
        .sign_in(sign_in())
        .await
        .expect("the account came with the backup");
    again.kill();
    let running = Path::new(&other).join("postgres/cluster/postmaster.pid");
    let deadline = Instant::now() + PATIENCE;
    while running.exists() && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(50));
    }
    // What was there before is set aside and not lost.
    let (fine, said) = run(&["restore", &file, "--data-dir", &other, "--replace"]);
    assert!(fine && said.contains("set aside"), "{said}");
}

#[test]
fn missing_binaries_name_the_package() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let nowhere = parent.path().join("nowhere").display().to_string();
    let settings = [(private_postgres::BINARIES_VARIABLE, nowhere.as_str())];
    let (fine, said) =
        Program::start(&["up", "--port", "0", "--data-dir", &folder], &settings).ends();
    assert!(!fine);
    assert!(
        said.contains("postgresql") && said.contains(&nowhere),
        "{said}"
    );
}

#[tokio::test]
async fn services_run_apart_and_find_one_another() {
    let server = PrivatePostgres::start_temporary(binaries_from_environment()).unwrap();
    let url = server.url();
    let database = ("DATABASE_URL", url.as_str());

    // Serving before migrating is refused with the remedy.
    let (fine, said) = Program::start(&["serve", "identity", "--port", "0"], &[database]).ends();
    assert!(!fine, "{said}");
    // Two migrations at once do no harm.
    let [one, two] = [(); 2].map(|()| Program::start(&["migrate"], &[database]));
    for migrating in [one, two] {
        let (fine, said) = migrating.ends();
        assert!(fine, "{said}");
    }

    let made = [(); 4].map(|()| Secret::random().reveal().to_owned());
    let secrets = [
        ("DRUPELINE_CROSSING_SERVICE_SECRET", made[0].as_str()),
        ("DRUPELINE_RELEASE_SERVICE_SECRET", made[1].as_str()),
        ("DRUPELINE_EVALUATION_SERVICE_SECRET", made[2].as_str()),
        ("DRUPELINE_SETUP_KEY", made[3].as_str()),
        database,
    ];
    // A secret that could be guessed is refused by name, and not told.
    for place in 0..4 {
        let mut weak = secrets;
        weak[place].1 = "the secret of a service";
        let (fine, said) = Program::start(&["serve", "identity", "--port", "0"], &weak).ends();
        assert!(!fine && said.contains(weak[place].0), "{said}");
        assert!(said.contains("openssl rand -hex 32") && !said.contains(weak[place].1));
    }
    let mut identity = Program::start(&["serve", "identity", "--port", "0"], &secrets);
    let identity_at = identity.ready("serving identity");
    found(&identity_at, made[3].clone()).await;
    // The host spelt differently is the same host: migrating by another name of it changes nothing.
    let other_name = url.replace("127.0.0.1", "localhost");
    let (fine, said) = Program::start(&["migrate"], &[("DATABASE_URL", &other_name)]).ends();
    assert!(fine, "{said}");

    let session = IdentityClient::new(channel(&identity_at))
        .sign_in(sign_in())
        .await
        .unwrap();
    let token = session.into_inner().access_token;

    let mut settings = secrets.to_vec();
    settings.push(("DRUPELINE_IDENTITY_ADDRESS", &identity_at));
    let mut crossing = Program::start(&["serve", "crossing", "--port", "0"], &settings);
    let crossing_at = crossing.ready("serving crossing");
    // Crossing checks identity's signature with keys that it asks identity for.
    let mut request = tonic::Request::new(contract::crossing::ListGermplasmRequest::default());
    request
        .metadata_mut()
        .insert("authorization", format!("Bearer {token}").parse().unwrap());
    let list = contract::crossing::crossing_client::CrossingClient::new(channel(&crossing_at))
        .list_germplasm(request)
        .await
        .expect("crossing answers a caller of identity's");
    assert!(list.into_inner().items.is_empty());
}

/// What a command prints, when it succeeds.
fn printed(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_drupeline"))
        .args(arguments)
        .env_remove("DATABASE_URL")
        .output()
        .expect("the program runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{said}");
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

#[tokio::test]
async fn a_forgotten_password_is_reset_on_the_host_whether_or_not_it_runs() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let (fine, said) =
        Program::start(&["reset-password", "keeper", "--data-dir", &folder], &[]).ends();
    assert!(!fine && said.contains(&folder), "{said}");
    let up = ["up", "--port", "0", "--data-dir", &folder];
    let mut first = Program::start(&up, &[]);
    let address = first.ready("ready at");
    let setup_key = std::fs::read_to_string(Path::new(&folder).join("setup-key")).unwrap();
    found(&address, setup_key.trim().to_owned()).await;

    let reset = ["reset-password", "keeper", "--data-dir", &folder];
    let while_running = printed(&reset);
    let signed_in = async |address: &str, password: &str| {
        let request = SignInRequest {
            password: password.to_owned(),
            ..sign_in()
        };
        IdentityClient::new(channel(address))
            .sign_in(request)
            .await
            .map(|session| session.into_inner().step)
    };
    assert!(signed_in(&address, "a password for tests").await.is_err());
    let step = signed_in(&address, &while_running).await.unwrap();
    assert_eq!(step, "new_password");
    printed(&["revoke-signing-keys", "--data-dir", &folder]);
    let unknown = ["reset-password", "nobody.here", "--data-dir", &folder];
    let (fine, said) = Program::start(&unknown, &[]).ends();
    assert!(!fine && said.contains("nobody.here"), "{said}");
    first.kill();

    let while_stopped = printed(&reset);
    assert_ne!(while_stopped, while_running);
    let mut second = Program::start(&up, &[]);
    let address = second.ready("ready at");
    assert!(signed_in(&address, &while_running).await.is_err());
    assert_eq!(
        signed_in(&address, &while_stopped).await.unwrap(),
        "new_password"
    );
}
