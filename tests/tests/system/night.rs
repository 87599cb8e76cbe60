//! A night: alarms, people on call, two servers that deliver, and a mail server that refuses, puts off, dawdles and breaks off. The clock is played second
//! by second, and stands still while messages are on their way, so that every step has its exact time.

use std::{
    collections::{BTreeMap, BTreeSet},
    time::Duration,
};

use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::testing::TestDatabase;
use regulator::conditions::{Condition, Priority, Scope};
use serde_json::{Value, json};
use server::{
    drill,
    notification::{Cap, Config, Notifier, Schedule, Smtp, Tls},
};
use sqlx::PgPool;
use system_tests::{Peer, until_equal};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// The night's seconds.
const LENGTH_S: i64 = 1700;

fn at(s: i64) -> DateTime<Utc> {
    "2026-11-26T05:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::seconds(s)
}

/// A condition of a regulator with this priority.
fn of_priority(priority: Priority) -> Condition {
    Condition::all().find(|c| c.priority() == priority && c.scope() == Scope::Regulator).unwrap()
}

fn config(mail: &Peer) -> Config {
    let soon = Duration::from_millis(20);
    Config {
        smtp: Some(Smtp::new(
            "127.0.0.1",
            mail.port,
            Tls::PlainLoopbackOnly,
            "Tapkeeper <tapkeeper@utility.example>",
        )),
        schedule: Schedule { delays: vec![soon], ..Schedule::default() },
        // every message is counted here
        cap: Cap { messages: 1000, window_s: 600 },
        poll_interval: soon,
        claim: Duration::from_secs(3),
        ..Config::default()
    }
}

/// A server's notification.
struct Server {
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Server {
    fn start(pool: &PgPool, mail: &Peer) -> Self {
        let stop = CancellationToken::new();
        let notifier = Notifier::new(config(mail), "https://tapkeeper.utility.example").unwrap();
        Self { task: tokio::spawn(notifier.run(pool.clone(), stop.clone())), stop }
    }

    async fn stop(self) {
        self.stop.cancel();
        self.task.await.unwrap();
    }
}

/// Two regulators; Ann, Bob and Cho, in this order, and a desk.
async fn prepare(pool: &PgPool) -> Vec<i32> {
    sqlx::raw_sql(
        "insert into substation (name) values ('Marsh Lane');
         insert into feeder (substation_id, name) select id, 'ML 12' from substation;
         insert into site (feeder_id, name, time_zone) select id, 'Quarry Bend', 'America/Denver' from feeder;
         insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from site;
         insert into endpoint (address) values ('modbus-tcp://192.0.2.7:502');
         insert into profile (name, source) values ('p', '');
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, position, profile)
             select b.id, v.phase, 167, 219, 7620, 63.5, 1000, e.id, 1, v.position, 'p'
             from bank b, endpoint e, (values ('A', 1), ('B', 2)) v(phase, position);
         insert into person (email, name, role) select lower(n) || '@utility.example', n, 'operate' from unnest(array['Ann', 'Bob', 'Cho']) n;
         insert into recipient (name, email, area_kind, least_priority, person_id, standing)
             select name, email, 'fleet', 1, id, false from person order by id;
         insert into recipient (name, email, area_kind, least_priority) values ('Desk', 'desk@utility.example', 'fleet', 1);",
    )
    .execute(pool)
    .await
    .unwrap();
    let people: Vec<i32> =
        sqlx::query_scalar("select id from person order by id").fetch_all(pool).await.unwrap();
    let levels: Vec<Value> = people
        .iter()
        .map(|person| json!({"start": {"date": "2026-01-01", "time": "08:00:00"}, "turns": [{"person": person, "days": 7}]}))
        .collect();
    sqlx::query("insert into rota (name, area_kind, rota) values ('Fleet', 'fleet', $1)")
        .bind(json!({"zone": "America/Denver", "levels": levels}))
        .execute(pool)
        .await
        .unwrap();
    sqlx::query_scalar("select id from regulator order by id").fetch_all(pool).await.unwrap()
}

async fn settled(pool: &PgPool) {
    until_equal("every message is out", Duration::from_secs(60), &0_i64, async || {
        sqlx::query_scalar("select count(*) from notification where state in ('waiting', 'sending')")
            .fetch_one(pool)
            .await
            .unwrap()
    })
    .await;
}

/// "SECOND ROUND LEVEL PERSON OUTCOME WHY" of each step about an alarm.
async fn steps(pool: &PgPool, alarm: i64) -> Vec<String> {
    sqlx::query_scalar(
        "select concat_ws(' ', extract(epoch from due_at - $2)::integer, round, coalesce(level::text, 'last'), p.name, outcome, why)
         from call_step s left join person p on p.id = s.person_id where alarm_id = $1 order by s.id",
    )
    .bind(alarm)
    .bind(at(0))
    .fetch_all(pool)
    .await
    .unwrap()
}

#[tokio::test]
async fn a_night_on_call_with_a_mail_server_that_fails_in_every_way() {
    let database = TestDatabase::new().await;
    let pool = &database.pool;
    // puts off every 3rd new message, breaks off in every 4th text, dawdles over every 5th, and does not know Ann
    let mail = Peer::start("mail_server.py", &["3", "4", "5", "ann@utility.example"]);
    let regulators = prepare(pool).await;
    let (critical, high) = (of_priority(Priority::Critical), of_priority(Priority::High));
    let mut servers = vec![Server::start(pool, &mail), Server::start(pool, &mail)];
    let mut db = pool.acquire().await.unwrap();
    let (mut first, mut second) = (0, 0);
    for s in 0..=LENGTH_S {
        match s {
            0 => first = drill::raise(&mut db, regulators[0], critical, at(s)).await.unwrap(),
            700 => second = drill::raise(&mut db, regulators[1], high, at(s)).await.unwrap(),
            // one of the servers goes, and another comes
            1000 => {
                servers.remove(0).stop().await;
                servers.push(Server::start(pool, &mail));
            }
            1400 => drill::give_back(&mut db, regulators[1], high, at(s)).await.unwrap(),
            1600 => assert!(drill::acknowledge(&mut db, first, "Bob", at(s)).await.unwrap()),
            _ => {}
        }
        drill::tick(&mut db, at(s)).await.unwrap();
        settled(pool).await;
    }
    for server in servers {
        server.stop().await;
    }
    // Critical: 5 min a level, again 15 min after the last resort. Ann is refused, so Bob is told within a second.
    assert_eq!(
        steps(pool, first).await,
        [
            "0 1 1 Ann passed_over refused",
            "1 1 2 Bob told",
            "301 1 3 Cho told",
            "601 1 last told",
            "1501 2 1 Ann passed_over refused",
            "1502 2 2 Bob told",
        ],
        "and nobody after 1600, when Bob acknowledged it"
    );
    // High: 10 min a level; back to normal before the last resort.
    assert_eq!(
        steps(pool, second).await,
        ["700 1 1 Ann passed_over refused", "701 1 2 Bob told", "1301 1 3 Cho told"]
    );
    everything_arrived_once_and_in_order(pool, &mail.told()).await;
    let kinds: Vec<String> =
        sqlx::query_scalar("select distinct outcome from notification_attempt order by 1")
            .fetch_all(pool)
            .await
            .unwrap();
    assert_eq!(kinds, ["failed", "refused", "sent"], "the mail server did its worst");
}

async fn everything_arrived_once_and_in_order(pool: &PgPool, told: &[Value]) {
    let outbox: Vec<(i64, i64, String, String)> = sqlx::query_as(
        "select n.id, n.alarm_id, r.email, n.state from notification n join recipient r on r.id = n.recipient_id order by n.id",
    )
    .fetch_all(pool)
    .await
    .unwrap();
    let refused: BTreeSet<&str> = outbox
        .iter()
        .filter(|(.., state)| state == "given_up")
        .map(|(_, _, email, _)| email.as_str())
        .collect();
    assert_eq!(refused, BTreeSet::from(["ann@utility.example"]), "nobody else is given up");
    let number = |message: &Value| -> i64 {
        message["message_id"].as_str().unwrap().split('.').nth(1).unwrap().parse().unwrap()
    };
    let mut arrived: Vec<i64> = told.iter().map(number).collect();
    let in_order: BTreeMap<i64, (i64, &str)> =
        outbox.iter().map(|(id, alarm, email, _)| (*id, (*alarm, email.as_str()))).collect();
    let mut last: BTreeMap<(i64, &str), &Value> = BTreeMap::new();
    for message in told {
        let conversation = in_order[&number(message)];
        assert_eq!(message["to"], json!([conversation.1]));
        let references: Vec<&str> =
            message["references"].as_array().unwrap().iter().map(|id| id.as_str().unwrap()).collect();
        assert!(references[0].starts_with(&format!("<about.{}.", conversation.0)), "{references:?}");
        let previous = last.insert(conversation, message);
        assert!(
            previous.is_none_or(|p| number(p) < number(message)),
            "in the order in which they were written"
        );
        assert_eq!(message["in_reply_to"], previous.map_or(Value::Null, |p| p["message_id"].clone()));
        assert_eq!(references.get(1).copied(), previous.map(|p| p["message_id"].as_str().unwrap()));
    }
    arrived.sort_unstable();
    let sent: Vec<i64> = outbox.iter().filter(|(.., state)| state == "sent").map(|(id, ..)| *id).collect();
    assert_eq!(arrived, sent, "each once");
    // Of the first alarm: desk, Bob, Cho, all three, Bob; of the second: desk, Bob, Cho, and its end to each.
    assert_eq!(sent.len(), 7 + 6);
}
