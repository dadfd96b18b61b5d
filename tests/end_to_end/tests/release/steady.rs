//! Release status is kept between questions, and is never older than its question.

use end_to_end::{Client, System};
use platform::peers::ServiceName;
use serde_json::{Value, json};

use super::{at, candidate, denominate, licence, organisation};

async fn status(partner: &Client) -> Value {
    let path = at("/partner/release-status?denomination=Evensong");
    partner.get(&path).await.expect(200)["items"].clone()
}

#[tokio::test]
async fn a_status_follows_every_write_at_once() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let nursery = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "S-1").await;
    denominate(&rights, &candidate, "Evensong").await;
    assert_eq!(status(&a).await, json!([]));

    let granted = licence(
        &rights,
        &candidate,
        &nursery,
        json!({"propagate_max_n": 500}),
    )
    .await;
    let first = status(&a).await;
    assert_eq!(first[0]["remaining_n"], 500);
    assert_eq!(status(&a).await, first, "asked again, the same is said");
    assert_eq!(
        status(&b).await,
        json!([]),
        "another nursery's reply is its own"
    );

    let licence_id = granted["id"].as_str().unwrap();
    for n in 1..=20 {
        let day = format!("2024-01-{n:02}");
        let report = json!({
            "licence_id": licence_id, "period_start": day, "period_end": day, "trees_n": n,
        });
        a.post(&at("/propagation-reports"), &report)
            .await
            .expect(201);
        assert_eq!(
            status(&a).await[0]["propagated_n"],
            n * (n + 1) / 2,
            "after report {n}"
        );
    }
    let grpc = a
        .release()
        .get_release_status(contract::release::GetReleaseStatusRequest {
            denomination: "Evensong".into(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(grpc.items[0].propagated_n, 210, "gRPC says the same");

    let end = at(&format!("/licences/{licence_id}/end"));
    let body = json!({"on": "2024-12-31", "reason": "by agreement"});
    rights.post(&end, &body).await.expect(200);
    assert_eq!(status(&a).await[0]["may_propagate"], false);
}

/// A table whose changes went uncounted would let a kept reply outlive them.
#[tokio::test]
async fn changes_to_every_table_are_counted() {
    let system = System::start().await;
    let pool = system.pool(ServiceName::Release).await;
    let uncounted: Vec<String> = sqlx::query_scalar(
        "select c.relname::text from pg_class c \
         where c.relnamespace = 'release'::regnamespace and c.relkind in ('r', 'p') \
         and c.relname !~ '^_' \
         and c.relname not in ('audit', 'audit_head', 'audit_link', 'outbox', 'retry', 'feed_cursor', 'sweep', 'revision', 'key_use', \
           'due_date_told', 'webhook', 'webhook_secret', 'webhook_delivery', 'webhook_attempt') \
         and not exists (select from pg_trigger t where t.tgrelid = c.oid and t.tgname = 'changes_counted')",
    )
    .fetch_all(&pool)
    .await
    .unwrap();
    assert_eq!(uncounted, Vec::<String>::new());
    let forged = sqlx::query("update release.revision set n = 0")
        .execute(&pool)
        .await;
    assert!(forged.is_err(), "the service cannot turn the count back");
}
