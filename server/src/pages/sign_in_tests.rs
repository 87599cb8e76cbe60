//! Signing in, seen from the browser.

use axum::http::{StatusCode, header};

use crate::{
    people::{Role, admin, link},
    testing::{Browser, TestApp},
};

const PASSWORD: &str = "four words will do";

/// Makes a person with a password, the way people do it: by a link.
async fn with_password(test: &TestApp, email: &str) -> Browser {
    let mut db = test.db().await;
    admin::create(&mut db, email, "Ann", Role::Operate).await.unwrap();
    let path = admin::sign_in_link(&mut db, email, link::LIFE).await.unwrap();
    let entered = test.post_bare(&Browser::default(), &path, &[]).await;
    assert_eq!((entered.status, entered.location()), (StatusCode::SEE_OTHER, "/password"));
    let mut browser = Browser { cookie: entered.cookie(), ..Browser::default() };
    browser.csrf = csrf(&test.get(&browser, "/password").await.body);
    let chosen = test.post(&browser, "/password", &[("password", PASSWORD), ("again", PASSWORD)]).await;
    assert_eq!((chosen.status, chosen.location()), (StatusCode::SEE_OTHER, "/"), "{}", chosen.body);
    Browser { cookie: chosen.cookie(), ..Browser::default() }
}

fn csrf(page: &str) -> String {
    let (_, rest) = page.split_once("name=\"csrf\" value=\"").expect("a token in the page");
    rest.split('"').next().unwrap().to_owned()
}

async fn sign_in(test: &TestApp, email: &str, password: &str) -> crate::testing::Answer {
    let fields = [("email", email), ("password", password), ("next", "/password")];
    test.post_bare(&Browser::default(), "/sign-in", &fields).await
}

#[tokio::test]
async fn a_link_lets_in_a_password_is_chosen_and_then_lets_in() {
    let test = TestApp::new().await;
    let first = with_password(&test, "ann@example.org").await;
    let answer = sign_in(&test, " Ann@Example.org", PASSWORD).await;
    assert_eq!((answer.status, answer.location()), (StatusCode::SEE_OTHER, "/password"));
    let second = Browser { cookie: answer.cookie(), ..Browser::default() };
    assert_ne!(first.cookie, second.cookie);
    let page = test.get(&second, "/password").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("Present password"), "who signed in by password must give it to change it");
}

#[tokio::test]
async fn opening_a_link_does_not_use_it_up() {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    admin::create(&mut db, "ann@example.org", "Ann", Role::View).await.unwrap();
    let path = admin::sign_in_link(&mut db, "ann@example.org", link::LIFE).await.unwrap();
    for _ in 0..3 {
        let page = test.get(&Browser::default(), &path).await;
        assert_eq!((page.status, page.cookie()), (StatusCode::OK, None));
        assert!(page.body.contains("<button"));
    }
    assert_eq!(test.post_bare(&Browser::default(), &path, &[]).await.status, StatusCode::SEE_OTHER);
    let again = test.post_bare(&Browser::default(), &path, &[]).await;
    assert_eq!((again.status, again.cookie()), (StatusCode::GONE, None));
    assert!(again.body.contains("ask an\nadministrator for a new link"));
    assert_eq!(test.get(&Browser::default(), &path).await.status, StatusCode::GONE);
}

#[tokio::test]
async fn a_wrong_password_and_an_unknown_address_get_the_same_answer() {
    let test = TestApp::new().await;
    with_password(&test, "ann@example.org").await;
    let wrong = sign_in(&test, "ann@example.org", "not the password").await;
    let unknown = sign_in(&test, "bob@example.org", "not the password").await;
    assert_eq!((wrong.status, unknown.status), (StatusCode::UNAUTHORIZED, StatusCode::UNAUTHORIZED));
    assert_eq!(wrong.body.replace("ann@example.org", "bob@example.org"), unknown.body);
    assert!(wrong.body.contains("value=\"ann@example.org\""), "what was typed stays");
    assert!(!wrong.body.contains("not the password"));
    assert_eq!(wrong.cookie(), None);
}

#[tokio::test]
async fn a_disabled_person_cannot_sign_in_and_is_out_at_once() {
    let test = TestApp::new().await;
    let browser = with_password(&test, "ann@example.org").await;
    assert_eq!(test.get(&browser, "/password").await.status, StatusCode::OK);
    admin::disable(&mut *test.db().await, "ann@example.org").await.unwrap();
    assert_eq!(test.get(&browser, "/password").await.location(), "/sign-in?next=%2Fpassword");
    assert_eq!(sign_in(&test, "ann@example.org", PASSWORD).await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn guessing_is_slowed_down_with_a_word_about_what_to_do() {
    let test = TestApp::new().await;
    for _ in 0..10 {
        test.app.gate.limiter.attempt("ann@example.org", None, std::time::Instant::now()).unwrap();
    }
    let answer = sign_in(&test, "ann@example.org", "anything").await;
    assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
    assert!(
        answer.body.contains("Wait 15 min") && answer.body.contains("one-time sign-in link"),
        "{}",
        answer.body
    );
    assert!(answer.headers.contains_key(header::RETRY_AFTER));
}

#[tokio::test]
async fn choosing_a_password_ends_the_other_sessions_and_refuses_what_is_not_fit() {
    let test = TestApp::new().await;
    let first = with_password(&test, "ann@example.org").await;
    let mut second =
        Browser { cookie: sign_in(&test, "ann@example.org", PASSWORD).await.cookie(), ..Browser::default() };
    second.csrf = csrf(&test.get(&second, "/password").await.body);
    for (present, password, again, why) in [
        (
            "wrong present pw",
            "a good new password",
            "a good new password",
            "The present password is not right",
        ),
        (PASSWORD, "a good new password", "a good old password", "differ"),
        (PASSWORD, "short", "short", "at least 12 characters"),
    ] {
        let fields = [("present", present), ("password", password), ("again", again)];
        let refused = test.post(&second, "/password", &fields).await;
        assert_eq!(refused.status, StatusCode::BAD_REQUEST);
        assert!(refused.body.contains(why), "{}", refused.body);
    }
    let fields =
        [("present", PASSWORD), ("password", "a good new password"), ("again", "a good new password")];
    assert_eq!(test.post(&second, "/password", &fields).await.status, StatusCode::SEE_OTHER);
    for old in [first, second] {
        assert_eq!(test.get(&old, "/password").await.status, StatusCode::SEE_OTHER, "signed out");
    }
    assert_eq!(sign_in(&test, "ann@example.org", PASSWORD).await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn signing_out_ends_the_session_and_removes_the_cookie() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let answer = test.post(&browser, "/sign-out", &[]).await;
    assert_eq!((answer.status, answer.location()), (StatusCode::SEE_OTHER, "/sign-in"));
    assert_eq!(answer.cookie().as_deref(), Some("tapkeeper="));
    assert_eq!(test.get(&browser, "/password").await.status, StatusCode::SEE_OTHER);
}
