//! Real input: a control that nobody prepared for, served by an independent Modbus library.

use std::time::Duration;

use private_postgres::testing::TestDatabase;
use regulator::{Quality, Quantity};
use system_tests::{Inventory, Peer, Role, free_port, metrics, until};

use crate::readings::assert_all_there_once;

#[tokio::test]
async fn a_control_of_unknown_make_is_read_right_and_every_reading_is_there_once() {
    let database = TestDatabase::new().await;
    let control = Peer::start("control.py", &["plain"]);
    Inventory::default().with(&control).import(&database.url).unwrap();
    let scrape = free_port();
    let listen = format!("127.0.0.1:{scrape}");
    let poller =
        Role::start(&["poll", "--name", "north", "--metrics", &listen], &[("DATABASE_URL", &database.url)]);
    // the counter rolls over at the sixteenth poll
    until("sixty polls", Duration::from_secs(60), async || (control.told().len() >= 60).then_some(())).await;
    let counted = tokio::task::spawn_blocking(move || metrics(scrape)).await.unwrap();
    poller.stop();
    assert_eq!(counted["tapkeeper_poller_regulators"][0][1], 2.0);
    assert!(counted["tapkeeper_poller_polls_total"][0][1].as_f64().unwrap() >= 59.0, "{counted}");
    let told = control.told();
    assert!(told.iter().all(|t| t.get("written").is_none()), "nothing was written to the device");
    assert_all_there_once(&database.pool, control.port, &told).await;

    let polls = told.len();
    let quality = async |quantity: Quantity, quality: Quality| -> usize {
        let count: i64 = sqlx::query_scalar(
            "select count(*) from reading join regulator g on g.id = regulator_id
             where g.position = 1 and quality_of(quality, $1) = $2",
        )
        .bind(i32::try_from(quantity.index()).unwrap())
        .bind(i32::from(quality.code()))
        .fetch_one(&database.pool)
        .await
        .unwrap();
        usize::try_from(count).unwrap()
    };
    let close_to = |count: usize, expected: usize| count == expected || count + 1 == expected;
    assert!(close_to(quality(Quantity::LoadVoltage, Quality::Good).await, polls));
    assert!(close_to(quality(Quantity::ReactivePower, Quality::Unreadable).await, polls));
    assert!(close_to(quality(Quantity::SourceVoltage, Quality::NotAvailable).await, (polls + 1) / 4));
    assert!(close_to(quality(Quantity::PowerFactor, Quality::NotReported).await, polls));

    // Counted through the roll-over: every poll but the first brought one operation to position 1 and two to position 2.
    for (position, each) in [(1, 1), (2, 2)] {
        let (count, operations): (i64, i64) = sqlx::query_as(
            "select count(*), coalesce(sum(step), 0)::bigint from (
                 select operations_between(lag(operations) over w, operations, counter_modulus, measured_at - lag(measured_at) over w) as step
                 from reading join regulator g on g.id = regulator_id where g.position = $1
                 window w as (order by measured_at)) s",
        )
        .bind(position)
        .fetch_one(&database.pool)
        .await
        .unwrap();
        assert_eq!(operations, (count - 1) * each);
    }
}
