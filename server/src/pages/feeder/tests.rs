//! The feeder page as a browser gets it.

use axum::http::StatusCode;
use chrono::Utc;
use regulator::{Quantity, Reading};

use crate::{
    feed::BatchReading,
    inventory,
    people::Role,
    picture::Fleet,
    testing::{Answer, TestApp},
};

/// Three sites in a row, which the inventory lists in another order; the middle one waits no longer than the first.
async fn page(more: &str) -> Answer {
    let test = TestApp::new().await;
    let mut db = test.db().await;
    let ids = inventory::testing::fleet(&mut db, 3).await;
    sqlx::raw_sql(sqlx::AssertSqlSafe(format!(
        "update site set fed_from_site_id = (select id from site where name = 'Pole 3') where name = 'Pole 1';
         update site set fed_from_site_id = (select id from site where name = 'Pole 1') where name = 'Pole 2';
         {more}"
    )))
    .execute(&mut *db)
    .await
    .unwrap();
    let inventory = inventory::load(&mut db).await.unwrap();
    drop(db);
    let now = Utc::now();
    test.app.picture.replace(Fleet::of(&inventory, now), now);
    let reading = |delay: f64| {
        Reading::new(now)
            .with(Quantity::LoadVoltage, 121.0)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 1.0)
            .with(Quantity::TimeDelay, delay)
            .with(Quantity::LdcResistance, 0.0)
            .with(Quantity::LdcReactance, 0.0)
            .with(Quantity::Current, 109.5)
            .with(Quantity::RealPower, -700.0)
            .with(Quantity::VoltageDistortion, 5.3)
    };
    let readings = [(ids[0], reading(30.0)), (ids[1], reading(60.0)), (ids[2], reading(30.0))];
    test.app.picture.take(readings.map(|(regulator_id, reading)| BatchReading { regulator_id, reading }));
    test.app.picture.publish(now);
    let feeder = inventory.regulators[&ids[0]].feeder.id;
    test.get(&test.browser(Role::View).await, &format!("/feeder/{feeder}")).await
}

#[tokio::test]
async fn sites_stand_in_order_from_the_substation_and_findings_have_their_numbers() {
    let page = page("").await;
    assert_eq!(page.status, StatusCode::OK);
    let body = page.body.split_once("h-units").unwrap().1;
    let places: Vec<_> =
        ["Pole 3", "Pole 1", "Pole 2"].map(|name| body.find(&format!(">{name}</a>")).unwrap()).into();
    assert!(places.is_sorted(), "{places:?}");
    for wanted in [
        // the reviews' own words: regulator::feeder
        "waits 30 s and Pole 3, upstream of it, 30 s: it acts at the same time",
        "band of 1 V is narrower than two steps of 0.75 V",
        "fed from Pole 3",
        "fed from the substation",
        // half of the rated 219 A
        "110 of 219\u{a0}A, 50\u{a0}%",
        "← reverse",
        // IEEE 519 below 69 kV
        "5.3 %, beyond 5 % (IEEE 519): worth measuring",
        "Standard: none is stated",
    ] {
        assert!(page.body.contains(wanted), "{wanted} in {}", page.body);
    }
}

#[tokio::test]
async fn settings_are_held_against_the_standard_of_the_thresholds_the_narrowest_first() {
    let standard = |kind: &str, id: &str, value: f64| {
        format!(
            "insert into threshold (condition, parameter, scope_kind, scope_id, value)
             values ('off_standard', 'standard_set_voltage_v', '{kind}', {id}, {value});"
        )
    };
    let fleet = standard("fleet", "null", 123.0);
    let page =
        page(&(fleet + &standard("site", "(select id from site where name = 'Pole 2')", 122.0))).await.body;
    let off: Vec<_> = page.match_indices("set voltage 122 V, the standard is 123 V").collect();
    assert_eq!(off.len(), 2, "Pole 2 has a standard of its own: {page}");
    assert!(page.contains("Standard: set voltage 123\u{a0}V ± 0.2\u{a0}V"), "{page}");
}

#[tokio::test]
async fn a_feeder_that_is_not_there_is_told() {
    let test = TestApp::new().await;
    let answer = test.get(&test.browser(Role::View).await, "/feeder/1").await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND);
}
