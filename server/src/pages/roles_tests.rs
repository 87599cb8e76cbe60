//! Every route that changes something, walked with every role. The table below is held against the source, so that a new
//! route cannot be forgotten.

use std::{collections::BTreeSet, fs, path::Path};

use axum::http::{Method, StatusCode};

use crate::{
    people::Role,
    testing::{Browser, TestApp},
};

/// Every route that takes a POST, and the least role that may use it; none where a signed-out browser may.
const CHANGES: &[(&str, Option<Role>)] = &[
    ("/sign-in", None),
    ("/sign-in/link/{secret}", None),
    ("/answer/{token}", None),
    ("/sign-out", Some(Role::View)),
    ("/password", Some(Role::View)),
    ("/alarms/acknowledge", Some(Role::Operate)),
    ("/alarms/{id}/acknowledge", Some(Role::Operate)),
    ("/alarms/{id}/shelve", Some(Role::Operate)),
    ("/alarms/{id}/unshelve", Some(Role::Operate)),
    ("/alarms/{id}/take-out", Some(Role::Operate)),
    ("/alarms/{id}/put-back", Some(Role::Operate)),
    ("/alarms/{id}/notes", Some(Role::Operate)),
    ("/site/{id}/notes", Some(Role::Operate)),
    ("/handover", Some(Role::Operate)),
    ("/windows", Some(Role::Engineer)),
    ("/windows/{id}/end", Some(Role::Engineer)),
    ("/thresholds/{condition}/{parameter}", Some(Role::Engineer)),
    ("/recipients", Some(Role::Engineer)),
    ("/recipients/{id}", Some(Role::Engineer)),
    ("/recipients/{id}/disable", Some(Role::Engineer)),
    ("/recipients/{id}/enable", Some(Role::Engineer)),
    ("/recipients/{id}/secret", Some(Role::Engineer)),
    ("/recipients/{id}/test", Some(Role::Engineer)),
    ("/rotas", Some(Role::Engineer)),
    ("/rotas/{id}", Some(Role::Engineer)),
    ("/rotas/{id}/remove", Some(Role::Engineer)),
    // of others; everybody changes their own
    ("/reach/{id}", Some(Role::Administer)),
    ("/reach/{id}/test", Some(Role::Administer)),
    ("/reach/{id}/secret", Some(Role::Administer)),
    ("/reach/{id}/calendar", Some(Role::Administer)),
    ("/undelivered/{id}/retry", Some(Role::Operate)),
    ("/undelivered/{id}/dismiss", Some(Role::Operate)),
    ("/people", Some(Role::Administer)),
    ("/people/{id}/role", Some(Role::Administer)),
    ("/people/{id}/disable", Some(Role::Administer)),
    ("/people/{id}/enable", Some(Role::Administer)),
    ("/people/{id}/link", Some(Role::Administer)),
];

/// Pages that not everybody may see.
const PAGES: &[(&str, Role)] = &[
    ("/alarms", Role::View),
    ("/alarms?view=groups", Role::View),
    ("/windows", Role::View),
    ("/handover", Role::View),
    ("/alarm-quality", Role::View),
    ("/conditions", Role::View),
    ("/conditions/reverse_power", Role::View),
    ("/thresholds", Role::View),
    ("/study", Role::View),
    ("/calculators", Role::View),
    ("/backtest", Role::View),
    ("/polling", Role::View),
    ("/causes", Role::View),
    ("/maintenance", Role::View),
    ("/maintenance/month/2026-10", Role::View),
    ("/maintenance/month/2026-10.csv", Role::View),
    ("/rotas", Role::View),
    ("/reach", Role::View),
    ("/undelivered", Role::View),
    ("/recipients", Role::Engineer),
    ("/people", Role::Administer),
];

/// Paths of the routes in the source that take an unsafe method.
fn unsafe_routes(folder: &Path, found: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            unsafe_routes(&path, found);
            continue;
        }
        if path.file_name().is_some_and(|name| name == "roles_tests.rs") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        for route in text.split(".route(").skip(1) {
            let address = route.split('"').nth(1).unwrap().to_owned();
            let methods = arguments(route);
            if ["post(", "put(", "patch(", "delete(", "any("].iter().any(|method| methods.contains(method)) {
                found.insert(address);
            }
        }
    }
}

/// The text up to the bracket that closes the call.
fn arguments(text: &str) -> &str {
    let mut depth = 1;
    for (i, c) in text.char_indices() {
        match c {
            '(' => depth += 1,
            ')' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return &text[..i];
        }
    }
    text
}

#[test]
fn the_table_names_every_route_that_changes_something() {
    let mut found = BTreeSet::new();
    unsafe_routes(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/pages"), &mut found);
    let named: BTreeSet<String> = CHANGES.iter().map(|(path, _)| (*path).to_owned()).collect();
    assert_eq!(found, named);
}

/// An address of the route; the numbers name nothing.
fn address(route: &str) -> String {
    route
        .replace("{condition}", "voltage_range_a")
        .replace("{parameter}", "low_v")
        .replace("{id}", "999999")
        .replace("{secret}", "none")
}

#[tokio::test]
async fn each_change_is_open_to_its_role_and_those_above_and_to_nobody_else() {
    let test = TestApp::new().await;
    for (route, needs) in CHANGES {
        let Some(needs) = needs else { continue };
        let path = address(route);
        let nobody = test.post(&Browser::default(), &path, &[]).await;
        assert_eq!((nobody.status, nobody.location()), (StatusCode::SEE_OTHER, "/sign-in"), "{route}");
        for role in Role::ALL {
            let browser = test.browser(*role).await;
            let bare = test.post_bare(&browser, &path, &[]).await;
            assert_eq!(bare.status, StatusCode::FORBIDDEN, "{route} without the token");
            let answer = test.post(&browser, &path, &[]).await;
            let refused = answer.status == StatusCode::FORBIDDEN;
            assert_eq!(refused, role < needs, "{route} as {role}: {}", answer.status);
            if refused {
                assert!(answer.body.contains(&format!("needs the role {needs}")), "{}", answer.body);
            }
            assert!(!answer.status.is_server_error(), "{route} as {role}: {}", answer.status);
        }
    }
}

#[tokio::test]
async fn each_page_is_open_to_its_role_and_those_above_and_to_nobody_else() {
    let test = TestApp::new().await;
    for (path, needs) in PAGES {
        let nobody = test.get(&Browser::default(), path).await;
        assert_eq!(nobody.status, StatusCode::SEE_OTHER, "{path}");
        assert!(nobody.location().starts_with("/sign-in?next="), "{path}");
        for role in Role::ALL {
            let answer = test.get(&test.browser(*role).await, path).await;
            let expected = if role < needs { StatusCode::FORBIDDEN } else { StatusCode::OK };
            assert_eq!(answer.status, expected, "{path} as {role}");
        }
    }
}

#[tokio::test]
async fn methods_that_no_route_takes_are_refused() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Administer).await;
    for method in [Method::PUT, Method::DELETE, Method::PATCH] {
        let request = browser
            .request(method.as_str(), "/alarms")
            .header("x-csrf-token", &browser.csrf)
            .body(axum::body::Body::empty())
            .unwrap();
        assert_eq!(test.send(request).await.status, StatusCode::METHOD_NOT_ALLOWED, "{method}");
    }
}

#[tokio::test]
async fn no_page_breaks_the_content_security_policy() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::Administer).await;
    let mut paths: Vec<&str> = PAGES.iter().map(|(path, _)| *path).collect();
    paths.extend(["/password", "/thresholds/voltage_range_a/low_v", "/nowhere"]);
    for path in paths {
        let page = test.get(&browser, path).await.body;
        for forbidden in
            [" style=", " onclick=", " onload=", "<style", "javascript:", "src=\"http", "href=\"http"]
        {
            assert!(!page.contains(forbidden), "{forbidden} in {path}");
        }
        assert!(!page.contains("<script>"), "{path}");
    }
}
