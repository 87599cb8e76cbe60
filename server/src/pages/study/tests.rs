use axum::http::StatusCode;
use chrono::Utc;
use regulator::compensator::PerUnitCurrent;
use regulator::control::{Control, ControlSettings, Inputs};
use regulator::study::setting::{CHOICES, SETTINGS};
use regulator::{Quantity, Reading, taps::TapChanger};

use super::*;
use crate::{
    feed::testing::{at, batch, write},
    inventory,
    people::Role,
    picture::Fleet,
    testing::{Browser, TestApp, regulator},
};

/// Readings at 10 s of a control with common settings, made by the control model itself.
fn readings(count: i32) -> Vec<Reading> {
    let (settings, mut control, mut tap) = (ControlSettings::common(), Control::new(), 0);
    let changer = TapChanger::of(&::regulator::Nameplate::common());
    let mut readings = vec![];
    for i in 0..count {
        let at_s = 10.0 * f64::from(i);
        let source_voltage_v = 120.0 + 2.0 * (at_s / 3000.0).sin() + 1.4 * (at_s / 180.0).sin();
        let load_voltage_v = source_voltage_v * changer.ratio(f64::from(tap));
        let reading = Reading::new(at(i64::from(i) * 10))
            .with(Quantity::LoadVoltage, load_voltage_v)
            .with(Quantity::RealPower, 600.0)
            .with(Quantity::ReactivePower, 150.0)
            .with(Quantity::Tap, f64::from(tap))
            .with(Quantity::Automatic, 1.0)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::TimeDelay, 30.0);
        readings.push(reading);
        let current = PerUnitCurrent::default();
        let inputs =
            Inputs { load_voltage_v, source_voltage_v, current, tap, automatic: true, blocked: false };
        tap += control.look(&settings, if i == 0 { 0.0 } else { 10.0 }, &inputs).steps();
    }
    readings
}

/// An app with one regulator and three hours of its readings; its id.
async fn app() -> (TestApp, Browser, i32) {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let id = regulator(&mut db).await;
    let own: Vec<_> = readings(1080).into_iter().map(|r| (id, r)).collect();
    write(&mut db, &batch("p", 10_800), &own).await;
    let fleet = Fleet::of(&inventory::load(&mut db).await.unwrap(), Utc::now());
    test.app.picture.replace(fleet, Utc::now());
    drop(db);
    let browser = test.browser(Role::View).await;
    (test, browser, id)
}

/// 00:00 to 03:00 UTC is 17:00 to 20:00 in Denver.
fn address(id: i32, more: &str) -> String {
    format!("/study?regulator={id}&from=2025-12-31T17:00&to=2025-12-31T20:00{more}")
}

fn result(body: &str) -> &str {
    let from = body.find("<div id=\"result\">").unwrap_or_else(|| panic!("a result in {body}"));
    &body[from..]
}

/// The text between two others.
fn between<'b>(body: &'b str, before: &str, after: &str) -> &'b str {
    let rest = body.split_once(before).unwrap_or_else(|| panic!("{before} in {body}")).1;
    rest.split_once(after).unwrap_or_else(|| panic!("{after} in {body}")).0
}

/// The numbers of a row of the table of figures, without their details.
fn row(body: &str, title: &str) -> Vec<String> {
    let cells = between(body, &format!("<th scope=\"row\">{title}</th>"), "</tr>");
    let cells = cells.split("<td class=\"figure\">").skip(1);
    cells.map(|cell| cell.split('<').next().unwrap_or_default().to_owned()).collect()
}

fn unescaped(text: &str) -> String {
    text.replace("&#38;", "&").replace("&amp;", "&")
}

#[tokio::test]
async fn the_form_alone_offers_every_regulator() {
    let (test, browser, id) = app().await;
    let page = test.get(&browser, "/study").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(
        page.body.contains(&format!("<option value=\"{id}\">Mill Lane, Phase A</option>")),
        "{}",
        page.body
    );
    assert!(page.body.contains("<optgroup label=\"East › Feeder 1\">"));
    assert!(!page.body.contains("id=\"result\"") && !page.body.contains("role=\"alert\""));
}

#[tokio::test]
async fn a_study_tells_the_model_error_first_and_its_link_gives_the_same_again() {
    let (test, browser, id) = app().await;
    let page = test.get(&browser, &address(id, "&a_bandwidth=4&b_delay=90+s&b_widening=on")).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    let first = result(&page.body);
    assert!(first.find("Model error: good").unwrap() < first.find("Side by side").unwrap(), "{first}");
    assert!(!first.contains("id=\"origins\"") || !first.contains("bandwidth is not reported"));
    let operations: Vec<u32> = row(first, "Operations").iter().map(|n| n.parse().unwrap()).collect();
    assert_eq!(operations.len(), 4, "recorded, present, two tried");
    assert!(operations[0] > 20 && operations[0].abs_diff(operations[1]) <= 2, "{operations:?}");
    assert!(operations[2] < operations[1], "a band twice as wide taps less: {operations:?}");
    // What was typed stands, and what was not is shown as read.
    assert!(page.body.contains("name=\"a_bandwidth\" value=\"4\""));
    assert!(page.body.contains("name=\"b_bandwidth\" value=\"\" autocomplete=\"off\" placeholder=\"2\""));

    let link = unescaped(between(first, "readonly value=\"", "\""));
    let path = link.strip_prefix("http://127.0.0.1:8080").unwrap();
    assert!(path.contains("from=2026-01-01T00%3A00%3A00Z"), "{path}");
    let again = test.get(&browser, path).await;
    assert_eq!(result(&again.body), first);
}

#[tokio::test]
async fn a_cell_of_the_map_leads_to_the_study_of_its_settings() {
    let (test, browser, id) = app().await;
    let page = test.get(&browser, &address(id, "")).await;
    let map = between(&page.body, "id=\"map\"", "</table>");
    assert_eq!(map.matches("<td class=\"figure").count(), 400);
    assert_eq!(map.matches("aria-current=\"true\"").count(), 1, "the present settings");
    let present = row(&page.body, "Operations")[1].clone();
    assert_eq!(between(map, "aria-current=\"true\">", "<"), present);
    let last = map.rsplit("<a href=\"").next().unwrap();
    let (href, rest) = last.split_once('"').unwrap();
    let number = between(rest, ">", "<");
    assert_ne!(number, present);
    let there = test.get(&browser, unescaped(href).split('#').next().unwrap()).await;
    assert!(
        there.body.contains("name=\"a_bandwidth\" value=\"6\"")
            && there.body.contains("name=\"a_delay\" value=\"300\"")
    );
    assert_eq!(row(&there.body, "Operations")[2], number);
    // Another figure.
    let other = test.get(&browser, &address(id, "&map=band")).await;
    assert!(
        other.body.contains("<caption>Time out of the cell&#39;s own band, %"),
        "{}",
        between(&other.body, "id=\"map\"", "</caption>")
    );
}

#[tokio::test]
async fn nonsense_in_any_field_is_refused_beside_it() {
    let (test, browser, id) = app().await;
    let mut fields: Vec<String> =
        ["from", "to", "load", "source", "power_factor"].map(str::to_owned).to_vec();
    fields.extend(SLOTS.iter().flat_map(|slot| asked::fields(slot)));
    assert_eq!(fields.len(), 5 + 4 * (SETTINGS.len() + CHOICES.len()));
    for name in fields {
        for nonsense in ["nonsense", "-9999", "1e9", "%3Cscript%3E", "1,500"] {
            let page = test.get(&browser, &format!("/study?regulator={id}&{name}={nonsense}")).await;
            assert_eq!(page.status, StatusCode::BAD_REQUEST, "{name}={nonsense}");
            assert!(page.body.contains(&format!("id=\"{name}-fault\"")), "{name}={nonsense}");
            assert!(page.body.contains(&format!("aria-describedby=\"{name}-fault\"")), "{name}={nonsense}");
            assert!(!page.body.contains("<script>") && !page.body.contains("id=\"result\""));
        }
    }
    for (more, field, part) in [
        ("&from=2026-01-02T00:00&to=2026-01-01T00:00", "to", "ends before it begins"),
        ("&from=2026-01-01&to=2026-03-01", "to", "give at most 31"),
        ("&a_tap_min=-17", "a_tap_min", "16 steps below neutral"),
        ("&a_tap_min=5&a_tap_max=4", "a_tap_min", "exchange them"),
        ("&a_bandwidth=20", "a_bandwidth", "give a number from 0.5 to 12 V"),
        ("&c_widening=on&c_hard_low=130", "c_hard_low", "must be below the upper one"),
    ] {
        let own = if more.contains("from") {
            String::new()
        } else {
            "&from=2025-12-31T17:00&to=2025-12-31T20:00".to_owned()
        };
        let page = test.get(&browser, &format!("/study?regulator={id}{own}{more}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{more}");
        let fault = between(&page.body, &format!("id=\"{field}-fault\">"), "</p>");
        assert!(fault.contains(part), "{more}: {fault}");
    }
    let page = test.get(&browser, "/study?regulator=999").await;
    assert_eq!(page.status, StatusCode::BAD_REQUEST);
    assert!(page.body.contains("There is no regulator 999 in service; choose one from the list."));
}

#[tokio::test]
async fn a_span_without_readings_says_so() {
    let (test, browser, id) = app().await;
    let page = test.get(&browser, &format!("/study?regulator={id}&from=2025-06-01&to=2025-06-02")).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("There is no reading in this span."));
}

#[tokio::test]
async fn who_comes_when_too_many_wait_is_told_and_other_pages_go_on() {
    let (test, browser, id) = app().await;
    let held = test.app.studies.turn().await.unwrap();
    let waiting: Vec<_> = (0..3)
        .map(|_| {
            let desk = Arc::clone(&test.app.studies);
            tokio::spawn(async move { desk.turn().await.is_some() })
        })
        .collect();
    while test.app.studies.has_room() {
        tokio::task::yield_now().await;
    }
    let page = test.get(&browser, &address(id, "")).await;
    assert_eq!(page.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(page.headers.contains_key(header::RETRY_AFTER));
    assert!(page.body.contains("send it again in a minute") && page.body.contains("id=\"a_bandwidth\""));
    assert_eq!(test.get(&browser, "/").await.status, StatusCode::OK);
    drop(held);
    for waited in waiting {
        assert!(waited.await.unwrap(), "those who waited had their turn");
    }
    assert_eq!(test.get(&browser, &address(id, "")).await.status, StatusCode::OK);
}

#[tokio::test]
async fn what_a_regulator_feeds_feels_the_settings_tried_upstream() {
    let (test, browser, id) = app().await;
    let mut db = test.db().await;
    let down: i32 = sqlx::query_scalar(
        "with s as (insert into site (feeder_id, name, time_zone, fed_from_site_id)
                select feeder_id, 'Mill End', time_zone, id from site returning id),
              b as (insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from s returning id)
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
            select b.id, 'A', 333, 438, 7620, 63.5, 1000, r.endpoint_id, 2, r.profile from b, regulator r returning id",
    )
    .fetch_one(&mut *db)
    .await
    .unwrap();
    let own: Vec<_> = readings(1080).into_iter().map(|r| (down, r)).collect();
    write(&mut db, &batch("p", 10_800), &own).await;
    let fleet = Fleet::of(&inventory::load(&mut db).await.unwrap(), Utc::now());
    test.app.picture.replace(fleet, Utc::now());
    let page = test.get(&browser, &address(id, "&a_bandwidth=6")).await;
    assert_eq!(page.status, StatusCode::OK);
    let felt = between(&page.body, "Felt downstream: Mill End", "</table>");
    let cells = row(felt, "Operations");
    // Recorded, present upstream, a band of 6 V upstream: then nothing is corrected upstream, and it taps more.
    assert_eq!(cells.len(), 3, "{cells:?}");
    assert_ne!(cells[1], cells[2], "what is tried upstream is felt here");
    let alone = test.get(&browser, &address(down, "&a_bandwidth=6")).await;
    assert!(!alone.body.contains("Felt downstream"), "it feeds nobody");
}
