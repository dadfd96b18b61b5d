//! Programmes and partners are kept apart by the database itself.

use end_to_end::System;
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::{PgPool, Row as _};

use super::{at, candidate, denominate, id, licence, organisation};

/// Every table of the service that rows of a programme stand in.
async fn tables(pool: &PgPool) -> Vec<String> {
    sqlx::query_scalar(
        "select table_name::text from information_schema.columns \
         where table_schema = 'release' and column_name = 'programme_id' order by 1",
    )
    .fetch_all(pool)
    .await
    .unwrap()
}

/// Rows that the service's role sees in a table under a scope.
async fn seen(pool: &PgPool, table: &str, programme: &str, partner: &str) -> i64 {
    let mut transaction = pool.begin().await.unwrap();
    sqlx::query(
        "select set_config('drupeline.programme', $1, true), set_config('drupeline.partner', $2, true)",
    )
    .bind(programme)
    .bind(partner)
    .execute(&mut *transaction)
    .await
    .unwrap();
    sqlx::query(sqlx::AssertSqlSafe(format!(
        "select count(*) as n from {table}"
    )))
    .fetch_one(&mut *transaction)
    .await
    .unwrap()
    .get("n")
}

async fn programme(system: &System) -> String {
    let admin = system.sign_in("admin").await;
    let me = admin.get("/api/identity/v1/me").await.expect(200);
    me["programme_id"].as_str().unwrap().to_owned()
}

/// A programme with something in nearly every table, of which nursery A is part.
async fn furnished(system: &System) -> (String, String) {
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let a = organisation(system, "Nursery A").await;
    let shown = candidate(system, "P-1").await;
    denominate(&rights, &shown, "Velenta").await;
    let path = |rest: &str| at(&format!("/candidates/{shown}{rest}"));
    rights
        .post(
            &path("/disclosures"),
            &json!({"kind": "first_sale", "on": "2025-12-15", "country": "US", "detail": "trees"}),
        )
        .await
        .expect(201);
    let filed = rights
        .post(
            &path("/filings"),
            &json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2026-02-10", "application_number": "19/1"}),
        )
        .await
        .expect(201);
    rights
        .post(
            &at(&format!("/filings/{}/grants", id(&filed))),
            &json!({"on": "2026-10-06", "grant_number": "PP90,001"}),
        )
        .await
        .expect(201);
    let granted = licence(
        &rights,
        &shown,
        &a,
        json!({"propagate_max_n": 1000, "ends_on": "2030-12-31"}),
    )
    .await;
    partner
        .post(
            &at("/propagation-reports"),
            &json!({"licence_id": id(&granted), "period_start": "2025-01-01", "period_end": "2025-12-31", "trees_n": 400}),
        )
        .await
        .expect(201);
    rights
        .post(
            &at("/royalty-statements"),
            &json!({"licence_id": id(&granted), "period_start": "2025-01-01", "period_end": "2025-12-31"}),
        )
        .await
        .expect(201);
    let hidden = candidate(system, "P-2").await;
    (shown, hidden)
}

#[tokio::test]
async fn plain_sql_shows_another_programme_nothing() {
    let system = System::start().await;
    let other = system.other_programme().await;
    furnished(&system).await;
    let pool = system.pool(ServiceName::Release).await;
    let (own, foreign) = (programme(&system).await, programme(&other).await);
    assert_ne!(own, foreign);
    assert!(seen(&pool, "candidate", &own, "").await > 0);
    for table in tables(&pool).await {
        assert_eq!(
            seen(&pool, &table, &foreign, "").await,
            0,
            "{table} of another programme"
        );
        assert_eq!(
            seen(&pool, &table, "", "").await,
            0,
            "{table} without a programme"
        );
    }
    let theirs = other.sign_in("rights").await;
    let list = theirs.get(&at("/candidates")).await.expect(200);
    assert_eq!(list["items"], json!([]));
}

#[tokio::test]
async fn plain_sql_shows_a_partner_its_own_papers_and_what_they_are_about() {
    let system = System::start().await;
    furnished(&system).await;
    let pool = system.pool(ServiceName::Release).await;
    let own = programme(&system).await;
    let (a, b) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    for table in [
        "candidate",
        "denomination",
        "filing",
        "licence",
        "propagation_report",
        "royalty_statement",
    ] {
        assert_eq!(
            seen(&pool, table, &own, &a).await,
            1,
            "{table} of nursery A"
        );
    }
    let staff_only = [
        "stage_move",
        "disclosure",
        "licence_change",
        "licence_claim",
        "due_date_done",
        "calendar_link",
        "denomination_step",
        "audit",
        "number_series",
    ];
    for table in staff_only {
        assert_eq!(
            seen(&pool, table, &own, &a).await,
            0,
            "{table} is for staff"
        );
    }
    let shared_by_all = ["retry", "revision"];
    for table in tables(&pool).await {
        if !shared_by_all.contains(&table.as_str()) {
            assert_eq!(
                seen(&pool, &table, &own, &b).await,
                0,
                "{table} of nursery B"
            );
        }
    }
}

#[tokio::test]
async fn a_partner_learns_what_its_licence_allows_and_another_nothing() {
    let system = System::start().await;
    let (shown, hidden) = furnished(&system).await;
    let partner = system.sign_in("partner_a").await;
    let stranger = system.sign_in("partner_b").await;
    let status = at("/partner/release-status");
    let reply = partner
        .get(&format!("{status}?denomination=velenta&territory=US-CA"))
        .await
        .expect(200);
    let items = reply["items"].as_array().unwrap();
    assert_eq!(items.len(), 1, "{reply:#}");
    let item = &items[0];
    assert_eq!(item["candidate_id"], json!(shown));
    assert_eq!(item["may_propagate"], true);
    assert_eq!(
        (&item["propagate_max_n"], &item["remaining_n"]),
        (&json!(1000), &json!(600))
    );
    assert_eq!(item["until"], "2030-12-31");
    assert_eq!(
        item["markings"][0]["text"],
        "‘Velenta’ U.S. Plant Patent No. PP90,001"
    );
    assert_eq!(item["protected_in"][0]["expiry_on"], "2046-02-10");
    assert!(
        reply["caution"]
            .as_str()
            .unwrap()
            .contains("not legal advice")
    );

    let by_grpc = partner
        .release()
        .get_release_status(::contract::release::GetReleaseStatusRequest {
            denomination: "Velenta".to_owned(),
            territory: "US".to_owned(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items.len(), 1);
    assert_eq!(by_grpc.items[0].remaining_n, Some(600));

    // Elsewhere the licence allows nothing, and what is another's reads as what does not exist.
    let elsewhere = partner
        .get(&format!("{status}?territory=CL"))
        .await
        .expect(200);
    assert_eq!(elsewhere["items"], json!([]));
    let ask = async |client: &end_to_end::Client, name: &str| -> Value {
        client
            .get(&format!("{status}?denomination={name}"))
            .await
            .expect(200)
    };
    let theirs = ask(&stranger, "Velenta").await;
    assert_eq!(theirs, ask(&stranger, "Nonexistent").await);
    assert_eq!(theirs["items"], json!([]));
    assert_eq!(
        ask(&partner, "P-2").await,
        ask(&partner, "Nonexistent").await
    );
    let everything = partner.get(&status).await.expect(200);
    assert!(!everything.to_string().contains(&hidden));

    // What is for staff stays with staff, whatever id is tried.
    for path in [
        "/candidates",
        "/licences",
        "/due-dates",
        "/pipeline",
        "/royalty-statements",
    ] {
        partner.get(&at(path)).await.expect(403);
    }
    partner
        .get(&at(&format!("/candidates/{shown}/rights")))
        .await
        .expect(403);
}

#[tokio::test]
async fn the_database_refuses_overlapping_exclusive_claims_whoever_writes_them() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let a = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "P-1").await;
    let granted = licence(
        &rights,
        &candidate,
        &a,
        json!({"exclusive": true, "territory": ["US-CA"]}),
    )
    .await;
    let pool = system.pool(ServiceName::Release).await;
    let mut transaction = pool.begin().await.unwrap();
    sqlx::query("select set_config('drupeline.programme', $1, true)")
        .bind(programme(&system).await)
        .execute(&mut *transaction)
        .await
        .unwrap();
    // The same ground again for the same licence, past every check of the program.
    let refused = sqlx::query(
        "insert into licence_claim (programme_id, licence_id, candidate_id, purpose, ground, period, share) \
         select programme_id, licence_id, candidate_id, purpose, ground, daterange('2029-01-01', '2029-01-02'), \
           int8range(900000, 900000, '[]') from licence_claim where licence_id = $1::uuid",
    )
    .bind(id(&granted))
    .execute(&mut *transaction)
    .await
    .unwrap_err();
    let constraint = refused.as_database_error().and_then(|e| e.constraint());
    assert_eq!(constraint, Some("exclusive_stands_alone"));
}
