//! What holds for every page.

use axum::{
    body::Body,
    http::{StatusCode, header},
};

use crate::{
    people::Role,
    testing::{Browser, TestApp},
};

#[tokio::test]
async fn every_answer_carries_the_strict_headers() {
    let test = TestApp::new().await;
    for path in ["/sign-in", "/nowhere"] {
        let answer = test.get(&Browser::default(), path).await;
        let header = |name: &str| answer.headers.get(name).map_or("", |v| v.to_str().unwrap());
        assert_eq!(
            header("content-security-policy"),
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
             form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        );
        assert_eq!(header("x-content-type-options"), "nosniff");
        assert_eq!(header("referrer-policy"), "same-origin");
        assert_eq!(header("cache-control"), "no-store");
        assert_eq!(header("x-request-id").len(), 12);
    }
}

#[tokio::test]
async fn an_unknown_address_is_a_page_for_people_and_text_for_programs() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let page = test.get(&browser, "/nowhere").await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    assert!(page.body.contains(">Not here</h1>") && page.body.contains("start again from the board"));
    let request =
        axum::http::Request::get("/nowhere").header(header::ACCEPT, "*/*").body(Body::empty()).unwrap();
    let plain = test.send(request).await;
    assert!(plain.body.starts_with("Not here\n"), "{}", plain.body);
}

#[tokio::test]
async fn nobody_is_sent_to_sign_in_and_a_script_is_told() {
    let test = TestApp::new().await;
    let answer = test.get(&Browser::default(), "/password").await;
    assert_eq!((answer.status, answer.location()), (StatusCode::SEE_OTHER, "/sign-in?next=%2Fpassword"));
    let request =
        axum::http::Request::get("/password").header(header::ACCEPT, "*/*").body(Body::empty()).unwrap();
    assert_eq!(test.send(request).await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_change_without_the_sessions_token_is_refused() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Administer).await;
    let other = test.browser(Role::View).await;
    for fields in [vec![], vec![("csrf", "")], vec![("csrf", other.csrf.as_str())]] {
        let answer = test.post_bare(&browser, "/sign-out", &fields).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{fields:?}");
        assert!(answer.body.contains("nothing was changed"));
    }
    assert_eq!(test.get(&browser, "/password").await.status, StatusCode::OK, "still signed in");
}

#[tokio::test]
async fn a_change_sent_from_another_site_is_refused_even_with_the_token() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    for (name, value) in [("origin", "https://evil.example"), ("sec-fetch-site", "cross-site")] {
        let request = browser
            .request("POST", "/sign-out")
            .header(name, value)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(format!("csrf={}", browser.csrf)))
            .unwrap();
        assert_eq!(test.send(request).await.status, StatusCode::FORBIDDEN);
    }
    let request = browser
        .request("POST", "/sign-out")
        .header("x-csrf-token", &browser.csrf)
        .body(Body::empty())
        .unwrap();
    assert_eq!(
        test.send(request).await.status,
        StatusCode::SEE_OTHER,
        "a script sends the token as a header"
    );
}

#[tokio::test]
async fn a_form_too_large_is_refused() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let large = "x".repeat(300 * 1024);
    let answer = test.post(&browser, "/sign-out", &[("note", &large)]).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    assert!(answer.body.contains("256 KiB"));
}

#[tokio::test]
async fn while_the_database_is_away_a_recent_session_may_look_but_not_change() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    assert_eq!(test.get(&browser, "/nowhere").await.status, StatusCode::NOT_FOUND);
    test.app.pool.close().await;
    let known = test.get(&browser, "/nowhere").await;
    assert_eq!(known.status, StatusCode::NOT_FOUND);
    let page = test.get(&browser, "/password").await;
    assert_eq!(page.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(page.body.contains("The database does not answer") && page.body.contains("Request number"));
    let change = test.post(&browser, "/sign-out", &[]).await;
    assert_eq!(change.status, StatusCode::SERVICE_UNAVAILABLE);
}
