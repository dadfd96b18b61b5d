//! The program as its users start it: up, killed, up again, twice, apart.

mod support;

use std::path::Path;

use contract::identity::identity_client::IdentityClient;
use private_postgres::{PrivatePostgres, binaries_from_environment};

use support::{Program, channel, data_folder, found, sign_in};

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

    let secrets = [
        (
            "DRUPELINE_CROSSING_SERVICE_SECRET",
            "the secret of crossing",
        ),
        ("DRUPELINE_RELEASE_SERVICE_SECRET", "the secret of release"),
        (
            "DRUPELINE_EVALUATION_SERVICE_SECRET",
            "the secret of evaluation",
        ),
        ("DRUPELINE_SETUP_KEY", "the set-up key"),
        database,
    ];
    let mut identity = Program::start(&["serve", "identity", "--port", "0"], &secrets);
    let identity_at = identity.ready("serving identity");
    found(&identity_at, "the set-up key".into()).await;
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
