//! What we sign, an independent library verifies, also while one secret replaces another.

use std::time::Duration;

use chrono::Utc;
use private_postgres::testing::TestDatabase;
use regulator::conditions::Condition;
use serde_json::json;
use server::{
    drill,
    notification::{Config, Notifier, Webhook, new_secret},
};
use system_tests::{Peer, until};
use tokio_util::sync::CancellationToken;

#[tokio::test]
async fn a_receiver_that_knows_either_secret_verifies_every_message() {
    let database = TestDatabase::new().await;
    let pool = &database.pool;
    let (new, old, other) = (new_secret(), new_secret(), new_secret());
    let receiver = Peer::start("webhook_receiver.py", &[&new, &old, &other]);
    sqlx::raw_sql(
        "insert into substation (name) values ('Marsh Lane');
         insert into feeder (substation_id, name) select id, 'ML 12' from substation;
         insert into site (feeder_id, name, time_zone) select id, 'Quarry Bend', 'America/Denver' from feeder;
         insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from site;
         insert into endpoint (address) values ('modbus-tcp://192.0.2.7:502');
         insert into profile (name, source) values ('p', '');
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
             select b.id, 'A', 167, 219, 7620, 63.5, 1000, e.id, 1, 'p' from bank b, endpoint e;",
    )
    .execute(pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into recipient (name, webhook_url, webhook_secret, webhook_secret_old, webhook_secret_old_until, area_kind, least_priority)
         values ('Program', $1, $2, $3, now() + interval '1 hour', 'fleet', 1)",
    )
    .bind(format!("http://127.0.0.1:{}/", receiver.port))
    .bind(&new)
    .bind(&old)
    .execute(pool)
    .await
    .unwrap();
    let config = Config {
        webhook: Webhook { allow: vec!["127.0.0.0/8".parse().unwrap()], ..Webhook::default() },
        poll_interval: Duration::from_millis(20),
        ..Config::default()
    };
    let stop = CancellationToken::new();
    let notifier = Notifier::new(config, "https://tapkeeper.utility.example").unwrap();
    let running = tokio::spawn(notifier.run(pool.clone(), stop.clone()));
    let mut db = pool.acquire().await.unwrap();
    let regulator: i32 = sqlx::query_scalar("select id from regulator").fetch_one(pool).await.unwrap();
    drill::raise(&mut db, regulator, Condition::ReversePower, Utc::now()).await.unwrap();
    let patience = Duration::from_secs(30);
    until("the first has come", patience, async || (receiver.told().len() == 1).then_some(())).await;
    sqlx::query("update recipient set webhook_secret_old_until = now()").execute(pool).await.unwrap();
    drill::give_back(&mut db, regulator, Condition::ReversePower, Utc::now()).await.unwrap();
    until("the second has come", patience, async || (receiver.told().len() == 2).then_some(())).await;
    stop.cancel();
    running.await.unwrap();

    let told = receiver.told();
    let of = |n: usize, field: &str| told[n][field].clone();
    assert_eq!((of(0, "verified"), of(0, "signatures")), (json!([0, 1]), json!(2)));
    assert_eq!(
        (of(1, "verified"), of(1, "signatures")),
        (json!([0]), json!(1)),
        "the old one has had its time"
    );
    for one in &told {
        assert_eq!((&one["changed"], &one["late"]), (&json!([]), &json!([])));
        assert_eq!(one["id"], one["body"]["id"]);
    }
    assert_eq!(told[0]["body"]["type"], "alarm.raised");
    let link = told[0]["body"]["data"]["acknowledge"].as_str().unwrap();
    assert!(link.starts_with("https://tapkeeper.utility.example/answer/"), "{link}");
    assert_eq!(
        (&told[1]["body"]["type"], &told[1]["body"]["data"]["acknowledge"]),
        (&json!("alarm.returned"), &json!(null))
    );
}
