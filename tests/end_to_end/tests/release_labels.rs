//! Labels that anyone can ask, and the secret behind them.

use end_to_end::System;
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::{Postgres, Transaction};

use crate::release::{at, candidate, denominate, id, licence, organisation};

/// A label of nursery A for the United States, with what it is about.
pub async fn labelled(system: &System) -> (Value, Value) {
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let nursery = organisation(system, "Nursery A").await;
    let about = candidate(system, "P-1").await;
    denominate(&rights, &about, "Velenta").await;
    rights
        .post(
            &at(&format!("/candidates/{about}/filings")),
            &json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2025-02-10", "application_number": "19/1"}),
        )
        .await
        .expect(201);
    let granted = licence(&rights, &about, &nursery, json!({})).await;
    let ask = json!({"licence_id": id(&granted), "country": "US"});
    let label = partner.post(&at("/labels"), &ask).await.expect(201);
    (granted, label)
}

#[tokio::test]
async fn the_code_on_a_tag_opens_a_page_for_people_and_data_for_programs() {
    let system = System::start().await;
    let (_, label) = labelled(&system).await;
    let anyone = system.anonymous();
    let url = label["url"].as_str().unwrap();
    let path = url.strip_prefix(&system.url()).unwrap();
    assert!(path.starts_with("/labels/"), "{path}");
    let page = anyone
        .send("GET", path, &[("accept", "text/html")], None)
        .await;
    assert_eq!(page.status, 200);
    let text = page.body.as_str().unwrap();
    for told in [
        "Velenta",
        "Prunus persica",
        "Nursery A",
        "An application is pending",
        "the licence is in force",
        "not legal advice",
    ] {
        assert!(text.contains(told), "{told}: {text}");
    }
    assert!(!text.contains("P-1"), "{text}");
    let data = anyone
        .send("GET", path, &[("accept", "application/json")], None)
        .await;
    let told = data.expect(200);
    assert_eq!(
        (&told["country"], &told["licensed"]),
        (&json!("US"), &json!(true))
    );
    // Asked of another country, it tells of that one.
    let abroad = anyone
        .send(
            "GET",
            &format!("{path}?country=CL"),
            &[("accept", "application/json")],
            None,
        )
        .await
        .expect(200);
    assert_eq!(
        (
            &abroad["country"],
            &abroad["licensed"],
            &abroad["protection"]
        ),
        (&json!("CL"), &json!(false), &json!("none"))
    );
    let nowhere = anyone
        .send(
            "GET",
            &format!("{path}?country=Atlantis"),
            &[("accept", "text/html")],
            None,
        )
        .await;
    assert_eq!(nowhere.status, 422);
    let grpc = anyone
        .release()
        .verify_label(::contract::release::VerifyLabelRequest {
            label_token: label["label_token"].as_str().unwrap().to_owned(),
            country: String::new(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(grpc.denomination, "Velenta");
}

#[tokio::test]
async fn a_changed_label_and_one_that_never_was_read_the_same() {
    let system = System::start().await;
    let (_, label) = labelled(&system).await;
    let anyone = system.anonymous();
    let token = label["label_token"].as_str().unwrap();
    let mut replies = Vec::new();
    let mut forms = Vec::new();
    for place in [0, 10, 22, 40, 47, 60, token.len() - 1] {
        let mut changed = token.to_owned();
        let other = if &token[place..=place] == "A" {
            "Q"
        } else {
            "A"
        };
        changed.replace_range(place..=place, other);
        forms.push(changed);
    }
    let longer = format!("{token}AAAA");
    forms.extend(["never", "A", &token[..20], longer.as_str()].map(str::to_owned));
    for form in &forms {
        // Whatever country is asked about.
        let api = anyone
            .get(&at(&format!("/labels/{form}?country=Atlantis")))
            .await;
        replies.push((api.status, api.body));
        let page = anyone
            .send(
                "GET",
                &format!("/labels/{form}"),
                &[("accept", "text/html")],
                None,
            )
            .await;
        assert_eq!(page.status, 404, "{form}");
        let text = page.body.as_str().unwrap();
        assert!(text.contains("This label is not known"), "{text}");
    }
    assert_eq!(replies[0].0, 404);
    assert!(
        replies.iter().all(|reply| *reply == replies[0]),
        "{replies:#?}"
    );
    // A link to a calendar never passes as a label.
    let rights = system.sign_in("rights").await;
    let link = rights
        .post(&at("/calendar-links"), &json!({"name": "mine"}))
        .await
        .expect(201);
    let sealed = link["url"]
        .as_str()
        .unwrap()
        .split('/')
        .nth(5)
        .unwrap()
        .to_owned();
    anyone
        .get(&at(&format!("/labels/{sealed}")))
        .await
        .expect(404);
    let calendar = anyone.get(link["url"].as_str().unwrap()).await;
    assert_eq!(calendar.status, 200);
}

#[tokio::test]
async fn tags_are_printed_for_the_licensee_with_the_page_in_their_code() {
    let system = System::start().await;
    let (granted, label) = labelled(&system).await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let token = label["label_token"].as_str().unwrap();
    let path = at(&format!("/labels/{token}/tags.pdf"));
    let sheet = format!("{path}?tags_n=3");
    let tags = a.get(&sheet).await;
    assert_eq!(tags.status, 200);
    assert_eq!(tags.headers["content-type"], "application/pdf");
    assert!(tags.bytes.starts_with(b"%PDF-"));
    assert!(String::from_utf8_lossy(&tags.bytes).contains("/Count 3"));
    let small = a.get(&format!("{sheet}&size=20x10")).await;
    assert_eq!(small.pointers(422), ["/size"]);
    b.get(&sheet).await.expect(404);
    system
        .other_programme()
        .await
        .sign_in("rights")
        .await
        .get(&sheet)
        .await
        .expect(404);
    rights
        .post(
            &at(&format!("/licences/{}/end", id(&granted))),
            &json!({"on": "2025-06-30", "reason": "agreed"}),
        )
        .await
        .expect(200);
    a.get(&sheet).await.expect(409);
    let page = system.anonymous().get(&format!("/labels/{token}")).await;
    assert!(
        page.body
            .as_str()
            .unwrap()
            .contains("no licence is in force")
    );
}

async fn scoped(
    pool: &sqlx::PgPool,
    programme: &str,
    partner: &str,
    across: &str,
) -> Transaction<'static, Postgres> {
    let mut transaction = pool.begin().await.unwrap();
    sqlx::query(
        "select set_config('drupeline.programme', $1, true), \
                set_config('drupeline.partner', $2, true), set_config('drupeline.across', $3, true)",
    )
    .bind(programme)
    .bind(partner)
    .bind(across)
    .execute(&mut *transaction)
    .await
    .unwrap();
    transaction
}

#[tokio::test]
async fn no_scope_reads_the_secret_and_a_partner_seals_its_own_labels_alone() {
    let system = System::start().await;
    let (granted, label) = labelled(&system).await;
    let admin = system.sign_in("admin").await;
    let me = admin.get("/api/identity/v1/me").await.expect(200);
    let programme = me["programme_id"].as_str().unwrap();
    let (a, b) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    let pool = system.pool(ServiceName::Release).await;
    for (partner, across) in [("", ""), (a.as_str(), ""), (b.as_str(), ""), ("", "on")] {
        let mut transaction = scoped(&pool, programme, partner, across).await;
        let seen: i64 = sqlx::query_scalar("select count(*) from seal_key")
            .fetch_one(&mut *transaction)
            .await
            .unwrap();
        assert_eq!(seen, 0, "as {partner:?} {across:?}");
        let changed = sqlx::query("update seal_key set secret = sha256('mine')")
            .execute(&mut *transaction)
            .await
            .unwrap();
        assert_eq!(changed.rows_affected(), 0);
    }
    let content: Vec<u8> = [
        id(&granted)
            .parse::<uuid::Uuid>()
            .unwrap()
            .as_bytes()
            .as_slice(),
        b"US".as_slice(),
    ]
    .concat();
    for (partner, purpose, sealed) in [
        ("", "label", true),
        ("", "calendar", true),
        (a.as_str(), "label", true),
        (a.as_str(), "calendar", false),
        (b.as_str(), "label", false),
    ] {
        let mut transaction = scoped(&pool, programme, partner, "").await;
        let tag: Option<Vec<u8>> = sqlx::query_scalar("select seal($1, $2)")
            .bind(purpose)
            .bind(&content)
            .fetch_one(&mut *transaction)
            .await
            .unwrap();
        assert_eq!(tag.is_some(), sealed, "{purpose} as {partner:?}");
    }
    // Without a programme nothing is sealed.
    let mut transaction = scoped(&pool, "", "", "on").await;
    let none: Option<Vec<u8>> = sqlx::query_scalar("select seal('label', $1)")
        .bind(&content)
        .fetch_one(&mut *transaction)
        .await
        .unwrap();
    assert_eq!(none, None);
    // RFC 4231, test cases 1 and 2.
    for (key, message, tag) in [
        (
            vec![0x0b; 20],
            "Hi There",
            "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
        ),
        (
            b"Jefe".to_vec(),
            "what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
    ] {
        let made: String =
            sqlx::query_scalar("select encode(seal_hmac($1, convert_to($2, 'UTF8')), 'hex')")
                .bind(key)
                .bind(message)
                .fetch_one(&mut *transaction)
                .await
                .unwrap();
        assert_eq!(made, tag);
    }
    assert!(label["label_token"].as_str().unwrap().len() > 60);
}
