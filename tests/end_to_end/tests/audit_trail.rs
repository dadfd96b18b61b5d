//! The audit trail: read with filters, and nothing of it goes missing unseen.

use end_to_end::{System, connect};
use platform::audit::chain::{self, Break, Head};
use platform::peers::ServiceName;
use serde_json::json;
use sqlx::{AssertSqlSafe, PgConnection};

async fn run(connection: &mut PgConnection, statements: &str) {
    sqlx::raw_sql(AssertSqlSafe(statements.to_owned()))
        .execute(connection)
        .await
        .unwrap_or_else(|error| panic!("{statements}: {error}"));
}

async fn breaks(admin: &mut PgConnection, kept: &[Head]) -> Vec<Break> {
    chain::verify(admin, &[ServiceName::Crossing], kept)
        .await
        .unwrap()
        .breaks
}

async fn plant(client: &end_to_end::Client, name: &str) {
    client
        .post(
            "/api/crossing/v1/germplasm",
            &json!({ "name": name, "species": "Prunus persica", "kind": "variety" }),
        )
        .await
        .expect(201);
}

#[tokio::test]
async fn the_trail_is_read_by_person_outcome_and_time() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let person = breeder.get("/api/identity/v1/me").await.expect(200);
    plant(&breeder, "First").await;
    let between = jiff::Timestamp::now();
    plant(&breeder, "Second").await;

    let admin = system.sign_in("admin").await;
    let trail = async |query: &str| -> usize {
        let page = admin
            .get(&format!("/api/crossing/v1/audit?{query}"))
            .await
            .expect(200);
        page["items"].as_array().unwrap().len()
    };
    let actor = person["id"].as_str().unwrap();
    // What was refused is there too, by both ways.
    let field = system.sign_in("field").await;
    field
        .post("/api/crossing/v1/germplasm", &json!({}))
        .await
        .expect(403);
    let refused = field
        .crossing()
        .register_germplasm(::contract::crossing::RegisterGermplasmRequest::default())
        .await;
    assert_eq!(refused.unwrap_err().code(), tonic::Code::PermissionDenied);
    for (query, entries_n) in [
        (format!("actor_id={actor}"), 2),
        ("outcome=done".to_owned(), 2),
        ("outcome=refused&operation=register_germplasm".to_owned(), 1),
        (format!("outcome=done&from={between}"), 1),
        (format!("until={between}"), 1),
        (format!("from={between}&until={between}"), 0),
        ("operation=register_germplasm&outcome=done".to_owned(), 2),
        ("operation=edit_germplasm".to_owned(), 0),
    ] {
        assert_eq!(trail(&query).await, entries_n, "{query}");
    }
    assert_eq!(
        admin
            .get("/api/crossing/v1/audit?outcome=perhaps&from=noon")
            .await
            .pointers(422),
        ["/outcome", "/from"]
    );
    // Nobody else's business.
    let other = system.other_programme().await.sign_in("admin").await;
    let theirs = other.get("/api/crossing/v1/audit").await.expect(200);
    assert_eq!(theirs["items"], json!([]));
}

#[tokio::test]
async fn nothing_of_the_trail_goes_missing_unseen() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    // Many at once, so that several chains are under way side by side.
    let mut writers = tokio::task::JoinSet::new();
    for writer in 0..8 {
        let breeder = breeder.clone();
        writers.spawn(async move {
            for n in 0..5 {
                plant(&breeder, &format!("Plant {writer}-{n}")).await;
            }
        });
    }
    while let Some(done) = writers.join_next().await {
        done.unwrap();
    }
    let mut admin = connect(system.admin_url()).await;
    let report = chain::verify(&mut admin, &[ServiceName::Crossing], &[])
        .await
        .unwrap();
    assert_eq!(report.breaks, []);
    assert_eq!(report.entries_n, 40);
    let kept = report.heads;
    let longest = kept
        .iter()
        .max_by_key(|head| head.entries_n)
        .unwrap()
        .clone();
    let (chain, last) = (longest.chain.clone(), longest.entries_n);
    assert!(last >= 3, "{kept:?}");
    let link = |n: i64| {
        format!(
            "(select audit_id from crossing.audit_link where programme_id = '{}' and lane = {} \
              and entry_n = {n})",
            chain.programme, chain.lane
        )
    };

    run(&mut admin, "set session_replication_role = replica; create temp table kept as select * from crossing.audit; create temp table links as select * from crossing.audit_link").await;
    let put_back = "delete from crossing.audit; \
         insert into crossing.audit overriding system value select * from kept; \
         delete from crossing.audit_link; insert into crossing.audit_link select * from links";
    let change = format!(
        "update crossing.audit set actor_name = 'Somebody Else' where id = {}",
        link(2)
    );
    let remove = format!("delete from crossing.audit where id = {}", link(2));
    let swap = format!(
        "update crossing.audit_link l set audit_id = o.audit_id from crossing.audit_link o \
         where l.programme_id = o.programme_id and l.lane = o.lane and l.lane = {} \
             and l.programme_id = '{}' and l.entry_n + o.entry_n = 3 and l.entry_n in (1, 2)",
        chain.lane, chain.programme
    );
    let add = "insert into crossing.audit (programme_id, at, actor_id, actor_name, via, operation, \
         touched, request) select programme_id, at, actor_id, actor_name, via, operation, touched, \
         request from crossing.audit limit 1";
    let cut = format!(
        "delete from crossing.audit where id = {}; delete from crossing.audit_link \
         where programme_id = '{}' and lane = {} and entry_n = {last}",
        link(last),
        chain.programme,
        chain.lane
    );
    type Expected = fn(&[Break], i64) -> bool;
    let cases: [(&str, Expected); 5] = [
        (
            &change,
            |found, _| matches!(found, [Break::Changed(_, 2, what)] if what.contains("Somebody Else")),
        ),
        (&remove, |found, _| matches!(found, [Break::Gone(_, 2, 2)])),
        (&swap, |found, _| {
            matches!(found, [Break::Changed(_, 1, _), Break::Changed(_, 2, _)])
        }),
        (
            add,
            |found, _| matches!(found, [Break::Unbound(schema, _)] if schema == "crossing"),
        ),
        (
            &cut,
            |found, last| matches!(found, [Break::Gone(_, a, b)] if *a == last && *b == last),
        ),
    ];
    for (harm, expected) in cases {
        run(&mut admin, harm).await;
        let found = breaks(&mut admin, &[]).await;
        assert!(expected(&found, last), "{harm}: {found:?}");
        run(&mut admin, put_back).await;
        assert_eq!(breaks(&mut admin, &[]).await, [], "after {harm}");
    }

    // Cut off with the head set back: only who kept the heads elsewhere finds out.
    run(
        &mut admin,
        &format!(
            "{cut}; update crossing.audit_head h set entries_n = {}, hash = l.hash \
             from crossing.audit_link l where l.programme_id = h.programme_id and l.lane = h.lane \
                 and h.lane = {} and h.programme_id = '{}' and l.entry_n = {}",
            last - 1,
            chain.lane,
            chain.programme,
            last - 1
        ),
    )
    .await;
    assert_eq!(breaks(&mut admin, &[]).await, []);
    assert_eq!(
        breaks(&mut admin, &kept).await,
        [Break::Gone(chain, last, last)]
    );
}
