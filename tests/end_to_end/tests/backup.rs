//! Backups: taken while writing goes on, restored into another cluster, compared, worked on.

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use drupeline::{assembly, backup};
use end_to_end::{Client, System, connect};
use platform::audit::chain;
use platform::peers::ServiceName;
use private_postgres::{PrivatePostgres, binaries_from_environment};
use serde_json::json;
use sqlx::Connection as _;

use super::release::candidate;

/// A PostgreSQL of its own, with nothing in it.
async fn cluster() -> PrivatePostgres {
    tokio::task::spawn_blocking(|| PrivatePostgres::start_temporary(binaries_from_environment()))
        .await
        .unwrap()
        .unwrap()
}

/// Registers plants until told to stop; gives the names that were acknowledged.
fn keep_writing(
    client: Client,
    writer: usize,
    stop: Arc<AtomicBool>,
) -> tokio::task::JoinHandle<Vec<String>> {
    tokio::spawn(async move {
        let mut written = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let name = format!("Plant {writer}-{}", written.len());
            client
                .post(
                    "/api/crossing/v1/germplasm",
                    &json!({ "name": name, "species": "Prunus persica", "kind": "variety" }),
                )
                .await
                .expect(201);
            written.push(name);
        }
        written
    })
}

async fn plants(client: &Client) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    let mut cursor = String::new();
    loop {
        let page = client
            .get(&format!(
                "/api/crossing/v1/germplasm?limit=200&cursor={cursor}"
            ))
            .await
            .expect(200);
        for item in page["items"].as_array().unwrap() {
            assert!(names.insert(item["name"].as_str().unwrap().to_owned()));
        }
        match page["next_cursor"].as_str() {
            Some(next) => cursor = next.to_owned(),
            None => return names,
        }
    }
}

/// Waits until the release service has followed its own announcements to the last.
async fn followed(url: &str) {
    let mut admin = connect(url).await;
    for _ in 0..200 {
        let behind: bool = sqlx::query_scalar(
            "select coalesce((select max(position) from release.outbox), 0) = 0 or exists ( \
                 select from release.outbox where position is null) or coalesce(( \
                 select position from release.feed_cursor where source = 'release'), 0) \
                 < (select max(position) from release.outbox)",
        )
        .fetch_one(&mut admin)
        .await
        .unwrap();
        if !behind {
            admin.close().await.unwrap();
            return;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("the announcements of the restored database are not followed");
}

#[tokio::test]
async fn a_backup_of_a_busy_database_becomes_one_that_works_in_another_cluster() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let first = candidate(&system, "P-1").await;
    followed(system.admin_url()).await;
    let stop = Arc::new(AtomicBool::new(false));
    let writers: Vec<_> = (0..4)
        .map(|writer| keep_writing(breeder.clone(), writer, stop.clone()))
        .collect();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let before = plants(&breeder).await;

    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("setup-key"), "the key of this folder\n").unwrap();
    let file = folder.path().join("drupeline.backup");
    let manifest = backup::write(system.admin_url(), folder.path(), &file)
        .await
        .unwrap();
    let after = plants(&breeder).await;
    stop.store(true, Ordering::Relaxed);
    let mut acknowledged = BTreeSet::new();
    for writer in writers {
        acknowledged.extend(writer.await.unwrap());
    }
    assert!(
        acknowledged.is_superset(
            &before
                .iter()
                .filter(|n| n.starts_with("Plant"))
                .cloned()
                .collect()
        )
    );
    assert_eq!(
        std::fs::metadata(&file).unwrap().permissions().mode() & 0o777,
        0o600
    );
    let left: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .flatten()
        .collect();
    assert_eq!(left.len(), 2, "nothing unfinished is left: {left:?}");

    let other = cluster().await;
    let target = tempfile::tempdir().unwrap();
    let url = other.url();
    let restored = backup::into(&url, target.path(), &file, false)
        .await
        .unwrap();
    assert_eq!(restored, manifest);
    let key = target.path().join("setup-key");
    assert_eq!(
        std::fs::read_to_string(&key).unwrap(),
        "the key of this folder\n"
    );
    assert_eq!(
        std::fs::metadata(&key).unwrap().permissions().mode() & 0o777,
        0o600
    );

    // Everything acknowledged before the backup is there, and nothing but what was written by then.
    let again = System::on_restored(url.clone()).await;
    let breeder = again.sign_in("breeder").await;
    let held = plants(&breeder).await;
    assert!(held.is_superset(&before), "{:?}", before.difference(&held));
    assert!(held.is_subset(&after), "{:?}", held.difference(&after));
    // Registers, edits, follows its feeds, and binds its audit trail on to what was there.
    let more = candidate(&again, "P-2").await;
    let path = format!("/api/release/v1/candidates/{first}/stages");
    breeder
        .post(
            &path,
            &json!({"stage": "budded", "on": "2018-02-01", "reason": "sweet and firm"}),
        )
        .await
        .expect(201);
    assert_ne!(first, more);
    followed(&url).await;
    let mut admin = connect(&url).await;
    let kept: Vec<_> = manifest
        .audit_heads
        .iter()
        .map(|line| line.parse().unwrap())
        .collect();
    let trail = chain::verify(&mut admin, &assembly::WITH_TABLES, &kept)
        .await
        .unwrap();
    assert_eq!(trail.breaks, []);
    let forged = sqlx::query("update audit set request = '{}'")
        .execute(&again.pool(ServiceName::Crossing).await)
        .await;
    assert!(forged.is_err(), "rights are as they were");

    // Over data only when told.
    let refused = backup::into(&url, target.path(), &file, false)
        .await
        .unwrap_err();
    assert!(refused.to_string().contains("--replace"), "{refused}");
    println!(
        "{} rows of {} tables backed up beside {} writes, restored and compared",
        manifest.rows_n(),
        manifest.tables.len(),
        acknowledged.len()
    );
}

#[tokio::test]
async fn a_backup_that_is_cut_off_or_was_tampered_with_is_refused() {
    let system = System::start().await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("whole");
    backup::write(system.admin_url(), folder.path(), &file)
        .await
        .unwrap();
    let whole = std::fs::read(&file).unwrap();
    let other = cluster().await;
    let mut admin = connect(&other.url()).await;
    let harmed = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let text = String::from_utf8_lossy(&whole).into_owned();
    let digest_at = text.find("\"digest\": \"").unwrap() + 11;
    let mut changed = whole.clone();
    changed[digest_at] = if changed[digest_at] == b'9' {
        b'8'
    } else {
        b'9'
    };
    for (name, bytes) in [
        ("empty", &b""[..]),
        ("other", &b"something else altogether"[..]),
        ("short", &whole[..whole.len() / 2]),
        ("changed", &changed),
    ] {
        let path = harmed(name, bytes);
        sqlx::query("create database target")
            .execute(&mut admin)
            .await
            .unwrap();
        let url = end_to_end::postgres::with_database(&other.url(), "target");
        let refused = backup::into(&url, folder.path(), &path, false).await;
        assert!(refused.is_err(), "{name} was taken");
        sqlx::query("drop database target with (force)")
            .execute(&mut admin)
            .await
            .unwrap();
    }
}
