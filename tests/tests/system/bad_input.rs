//! Bad input gets a clear error, and polling goes on.

use std::time::Duration;

use private_postgres::testing::TestDatabase;
use sqlx::PgPool;
use system_tests::{Inventory, Peer, Role, babbling_device, output_of, until};

use crate::readings::assert_all_there_once;

/// No Modbus at all.
const GARBAGE: &[u8] = b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n";
/// A header that announces 65535 bytes.
const HUGE: &[u8] = &[0, 1, 0, 0, 0xFF, 0xFF, 1, 4, 2, 0, 0];
/// A frame that ends in its middle.
const TRUNCATED: &[u8] = &[0, 1, 0, 0, 0, 40, 1, 4, 37, 0];
/// A well-formed answer to another question.
const SHORT: &[u8] = &[0, 0, 0, 0, 0, 5, 1, 4, 2, 0x12, 0x34];

const PATIENCE: Duration = Duration::from_secs(60);

#[tokio::test]
async fn devices_that_babble_are_told_apart_and_do_not_disturb_their_neighbours() {
    let database = TestDatabase::new().await;
    let control = Peer::start("control.py", &["plain"]);
    let mut inventory = Inventory::default().with(&control);
    let mut bad = Vec::new();
    for answer in [GARBAGE, HUGE, TRUNCATED, SHORT] {
        let port = babbling_device(answer).await;
        inventory.control(port);
        bad.push(port);
    }
    inventory.import(&database.url).unwrap();
    let poller = Role::start(&["poll", "--name", "north"], &[("DATABASE_URL", &database.url)]);
    until("every bad one is known as such", PATIENCE, async || {
        let known = failing(&database.pool).await;
        bad.iter()
            .all(|port| known.iter().any(|(address, ..)| address.ends_with(&format!(":{port}"))))
            .then_some(())
    })
    .await;
    let polls = control.told().len();
    until("the healthy one is polled on", PATIENCE, async || {
        (control.told().len() > polls + 20).then_some(())
    })
    .await;
    poller.stop();
    assert_all_there_once(&database.pool, control.port, &control.told()).await;
    let stored: i64 = sqlx::query_scalar(
        "select count(*) from reading join regulator g on g.id = regulator_id join endpoint e on e.id = g.endpoint_id where e.address <> $1",
    )
    .bind(format!("modbus-tcp://127.0.0.1:{}", control.port))
    .fetch_one(&database.pool)
    .await
    .unwrap();
    assert_eq!(stored, 0, "nothing was made up");
    for (address, kind, error) in failing(&database.pool).await {
        assert!(["malformed", "timeout", "closed"].contains(&kind.as_str()), "{address}: {kind}");
        assert!(!error.is_empty(), "{address}");
    }
}

/// Address, kind of failure and text of each endpoint that fails now. The healthy control refuses one block of registers, which is no
/// failure of its endpoint.
async fn failing(pool: &PgPool) -> Vec<(String, String, String)> {
    sqlx::query_as(
        "select e.address, h.last_error_kind, h.last_error from endpoint_health h join endpoint e on e.id = h.endpoint_id
         where h.failing_since is not null and h.last_error_kind <> 'exception'",
    )
    .fetch_all(pool)
    .await
    .unwrap()
}

#[tokio::test]
async fn a_fleet_file_with_faults_names_them_all_and_imports_nothing() {
    let database = TestDatabase::new().await;
    let mut inventory = Inventory::default();
    inventory.control(502);
    let row = "Marsh Lane,ML 12,Site 09,Bank 1,wye,KVA,219,7620,63.5,1000,modbus-tcp://127.0.0.1:502,9,1,control,10,America/Denver";
    inventory.row(&row.replace("wye,KVA", "wye,A,-5"));
    inventory.row(&row.replace("wye,KVA", "star,B,167").replace("America/Denver", "Denver"));
    inventory.row(&row.replace("wye,KVA", "wye,C,167").replace(",control,", ",nowhere,"));
    let said = inventory.import(&database.url).unwrap_err();
    for part in ["kva", "connection", "time_zone", "profile", "nowhere"] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
    let imported: i64 =
        sqlx::query_scalar("select count(*) from regulator").fetch_one(&database.pool).await.unwrap();
    assert_eq!(imported, 0);
}

#[tokio::test]
async fn a_wrong_profile_is_refused_with_file_line_and_remedy() {
    let database = TestDatabase::new().await;
    let mut inventory = Inventory::default();
    let faulty = "title = \"Faulty\"\n\n[[point]]\nquantity = \"load_voltage\"\ntable = \"input\"\naddress = 70000\ntype = \"f33\"\n";
    inventory.profile("faulty", faulty);
    inventory.control_with("faulty", 502);
    let said = inventory.import(&database.url).unwrap_err();
    for part in ["faulty.toml", "load_voltage", "f33", "70000"] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
}

#[tokio::test]
async fn probing_shows_what_a_control_says_and_what_is_wrong_with_one_that_babbles() {
    let control = Peer::start("control.py", &["plain"]);
    let inventory = Inventory::default();
    let profile = inventory.profiles().join("control.toml");
    let profile = profile.to_str().unwrap();
    let good = probe(profile, control.port);
    let said = String::from_utf8_lossy(&good.stdout).into_owned();
    let line = |quantity: &str| {
        said.lines().find(|l| l.starts_with("1 ") && l.contains(quantity)).unwrap_or_default()
    };
    for (quantity, raw, value) in
        [("Source voltage", "0489", "116.10 V"), ("Real power", "012E", "151.00 kW"), ("Tap", "FFFD", "-3")]
    {
        assert!(line(quantity).contains(raw) && line(quantity).contains(value), "{said}");
    }
    assert!(line("Reactive power").contains("could not be read"), "{said}");
    let port = babbling_device(GARBAGE).await;
    let profile = profile.to_owned();
    let bad = tokio::task::spawn_blocking(move || probe(&profile, port)).await.unwrap();
    assert!(!bad.status.success());
    let said = String::from_utf8_lossy(&bad.stdout).into_owned();
    assert!(said.contains("malformed: wrong answer"), "{said}");
}

fn probe(profile: &str, port: u16) -> std::process::Output {
    output_of(&["probe", "--profile", profile, &format!("modbus-tcp://127.0.0.1:{port}"), "1"])
}
