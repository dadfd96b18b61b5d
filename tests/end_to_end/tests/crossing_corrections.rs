//! Wrong entries are corrected by later ones: what was written stays, and every figure follows.

use contract::crossing as wire;
use end_to_end::crossing::{
    ROOT, cherry, create, cross, dry_pollen, id, mother, open_season, read, refused,
};
use end_to_end::{Client, System};
use serde_json::{Value, json};
use uuid::Uuid;

/// Two crosses of one mother with two pollens, each pollen weighed.
struct House {
    breeder: Client,
    field: Client,
    mother: String,
    lots: [String; 2],
    crosses: [String; 2],
}

async fn house(system: &System) -> House {
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let mother_variety = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let mother = mother(&field, &mother_variety, 1).await;
    let (mut lots, mut crosses) = (Vec::new(), Vec::new());
    for (name, alleles) in [("Rolf", ["S4", "S9"]), ("Sven", ["S2", "S6"])] {
        let father = cherry(&breeder, name, alleles).await;
        lots.push(dry_pollen(&field, &father, 400, Some(100.0)).await);
        crosses.push(cross(&breeder, &mother_variety, &father, 40).await);
    }
    House {
        breeder,
        field,
        mother,
        lots: lots.try_into().expect("two"),
        crosses: crosses.try_into().expect("two"),
    }
}

impl House {
    fn pass(&self, lot: usize, emasculated: u32, pollinated: u32) -> Value {
        json!({"id": Uuid::now_v7(), "on": "2026-02-12", "pollen_lot_id": self.lots[lot], "mother_id": self.mother,
            "flowers_emasculated_n": emasculated, "flowers_pollinated_n": pollinated, "pollen_mg": 30.0, "by": "Ines Vadell"})
    }

    fn passes(&self, cross: usize) -> String {
        format!("/crosses/{}/passes", self.crosses[cross])
    }

    async fn cross(&self, cross: usize) -> Value {
        read(&self.field, &format!("/crosses/{}", self.crosses[cross])).await
    }

    async fn left_mg(&self, lot: usize) -> f64 {
        let lot = read(&self.field, &format!("/pollen-lots/{}", self.lots[lot])).await;
        lot["left_mg"].as_f64().expect("a weighed lot")
    }
}

#[tokio::test]
async fn a_pass_is_corrected_and_every_figure_follows() {
    let system = System::start().await;
    let house = house(&system).await;
    let mut wrong = house.pass(0, 300, 300);
    wrong["stray_open_flowers_n"] = json!(40);
    let first = create(&house.field, &house.passes(0), &wrong).await;
    let before = house.cross(0).await;
    assert_eq!(before["counts"]["flowers_pollinated_n"], 300);
    assert!((house.left_mg(0).await - 70.0).abs() < 1e-9);

    // A reason is needed, the entry must be there, and nothing changes on a refusal.
    let mut again = house.pass(0, 30, 30);
    again["correction"] = json!("a nought too many");
    assert_eq!(
        refused(&house.field, &house.passes(0), &again).await,
        ["/supersedes"]
    );
    again["supersedes"] = json!(Uuid::now_v7());
    assert_eq!(
        refused(&house.field, &house.passes(0), &again).await,
        ["/supersedes"]
    );
    let mut unexplained = house.pass(0, 30, 30);
    unexplained["supersedes"] = first["id"].clone();
    assert_eq!(
        refused(&house.field, &house.passes(0), &unexplained).await,
        ["/correction"]
    );
    let mut impossible = again.clone();
    impossible["supersedes"] = first["id"].clone();
    impossible["flowers_pollinated_n"] = json!(31);
    assert_eq!(
        refused(&house.field, &house.passes(0), &impossible).await,
        ["/flowers_pollinated_n"],
        "31 of 30: the superseded pass no longer counts"
    );
    assert_eq!(house.cross(0).await["counts"], before["counts"]);

    again["supersedes"] = first["id"].clone();
    again["pollen_mg"] = json!(3.0);
    let second = create(&house.field, &house.passes(0), &again).await;
    assert_eq!(second["supersedes"], first["id"]);
    assert_eq!(
        create(&house.field, &house.passes(0), &again).await,
        second,
        "a repeat is harmless"
    );
    let after = house.cross(0).await;
    assert_eq!(after["counts"]["flowers_pollinated_n"], 30);
    assert_eq!(after["counts"]["passes_n"], 1);
    assert!((house.left_mg(0).await - 97.0).abs() < 1e-9);
    let doubt = |cross: &Value| cross["outcross_doubt"].as_f64().expect("a doubt");
    assert!(
        (doubt(&after) - doubt(&before)).abs() > 1e-3,
        "the doubt follows"
    );
    let expected = |cross: &Value| cross["fruit_outlook"]["expected_n"].as_f64().unwrap();
    assert!((expected(&after) / expected(&before) - 0.1).abs() < 1e-6);

    // The history is kept, and a superseded entry is corrected no more.
    let standing = read(&house.field, &house.passes(0)).await;
    assert_eq!(standing["items"].as_array().unwrap().len(), 1);
    let ever = read(
        &house.field,
        &format!("{}?with_superseded=true", house.passes(0)),
    )
    .await;
    let ever = ever["items"].as_array().unwrap();
    assert_eq!(ever.len(), 2);
    let old = ever.iter().find(|pass| pass["id"] == first["id"]).unwrap();
    assert_eq!(
        (&old["superseded_by"], &old["pass_n"]),
        (&second["id"], &json!(0))
    );
    let mut late = house.pass(0, 10, 10);
    late["supersedes"] = first["id"].clone();
    late["correction"] = json!("again");
    assert_eq!(
        refused(&house.field, &house.passes(0), &late).await,
        ["/supersedes"]
    );

    // An id is given to one pass alone.
    let mut other = again.clone();
    other["flowers_pollinated_n"] = json!(29);
    let conflict = house
        .field
        .post(&format!("{ROOT}{}", house.passes(0)), &other)
        .await;
    assert_eq!(conflict.status, 409, "{:#}", conflict.body);

    // A pass written to the wrong cross moves, and both crosses follow; brought back in a batch.
    let mut moved = house.pass(1, 30, 30);
    moved["cross_id"] = json!(house.crosses[1]);
    moved["supersedes"] = second["id"].clone();
    moved["correction"] = json!("the other label");
    let batch = house
        .field
        .post(&format!("{ROOT}/passes:batch"), &json!([moved, moved]))
        .await
        .expect(200);
    assert_eq!(
        (&batch["accepted"], &batch["duplicates"]),
        (&json!(1), &json!(1)),
        "{batch:#}"
    );
    let (left, right) = (house.cross(0).await, house.cross(1).await);
    assert_eq!(left["counts"]["flowers_pollinated_n"], 0);
    assert!(
        left["outcross_doubt"].is_null(),
        "no pass, no doubt: {left:#}"
    );
    assert_eq!(right["counts"]["flowers_pollinated_n"], 30);
    assert!(
        (doubt(&right) - doubt(&after)).abs() < 1e-12,
        "as if it had been written rightly from the first"
    );
    assert!((house.left_mg(0).await - 100.0).abs() < 1e-9);
    assert!((house.left_mg(1).await - 70.0).abs() < 1e-9);

    // One that two phones brought back is withdrawn, over gRPC, unless fruit rests on it.
    let twin = create(&house.field, &house.passes(1), &house.pass(1, 30, 30)).await;
    let withdraw = wire::RecordPassRequest {
        cross_id: house.crosses[1].clone(),
        on: "2026-02-12".into(),
        supersedes: id(&twin),
        correction: "recorded on two phones".into(),
        withdraw: true,
        ..Default::default()
    };
    let fruit = format!("/crosses/{}/fruit", house.crosses[1]);
    let counted = create(
        &house.field,
        &fruit,
        &json!({"on": "2026-05-20", "harvested_n": 45}),
    )
    .await;
    let status = house
        .field
        .crossing()
        .record_pass(withdraw.clone())
        .await
        .unwrap_err();
    assert_eq!(status.code(), tonic::Code::InvalidArgument, "{status:?}");
    let recount = json!({"on": "2026-05-20", "harvested_n": 25, "stones_n": 25, "supersedes": counted["id"], "correction": "two baskets were one"});
    let recounted = create(&house.field, &fruit, &recount).await;
    assert_eq!(recounted["counts"]["fruit_harvested_n"], 25);
    house.field.crossing().record_pass(withdraw).await.unwrap();
    assert_eq!(house.cross(1).await["counts"]["flowers_pollinated_n"], 30);

    // Seed rests on fruit, so fruit is not corrected below it.
    let seed = format!("/crosses/{}/seed", house.crosses[1]);
    create(
        &house.field,
        &seed,
        &json!({"on": "2026-05-25", "step": "extracted", "seed_n": 24}),
    )
    .await;
    let less = json!({"on": "2026-05-20", "harvested_n": 10, "stones_n": 10, "supersedes": recounted["id"], "correction": "counted again"});
    assert_eq!(refused(&house.field, &fruit, &less).await, ["/harvested_n"]);
    let counts = read(&house.field, &format!("{fruit}?with_superseded=true")).await;
    assert_eq!(counts["items"].as_array().unwrap().len(), 2);
    assert_eq!(
        read(&house.field, &fruit).await["items"]
            .as_array()
            .unwrap()
            .len(),
        1
    );

    let other = system.other_programme().await.sign_in("field").await;
    other.get(&format!("{ROOT}{fruit}")).await.expect(404);
    assert!(house.breeder.get(&format!("{ROOT}{fruit}")).await.status == 200);
}

#[tokio::test]
async fn what_an_import_undid_is_not_told_as_written() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let (good, bad) = (Uuid::now_v7(), Uuid::now_v7());
    let season = json!({
        "germplasm": [
            {"id": good, "name": "Ada", "species": "Prunus persica", "kind": "variety"},
            {"id": bad, "name": "Ada", "species": "Prunus persica", "kind": "variety"},
        ],
    });
    let reply = breeder
        .post(&format!("{ROOT}/season-imports"), &season)
        .await;
    assert_eq!(reply.body["written"], false, "{:#}", reply.body);
    let audit = system
        .sign_in("admin")
        .await
        .get(&format!("{ROOT}/audit"))
        .await
        .expect(200);
    for entry in audit["items"].as_array().unwrap() {
        assert!(
            !entry["touched"].to_string().contains(&good.to_string()),
            "{entry:#}"
        );
    }
    breeder
        .get(&format!("{ROOT}/germplasm/{good}"))
        .await
        .expect(404);
}
