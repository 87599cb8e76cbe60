//! Neighbours: a source voltage that is lent, and banks that move together.

use std::sync::Arc;

use private_postgres::testing::TestDatabase;
use regulator::{
    Nameplate, Quantity, Reading,
    audit::{Verdict, Why},
    conditions::{RegulatorDetector, Settings, Unit},
};
use sqlx::PgConnection;

use super::{Status, runner::Runner};
use crate::{
    feed::testing::{at, batch, write},
    inventory::testing::fleet,
};

/// A type B at +4 has 120 V and 120 / (1 - 4 x 0.00625) = 123.08 V.
fn reading(minute: i64, reported: f64, has_source: bool) -> Reading {
    let wander = f64::from(i32::try_from(minute % 7).unwrap()) * 0.1;
    let reading = Reading::new(at(minute * 60))
        .with(Quantity::Tap, reported)
        .with(Quantity::LoadVoltage, 123.1 + wander);
    if has_source { reading.with(Quantity::SourceVoltage, 120.0 + wander) } else { reading }
}

/// Two units of one phase at one site, the second without a source voltage, whose report is two steps off after twelve hours.
async fn write_slip(db: &mut PgConnection, lends: bool) {
    let ids = fleet(db, 2).await;
    sqlx::raw_sql("update bank set name = name || id, site_id = (select min(id) from site); update regulator set poll_interval_ms = 60000")
        .execute(&mut *db)
        .await
        .unwrap();
    for hour in 0..16 {
        let mut readings = vec![];
        for (id, has_source) in [(ids[0], lends), (ids[1], false)] {
            let off = if id == ids[1] && hour >= 12 { 2.0 } else { 0.0 };
            readings.extend((hour * 60..(hour + 1) * 60).map(|m| (id, reading(m, 4.0 + off, has_source))));
        }
        write(db, &batch("p", (hour + 1) * 3600), &readings).await;
    }
}

async fn slips(db: &mut PgConnection) -> Vec<String> {
    sqlx::query_scalar("select summary from alarm where condition = 'slipped_tap_report' order by id")
        .fetch_all(db)
        .await
        .unwrap()
}

/// What the audits of all regulators say.
async fn verdicts(db: &mut PgConnection) -> Vec<Verdict> {
    let unit = Unit::new(&Nameplate::common(), &Settings::default());
    let states: Vec<String> = sqlx::query_scalar(
        "select (state::json -> 'detector')::text from detection_state where scope_kind = 'regulator'",
    )
    .fetch_all(db)
    .await
    .unwrap();
    assert!(!states.is_empty());
    let verdict = |state: &String| {
        let detector: RegulatorDetector = serde_json::from_str(state).unwrap();
        detector.tap_audit().verdict(unit.audit_limits())
    };
    states.iter().map(verdict).collect()
}

async fn remembered(db: &mut PgConnection) -> Vec<String> {
    sqlx::query_scalar(
        "select concat_ws(' ', scope_kind, scope_id, state) from detection_state order by scope_kind, scope_id",
    )
    .fetch_all(db)
    .await
    .unwrap()
}

#[tokio::test]
async fn a_neighbours_source_voltage_finds_a_slip_and_without_one_it_cannot_be_told() {
    for lends in [true, false] {
        let database = TestDatabase::new().await;
        let mut db = database.pool.acquire().await.unwrap();
        write_slip(&mut db, lends).await;
        let mut runner = Runner::new(Arc::new(Status::default()));
        while runner.pass(&mut db).await.unwrap() {}
        let slips = slips(&mut db).await;
        if !lends {
            assert!(slips.is_empty(), "{slips:?}");
            for verdict in verdicts(&mut db).await {
                assert!(matches!(verdict, Verdict::CannotTell(Why::NoSourceVoltage { .. })), "{verdict:?}");
            }
            continue;
        }
        assert_eq!(slips.len(), 1, "{slips:?}");
        assert!(
            slips[0].starts_with("tap +6 reported; the voltages imply a tap -2 steps from the reported one"),
            "{slips:?}"
        );
        assert!(
            slips[0].ends_with("by the source voltage of a neighbour on the same bus and phase"),
            "{slips:?}"
        );
    }
}

#[tokio::test]
async fn started_again_after_every_batch_it_tells_and_remembers_the_same() {
    let whole = TestDatabase::new().await;
    let cut = TestDatabase::new().await;
    let (mut whole, mut cut) = (whole.pool.acquire().await.unwrap(), cut.pool.acquire().await.unwrap());
    write_slip(&mut whole, true).await;
    let mut runner = Runner::new(Arc::new(Status::default()));
    while runner.pass(&mut whole).await.unwrap() {}

    write_slip(&mut cut, true).await;
    let batches: i64 =
        sqlx::query_scalar("select max(id) from reading_batch").fetch_one(&mut *cut).await.unwrap();
    // Batches not written yet are out of sight.
    sqlx::raw_sql("create table later as select * from reading_batch; delete from reading_batch")
        .execute(&mut *cut)
        .await
        .unwrap();
    for id in 1..=batches {
        sqlx::query("insert into reading_batch overriding system value select * from later where id = $1")
            .bind(id)
            .execute(&mut *cut)
            .await
            .unwrap();
        let mut runner = Runner::new(Arc::new(Status::default()));
        while runner.pass(&mut cut).await.unwrap() {}
    }
    assert_eq!(slips(&mut cut).await, slips(&mut whole).await);
    assert_eq!(remembered(&mut cut).await, remembered(&mut whole).await);
}

/// Three phases moved by one mechanism, by what it measures on A: C may stand low for long, until all do.
#[tokio::test]
async fn a_low_phase_of_a_bank_that_moves_together_is_no_suspect_until_all_are_low() {
    for (moves_together, expected) in [(0.0, 0), (2.0, 1)] {
        let database = TestDatabase::new().await;
        let mut db = database.pool.acquire().await.unwrap();
        let ids = fleet(&mut db, 3).await;
        sqlx::raw_sql(
            "update regulator r set phase = chr(65 + n::integer), bank_id = (select min(id) from bank), poll_interval_ms = 60000
                from (select id, row_number() over (order by id) - 1 as n from regulator) p where p.id = r.id",
        )
        .execute(&mut *db)
        .await
        .unwrap();
        sqlx::query("insert into threshold (scope_kind, condition, parameter, value) values ('fleet', 'tap_spread', 'moves_together', $1)")
            .bind(moves_together)
            .execute(&mut *db)
            .await
            .unwrap();
        let mut readings = vec![];
        for (id, volts) in ids.iter().zip([122.0, 121.5, 119.0]) {
            readings.extend((0..60).map(|m| {
                let reading = Reading::new(at(m * 60))
                    .with(Quantity::Tap, 4.0)
                    .with(Quantity::LoadVoltage, if m < 30 { volts } else { volts - 4.0 })
                    .with(Quantity::SetVoltage, 122.0)
                    .with(Quantity::Bandwidth, 2.0)
                    .with(Quantity::LdcResistance, 0.0)
                    .with(Quantity::LdcReactance, 0.0)
                    .with(Quantity::Automatic, 1.0);
                (*id, reading)
            }));
        }
        let (early, late): (Vec<_>, Vec<_>) =
            readings.into_iter().partition(|(_, r)| r.measured_at < at(30 * 60));
        write(&mut db, &batch("p", 30 * 60), &early).await;
        let mut runner = Runner::new(Arc::new(Status::default()));
        while runner.pass(&mut db).await.unwrap() {}
        assert_eq!(suspects(&mut db).await, expected, "one low");
        write(&mut db, &batch("p", 60 * 60), &late).await;
        while runner.pass(&mut db).await.unwrap() {}
        assert_eq!(suspects(&mut db).await, 3, "all low");
    }
}

async fn suspects(db: &mut PgConnection) -> i64 {
    sqlx::query_scalar("select count(*) from alarm where condition = 'mechanism_suspect'")
        .fetch_one(db)
        .await
        .unwrap()
}
