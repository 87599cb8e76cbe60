//! Poller and server are killed again and again, at random moments; people hear of every alarm, once.

use std::{
    collections::{BTreeMap, BTreeSet},
    time::Duration,
};

use private_postgres::testing::TestDatabase;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde_json::Value;
use sqlx::{FromRow, PgPool};
use system_tests::{Inventory, Peer, Role, free_port, until_equal};
use tokio::time::sleep;

use crate::readings::assert_none_made_up;

/// How often each role is killed.
const KILLS: usize = 20;
/// Where the moments come from: another seed, another run.
const SEED: u64 = 0x7a9_ee9e5;

/// An alarm as far as it does not depend on when it was noticed.
#[derive(Debug, Clone, PartialEq, FromRow)]
struct Alarm {
    condition: String,
    regulator_id: Option<i32>,
    endpoint_id: Option<i32>,
    raised_at: chrono::DateTime<chrono::Utc>,
    returned_at: Option<chrono::DateTime<chrono::Utc>>,
    summary: String,
    evidence: Value,
}

#[tokio::test]
async fn killing_poller_and_server_loses_and_doubles_no_alarm_and_no_e_mail() {
    let database = TestDatabase::new().await;
    let pool = &database.pool;
    let controls: Vec<Peer> =
        (0..4).map(|n| Peer::start("control.py", &["reverse", &n.to_string()])).collect();
    let mail = Peer::start("mail_server.py", &["7"]);
    let mut inventory = Inventory::default();
    controls.iter().for_each(|c| inventory.control(c.port));
    inventory.import(&database.url).unwrap();
    prepare(pool).await;

    let smtp_port = mail.port.to_string();
    let environment = [
        ("DATABASE_URL", database.url.as_str()),
        ("TAPKEEPER_SMTP_HOST", "127.0.0.1"),
        ("TAPKEEPER_SMTP_PORT", &smtp_port),
        ("TAPKEEPER_SMTP_TLS", "plain-loopback-only"),
        ("TAPKEEPER_SMTP_FROM", "Tapkeeper <tapkeeper@utility.example>"),
        ("TAPKEEPER_MESSAGE_CLAIM_SECONDS", "3"),
        // each message is counted
        ("TAPKEEPER_MESSAGE_CAP", "60000"),
    ];
    let listen = format!("127.0.0.1:{}", free_port());
    let poll = ["poll", "--name", "north"];
    let serve = ["serve", "--listen", &listen, "--public-url", "https://tapkeeper.utility.example"];
    let mut random = Pcg64Mcg::seed_from_u64(SEED);
    let moments = |random: &mut Pcg64Mcg| -> Vec<Duration> {
        (0..KILLS).map(|_| Duration::from_millis(random.random_range(150..1500))).collect()
    };
    let (poller, server) = tokio::join!(
        kill_again_and_again(&poll, &environment, moments(&mut random)),
        kill_again_and_again(&serve, &environment, moments(&mut random)),
    );
    sleep(Duration::from_secs(3)).await;
    poller.stop();
    caught_up(pool).await;
    until_equal("every message is out", Duration::from_secs(60), &0_i64, async || {
        sqlx::query_scalar("select count(*) from notification where state in ('waiting', 'sending')")
            .fetch_one(pool)
            .await
            .unwrap()
    })
    .await;
    server.stop();

    for control in &controls {
        assert_none_made_up(pool, control.port, &control.told()).await;
    }
    let with_kills = alarms(pool).await;
    assert!(with_kills.len() > 20, "there was something to tell of: {} alarms", with_kills.len());
    everyone_heard_everything_once(pool, &mail.told()).await;
    let steps = server::alarms::replay::differences(&mut pool.acquire().await.unwrap()).await.unwrap();
    assert_eq!(steps, Vec::<String>::new(), "the recorded steps give the present states");

    forget_alarms(pool).await;
    let undisturbed = Role::start(&serve, &environment[..1]);
    caught_up(pool).await;
    undisturbed.stop();
    let without = alarms(pool).await;
    for (one, other) in with_kills.iter().zip(&without) {
        assert_eq!(one, other);
    }
    assert_eq!(with_kills.len(), without.len());
}

/// Starts a role, kills it at each of the moments, and leaves it running.
async fn kill_again_and_again(args: &[&str], environment: &[(&str, &str)], moments: Vec<Duration>) -> Role {
    let mut role = Role::start(args, environment);
    for moment in moments {
        sleep(moment).await;
        role.kill();
        role.start_again(args, environment);
    }
    role
}

/// Conditions that become true within the seconds of this story, and two who want to know.
async fn prepare(pool: &PgPool) {
    sqlx::raw_sql(
        "insert into threshold (condition, parameter, scope_kind, value)
         values ('reverse_power', 'delay_s', 'fleet', 0.5), ('reverse_power', 'return_delay_s', 'fleet', 0.5);
         insert into recipient (name, email, area_kind, least_priority) values ('Desk', 'desk@utility.example', 'fleet', 1);
         insert into recipient (name, email, area_kind, area_id, least_priority)
         select 'On call', 'oncall@utility.example', 'feeder', id, 2 from feeder;",
    )
    .execute(pool)
    .await
    .unwrap();
}

async fn caught_up(pool: &PgPool) {
    let last: i64 = sqlx::query_scalar("select max(id) from reading_batch").fetch_one(pool).await.unwrap();
    until_equal("detection has caught up", Duration::from_secs(60), &Some(last), async || {
        sqlx::query_scalar("select batch_id from feed_cursor where follower = 'detection'")
            .fetch_optional(pool)
            .await
            .unwrap()
    })
    .await;
}

async fn alarms(pool: &PgPool) -> Vec<Alarm> {
    sqlx::query_as(
        "select condition, regulator_id, endpoint_id, raised_at, returned_at, summary, evidence from alarm
         where poller is null order by raised_at, condition, regulator_id, endpoint_id",
    )
    .fetch_all(pool)
    .await
    .unwrap()
}

/// Leaves the readings, and nothing of what was made of them.
async fn forget_alarms(pool: &PgPool) {
    sqlx::raw_sql(
        "truncate notification_attempt, notification, call_step, escalation, alarm_transition, alarm_point, alarm, detection_state,
            recipient cascade;
         delete from feed_cursor where follower = 'detection'",
    )
    .execute(pool)
    .await
    .unwrap();
}

/// Each recipient of each transition got one message, the raising before the return. A message may have come twice only when the
/// server was killed between the mail server's word and its own record of it, which it must know: then both bear one Message-ID, by
/// which mail systems drop the second.
async fn everyone_heard_everything_once(pool: &PgPool, told: &[Value]) {
    let of_transitions: i64 = sqlx::query_scalar(
        "select count(*) from alarm_transition t join alarm a on a.id = t.alarm_id join recipient r on a.priority >= r.least_priority
         where t.kind in ('raised', 'returned') and (r.area_kind = 'fleet' or a.poller is null)",
    )
    .fetch_one(pool)
    .await
    .unwrap();
    let (written, sent): (i64, i64) =
        sqlx::query_as("select count(*), count(*) filter (where state = 'sent') from notification")
            .fetch_one(pool)
            .await
            .unwrap();
    assert_eq!((written, sent), (of_transitions, of_transitions));
    let mut copies = BTreeMap::<&str, usize>::new();
    let mut seen = BTreeSet::new();
    for message in told {
        let id = message["message_id"].as_str().unwrap();
        if let Some(raised) = message["in_reply_to"].as_str() {
            assert!(seen.contains(raised), "{} came before the message of its raising", message["subject"]);
        }
        seen.insert(id);
        *copies.entry(id).or_default() += 1;
    }
    assert_eq!(i64::try_from(copies.len()).unwrap(), of_transitions, "distinct messages");
    let doubled: Vec<_> = copies.iter().filter(|(_, count)| **count > 1).map(|(id, _)| *id).collect();
    eprintln!("{of_transitions} messages, {} of them twice under one Message-ID", doubled.len());
    for id in doubled {
        let number: i64 = id.split('.').nth(1).unwrap().parse().unwrap();
        let unknown: i64 = sqlx::query_scalar(
            "select count(*) from notification_attempt where notification_id = $1 and outcome = 'unknown'",
        )
        .bind(number)
        .fetch_one(pool)
        .await
        .unwrap();
        assert!(unknown > 0, "{id} came twice though its server was not killed amid sending it");
    }
}
