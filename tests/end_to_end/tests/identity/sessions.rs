//! Sessions, listed and ended by their owner.

use end_to_end::System;
use serde_json::json;

const MINE: &str = "/api/identity/v1/me/sessions";

#[tokio::test]
async fn sessions_are_listed_and_ended_by_their_owner_and_nobody_else() {
    let system = System::start().await;
    let (desk, lost) = (system.sign_in("field").await, system.sign_in("field").await);
    let other = system.sign_in("breeder").await;
    let list = desk.get(MINE).await.expect(200);
    let items = list["items"].as_array().unwrap();
    assert_eq!(items.len(), 2);
    assert_eq!(items[1]["current"], true);
    assert_eq!(
        (&items[0]["current"], &items[0]["address"]),
        (&json!(false), &json!("127.0.0.1"))
    );
    assert_eq!(items[0]["proofs"], json!(["password"]));
    let lost_one = format!("{MINE}/{}", items[0]["id"].as_str().unwrap());
    other.delete(&lost_one).await.expect(404);
    desk.delete(&lost_one).await.expect(204);
    super::until(&lost, MINE, 401).await;
    super::until(&lost, "/api/crossing/v1/germplasm", 401).await;
    assert_eq!(
        desk.get(MINE).await.expect(200)["items"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
    desk.delete(&lost_one).await.expect(404);
    desk.delete(&format!("{MINE}/nonsense")).await.expect(404);
}
