//! The pages of a cross's seed and of what was corrected.

use end_to_end::System;
use end_to_end::crossing::{
    ROOT, cherry, create, cross, dry_pollen, id, mother, open_season, read,
};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::pages::Browser;

fn holds(page: &str, wanted: &[&str]) {
    for text in wanted {
        assert!(page.contains(text), "{text:?} is missing in {page}");
    }
}

#[tokio::test]
async fn seed_and_corrections_are_seen_on_the_pages() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let rolf = cherry(&breeder, "Rolf", ["S4", "S9"]).await;
    let mother = mother(&field, &hilda, 1).await;
    let lot = dry_pollen(&field, &rolf, 900, None).await;
    let cross = cross(&breeder, &hilda, &rolf, 100).await;
    let mut browser = Browser::signed_in(&system, "field").await;
    let page_of_cross = format!("/crosses/{cross}");
    holds(
        &browser.page(&format!("{page_of_cross}/seed")).await,
        &["No seed has been extracted yet.", "Nothing has been lost."],
    );
    holds(
        &browser.page(&page_of_cross).await,
        &[
            "Nothing has been corrected.",
            "No fruit has been counted yet.",
        ],
    );

    // A pass that was wrong, a count of fruit that was another cross's.
    let passes = format!("/crosses/{cross}/passes");
    let pass = |n: u32| {
        json!({"id": Uuid::now_v7(), "on": "2026-02-12", "pollen_lot_id": lot, "mother_id": mother,
            "flowers_emasculated_n": n, "flowers_pollinated_n": n, "by": "Ines Vadell"})
    };
    let wrong = pass(3000);
    create(&field, &passes, &wrong).await;
    let mut right = pass(300);
    right["supersedes"] = wrong["id"].clone();
    right["correction"] = json!("a nought <too> many");
    create(&field, &passes, &right).await;
    let fruit = format!("/crosses/{cross}/fruit");
    let strange = create(&field, &fruit, &json!({"on": "2026-05-01", "set_n": 77})).await;
    let gone = json!({"on": "2026-05-01", "supersedes": strange["id"], "correction": "counted on the neighbour", "withdraw": true});
    create(&field, &fruit, &gone).await;
    create(
        &field,
        &fruit,
        &json!({"on": "2026-05-20", "harvested_n": 200, "stones_n": 200}),
    )
    .await;

    // Seed: a lot, a batch in the cold with its germination, a rescue, losses.
    let seed = format!("/crosses/{cross}/seed");
    let step = async |body: Value| create(&field, &seed, &body).await;
    let extracted =
        step(json!({"step": "extracted", "on": "2026-05-25", "seed_n": 180, "stones_n": 200}))
            .await;
    step(json!({"step": "lost", "on": "2026-05-26", "seed_n": 20, "cause": "empty"})).await;
    let cold = step(json!({"step": "stratified", "on": "2026-05-28", "seed_n": 120, "temperature_c": 4.0, "source_id": extracted["id"]})).await;
    step(json!({"step": "rescued", "on": "2026-05-28", "seed_n": 40, "medium": "half-strength salts", "source_id": extracted["id"]})).await;
    for (on, n) in [
        ("2026-07-09", 6),
        ("2026-07-16", 15),
        ("2026-07-23", 25),
        ("2026-07-30", 24),
        ("2026-08-06", 12),
    ] {
        step(json!({"step": "germinated", "on": on, "seed_n": n, "source_id": cold["id"]})).await;
    }
    let page = browser.page(&format!("{page_of_cross}/seed")).await;
    holds(
        &page,
        &[
            "Seed of cross 26-0001",
            "Stones cracked",
            "180 + 0 found = 160 on + 20 lost + 0 left",
            "120 + 0 found = 82 on + 0 lost + 38 left",
            "Losses by cause",
            "26-0001-S2",
            "26-0001-S3",
            "half-strength salts",
            "Germination of 26-0001-S2",
            "82 of 120 seeds",
            "trained person",
            "25 Sep 2026",
            "<svg",
        ],
    );
    // Each picture has its table, its title and its description; nothing needs a script.
    for part in [
        "<figure",
        "role=\"img\"",
        "<desc>",
        "The numbers behind the picture",
    ] {
        let n = page.matches(part).count();
        assert_eq!(n, 3, "{part} of stages, losses and germination");
    }
    assert!(!page.contains("<script"), "{page}");
    let page = browser.page(&page_of_cross).await;
    holds(
        &page,
        &[
            "Corrections",
            "3,000 pollinated",
            "300 pollinated",
            "a nought &lt;too&gt; many",
            "counted on the neighbour",
            "77 set",
            "withdrawn",
            "200 harvested, 200 stones",
            &format!("href=\"/crosses/{cross}/seed\""),
        ],
    );
    let page = browser.page("/season/2026/seed").await;
    holds(
        &page,
        &[
            "Due to be sown",
            "26-0001-S2",
            "25 Sep 2026",
            "Seed by cross",
            "From stone to seedling",
        ],
    );
    holds(&browser.page("/season/2026").await, &["/season/2026/seed"]);

    // The number of a lot finds it, and its label carries it.
    let found = read(&field, "/numbers/26-0001-S2").await;
    assert_eq!(
        (&found["kind"], &found["id"], &found["cross_id"]),
        (&json!("seed_lot"), &cold["id"], &json!(cross))
    );
    let checked = found["checked_number"].as_str().unwrap();
    assert_eq!(
        read(&field, &format!("/numbers/{checked}")).await["id"],
        cold["id"]
    );
    field
        .get(&format!("{ROOT}/numbers/26-0001-S9"))
        .await
        .expect(404);
    let seen = browser.get(&format!("/find?number={checked}")).await;
    assert_eq!(
        (seen.status, seen.location),
        (303, Some(format!("/crosses/{cross}/seed")))
    );
    let labels = json!({"seed_entry_ids": [id(&extracted), id(&cold)], "page": "54x25"});
    let sheet = field.post(&format!("{ROOT}/labels"), &labels).await;
    assert_eq!(sheet.status, 200);
    let text = String::from_utf8_lossy(&sheet.bytes);
    assert!(
        text.starts_with("%PDF-") && text.contains("/Count 2"),
        "a page for each label"
    );
    let both = json!({"seed_entry_ids": [id(&cold)], "cross_ids": [cross]});
    assert_eq!(
        field
            .post(&format!("{ROOT}/labels"), &both)
            .await
            .pointers(422),
        ["/cross_id"]
    );

    // Another programme finds neither.
    let other = system.other_programme().await;
    let stranger = other.sign_in("field").await;
    stranger
        .get(&format!("{ROOT}/numbers/26-0001-S2"))
        .await
        .expect(404);
    let seen = Browser::signed_in(&other, "field")
        .await
        .get(&format!("{page_of_cross}/seed"))
        .await;
    assert_eq!(seen.status, 404);
}
