//! Recipients, seen from the browser.

use axum::http::StatusCode;

use crate::{
    people::Role,
    testing::{TestApp, regulator},
};

async fn secret(test: &TestApp) -> Option<String> {
    sqlx::query_scalar("select webhook_secret from recipient").fetch_one(&mut *test.db().await).await.unwrap()
}

#[tokio::test]
async fn a_webhook_gets_a_secret_that_is_shown_once() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    regulator(&mut db).await;
    let feeder: i32 = sqlx::query_scalar("select id from feeder").fetch_one(&mut *db).await.unwrap();
    let browser = test.browser(Role::Engineer).await;
    let area = format!("feeder:{feeder}");
    let mut fields = vec![
        ("name", "Desk"),
        ("email", "desk@example.org"),
        ("webhook_url", "https://hooks.example.org/a"),
        ("area", area.as_str()),
        ("least_priority", "medium"),
    ];
    let page = test.post(&browser, "/recipients", &fields).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    let first = secret(&test).await.unwrap();
    assert!(page.body.contains(&first));
    let row: (String, i32, i16) = sqlx::query_as("select area_kind, area_id, least_priority from recipient")
        .fetch_one(&mut *db)
        .await
        .unwrap();
    assert_eq!(row, ("feeder".into(), feeder, 2));
    let list = test.get(&browser, "/recipients").await.body;
    assert!(list.contains("East › Feeder 1") && !list.contains(&first));
    let (_, rest) = list.split_once("href=\"/recipients/").unwrap();
    let path = format!("/recipients/{}", rest.split('"').next().unwrap());
    assert!(!test.get(&browser, &path).await.body.contains(&first));

    fields[0] = ("name", "Night desk");
    assert_eq!(test.post(&browser, &path, &fields).await.location(), format!("{path}?done=changed"));
    assert_eq!(secret(&test).await, Some(first.clone()), "kept while the address stays");
    fields[2] = ("webhook_url", "https://hooks.example.org/b");
    let moved = test.post(&browser, &path, &fields).await;
    let second = secret(&test).await.unwrap();
    assert!(second != first && moved.body.contains(&second), "another receiver, another secret");
    assert_eq!(old_secret(&test).await, (None, None), "another receiver never knew the old one");
    let again = test.post(&browser, &format!("{path}/secret"), &[]).await;
    assert!(again.body.contains(&secret(&test).await.unwrap()) && secret(&test).await.unwrap() != second);
    assert!(again.body.contains("is good until"), "{}", again.body);
    let (old, hours) = old_secret(&test).await;
    assert_eq!((old, hours.map(f64::round)), (Some(second), Some(24.0)), "good for another day");
    fields[2] = ("webhook_url", "");
    test.post(&browser, &path, &fields).await;
    assert_eq!(secret(&test).await, None);
    let none = test.post(&browser, &format!("{path}/secret"), &[]).await;
    assert_eq!(none.status, StatusCode::CONFLICT);
}

/// The secret before the present one, and for how many hours from now it is good.
async fn old_secret(test: &TestApp) -> (Option<String>, Option<f64>) {
    sqlx::query_as(
        "select webhook_secret_old, extract(epoch from webhook_secret_old_until - now())::float8 / 3600 from recipient",
    )
        .fetch_one(&mut *test.db().await)
        .await
        .unwrap()
}

#[tokio::test]
async fn a_text_gateway_is_stored_with_a_number_and_gets_a_secret_that_is_shown_once() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    let fields = [
        ("name", "Pager"),
        ("text_email", "3035550100@text.example.org"),
        ("text_url", "https://text.example.org/send"),
        ("text_number", "+1 303 555 0100"),
        ("area", "fleet"),
        ("least_priority", "high"),
    ];
    let page = test.post(&browser, "/recipients", &fields).await.body;
    let row: (String, String, String, String) =
        sqlx::query_as("select text_email, text_url, text_number, text_secret from recipient")
            .fetch_one(&mut *test.db().await)
            .await
            .unwrap();
    assert!(page.contains(&row.3), "{page}");
    assert_eq!((row.0.as_str(), row.2.as_str()), ("3035550100@text.example.org", "+13035550100"));
    let list = test.get(&browser, "/recipients").await.body;
    assert!(list.contains("text to +13035550100") && !list.contains(&row.3));
    let lonely: Vec<_> = fields.iter().copied().filter(|(name, _)| *name != "text_number").collect();
    let answer = test.post(&browser, "/recipients", &lonely).await;
    assert!(answer.body.contains("Give the telephone number"), "{}", answer.body);
}

#[tokio::test]
async fn mistakes_are_refused_with_the_remedy_and_what_was_typed_stays() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    for (name, email, url, area, why) in [
        ("", "desk@example.org", "", "fleet", "needs a name"),
        ("Desk", "", "", "fleet", "otherwise nothing can be sent"),
        ("Desk", "desk", "", "fleet", "is not an e-mail address"),
        ("Desk", "", "hooks.example.org", "fleet", "is not a web address"),
        ("Desk", "", "file:///etc/passwd", "fleet", "is not a web address"),
        ("Desk", "desk@example.org", "", "feeder:1", "no longer in the inventory"),
    ] {
        let fields = [
            ("name", name),
            ("email", email),
            ("webhook_url", url),
            ("area", area),
            ("least_priority", "low"),
        ];
        let answer = test.post(&browser, "/recipients", &fields).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST);
        assert!(answer.body.contains(why), "{why} in {}", answer.body);
        assert!(answer.body.contains("value=\"low\" selected"));
        if !email.is_empty() {
            assert!(answer.body.contains(&format!("value=\"{email}\"")));
        }
    }
    let stored: i64 =
        sqlx::query_scalar("select count(*) from recipient").fetch_one(&mut *test.db().await).await.unwrap();
    assert_eq!(stored, 0);
}

#[tokio::test]
async fn a_recipient_is_disabled_and_enabled_and_a_test_says_what_came_of_it() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Engineer).await;
    let fields =
        [("name", "Desk"), ("email", "desk@example.org"), ("area", "fleet"), ("least_priority", "high")];
    let added = test.post(&browser, "/recipients", &fields).await;
    let path = added.location().split('?').next().unwrap().to_owned();
    for (act, disabled) in [("disable", true), ("enable", false)] {
        let answer = test.post(&browser, &format!("{path}/{act}"), &[]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER);
        let stored: bool = sqlx::query_scalar("select disabled_at is not null from recipient")
            .fetch_one(&mut *test.db().await)
            .await
            .unwrap();
        assert_eq!(stored, disabled);
    }
    // The settings of this test name no mail server.
    let tried = test.post(&browser, &format!("{path}/test"), &[]).await;
    assert_eq!(tried.status, StatusCode::OK);
    assert!(tried.body.contains("The test by e-mail failed"), "{}", tried.body);
    assert_eq!(test.post(&browser, "/recipients/999/test", &[]).await.status, StatusCode::NOT_FOUND);
}
