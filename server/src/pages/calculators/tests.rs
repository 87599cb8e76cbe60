use axum::http::StatusCode;

use super::*;
use crate::{people::Role, testing::TestApp};

/// The addresses of the examples and what they must give.
const EXAMPLES: [(&str, &[&str]); 5] = [
    // Kersting, Distribution System Modeling and Analysis, ch. 7 (from memory): R' 10.5 V, X' 31.5 V; 2.1 and 6.3 ohm.
    ("settings", &["<strong>10.50 V</strong>", "<strong>31.50 V</strong>", "2.100 ohm", "6.300 ohm"]),
    ("line", &["<strong>0.300 ohm</strong>", "<strong>0.900 ohm</strong>"]),
    // The same: relay voltage 109.24 V, 346.97 A, 13.02 taps to the edge of 119 V.
    ("relay", &["<strong>109.24 V</strong>", "346.965 A", "25.842 deg", "<strong>+14</strong>", "13.018"]),
    // The same: type A, tap 7, ratio 1.04375. IEEE C57.15 ratings (from memory): ±5 % 160 % of 437 A, at most 668 A.
    ("tap", &["1.04375", "123.16 V", "437.0 A", "668.0 A"]),
    // NEMA MG 1 (from memory): 460, 467 and 450 V.
    ("unbalance", &["<strong>1.96 %</strong>", "459.00 V"]),
];

/// With common spaces between number and unit.
fn plain(body: &str) -> String {
    body.replace(['\u{a0}', '\u{202f}'], " ")
}

#[tokio::test]
async fn the_examples_give_their_published_numbers() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    for (of, expected) in EXAMPLES {
        let kind = KINDS.iter().find(|kind| kind.of == of).unwrap();
        let (path, fragment) = kind.example.0.split_once('#').unwrap();
        assert_eq!(fragment, of);
        let page = test.get(&browser, path).await;
        assert_eq!(page.status, StatusCode::OK, "{of}");
        let body = plain(&page.body);
        for number in expected {
            assert!(body.contains(number), "{number} of {of} in {body}");
        }
        assert!(page.body.contains("Before anyone touches the equipment"));
    }
}

#[tokio::test]
async fn reverse_says_what_is_held() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    let path = "/calculators?of=relay&flow=reverse&held=120.089&r=10.5&x=31.5&pt=20&ct=700&ct_secondary=5&amperes=346.965&degrees=25.842";
    let page = test.get(&browser, path).await;
    assert_eq!(page.status, StatusCode::OK);
    // Seen from the other side it is the same (Kersting's example).
    assert!(plain(&page.body).contains("<strong>109.24 V</strong>"));
    assert!(page.body.contains("to raise it the control taps down"));
}

#[tokio::test]
async fn nonsense_in_any_field_is_refused_beside_it_and_what_is_missing_is_asked_for() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    for kind in KINDS {
        let example = kind.example.0.split('#').next().unwrap();
        for field in kind.fields {
            for nonsense in ["nonsense", "1e99", "%3Cb%3E", "-999999999"] {
                // The last of two counts.
                let page = test.get(&browser, &format!("{example}&{}={nonsense}", field.name)).await;
                assert_eq!(page.status, StatusCode::BAD_REQUEST, "{} {}={nonsense}", kind.of, field.name);
                let fault = format!("id=\"{}-fault\"", field.name);
                assert!(page.body.contains(&fault), "{} {}={nonsense}", kind.of, field.name);
                assert!(!page.body.contains("id=\"result\"") && !page.body.contains("<b>"));
            }
        }
        let nothing = test.get(&browser, &format!("/calculators?of={}", kind.of)).await;
        let needed = kind.fields.iter().filter(|f| f.default.is_empty() && !f.optional);
        for field in needed {
            assert_eq!(nothing.status, StatusCode::BAD_REQUEST);
            assert!(
                nothing.body.contains(&format!("id=\"{}-fault\"", field.name)),
                "{} {}",
                kind.of,
                field.name
            );
        }
    }
    assert_eq!(test.get(&browser, "/calculators?of=nothing").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn what_does_not_go_together_is_said() {
    let test = TestApp::new().await;
    let browser = test.browser(Role::View).await;
    for (query, part) in [
        ("of=relay&held=120&pt=60&ct=100", "Give a load in kVA with its kV, or the current in amperes."),
        ("of=relay&held=120&pt=60&ct=100&kva=100", "line-to-line voltage is needed"),
        ("of=relay&held=120&pt=60&ct=100&kva=100&kv=7&amperes=3", "not both"),
        ("of=settings&r=1&x=1&length=1&pt=60&ct=0.001", "give a number from 0.01"),
        ("of=tap&steps=31", "step count is even"),
        ("of=tap&tap=17", "16 steps either side"),
        ("of=tap&lowest=-20", "cannot be limited to"),
        ("of=tap&kva=100", "rated voltage is needed"),
        ("of=unbalance&v1=100&v2=100&v3=10", "a phase is dead or its voltage wrong"),
    ] {
        let page = test.get(&browser, &format!("/calculators?{query}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{query}");
        assert!(page.body.contains(part), "{query}: {part}");
    }
}
