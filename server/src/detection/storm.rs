//! A storm: nearly every endpoint of a fleet of 2,000 falls silent within a minute, real voltage alarms among them, and all comes back.

use std::{ops::Range, sync::Arc, time::Duration};

use oncall::cap::Cap;
use private_postgres::testing::TestDatabase;
use regulator::{Quantity, Reading};
use sqlx::{PgConnection, PgPool, Row};
use tokio_util::sync::CancellationToken;

use super::{Status, runner::Runner};
use crate::{
    alarms::{clock, replay},
    feed::testing::{at, batch, write},
    notification::{
        Config, Notifier,
        testing::smtp::{Offer, SmtpPeer},
    },
    pages::open_groups,
};

const REGULATORS: i32 = 2_000;
const SUBSTATIONS: i32 = 20;
/// Endpoints begin to fail one after the other from here, within a minute.
const BEGINS: i64 = 600;
/// And answer again one after the other from here.
const RETURNS: i64 = 1_800;
const ENDS: i64 = 3_600;
/// Messages that one person gets within a while.
const CAP: usize = 5;
/// The voltage of these is low from five minutes before the storm; every other one keeps answering through it.
const LOW: Range<usize> = 0..50;
/// The voltage of these falls while nobody can see it.
const LOW_UNSEEN: Range<usize> = 50..60;

/// Twenty substations, a feeder each; every regulator has a site and an endpoint of its own.
async fn fleet(db: &mut PgConnection) -> (Vec<i32>, Vec<i32>) {
    let rows = sqlx::query(
        "with u as (insert into substation (name) select 'Substation ' || n from generate_series(1, $2) n returning id, name),
            f as (insert into feeder (substation_id, name) select id, 'Feeder' from u returning id, substation_id),
            p as (insert into profile (name, source) values ('plain', '') returning name),
            n as (select n, 'Substation ' || (1 + n % $2) as substation from generate_series(1, $1) n),
            e as (insert into endpoint (address) select 'modbus-tcp://10.0.0.1:' || 5000 + n from n order by n returning id, address),
            s as (insert into site (feeder_id, name, time_zone)
                select f.id, 'Pole ' || n, 'America/Chicago' from n join u on u.name = n.substation join f on f.substation_id = u.id
                returning id, name),
            b as (insert into bank (site_id, name, connection) select id, 'Bank', 'wye' from s returning id, site_id)
         insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile,
                poll_interval_ms)
            select b.id, 'A', 167, 219, 7620, 63.5, 1250, e.id, 1, p.name, 60000
            from n cross join p
            join s on s.name = 'Pole ' || n
            join b on b.site_id = s.id
            join e on e.address = 'modbus-tcp://10.0.0.1:' || 5000 + n
            order by n
            returning id, endpoint_id",
    )
    .bind(REGULATORS)
    .bind(SUBSTATIONS)
    .fetch_all(db)
    .await
    .unwrap();
    rows.iter().map(|row| (row.get::<i32, _>(0), row.get::<i32, _>(1))).unzip()
}

/// Keeps answering through the storm.
fn is_spared(n: usize) -> bool {
    LOW.contains(&n) && n % 2 == 1
}

/// When the endpoint of the `n`th regulator begins to fail, and when it answers again.
fn silent(n: usize) -> Option<(i64, i64)> {
    let share = i64::try_from(n).unwrap() * 60 / i64::from(REGULATORS);
    // Those whose alarm is raised by a reading at the storm's beginning are cut off right after it.
    (!is_spared(n)).then_some((BEGINS + 1 + share, RETURNS + share))
}

fn volts(n: usize, s: i64) -> f64 {
    let low = (LOW.contains(&n) && (300..2_400).contains(&s))
        || (LOW_UNSEEN.contains(&n) && (1_200..2_700).contains(&s));
    if low { 112.0 } else { 120.0 }
}

/// What the poller writes, every ten seconds; readings come once a minute.
async fn write_feed(db: &mut PgConnection, regulators: &[i32], endpoints: &[i32], time: Range<i64>) {
    for s in time.step_by(10) {
        let is_silent = |n: usize| silent(n).is_some_and(|(from, to)| from <= s && s < to);
        let mut beat = batch("p", s);
        for (n, endpoint) in endpoints.iter().enumerate().filter(|(n, _)| is_silent(*n)) {
            beat = beat.failing(*endpoint, silent(n).unwrap().0);
        }
        // After the storm each is read as soon as it answers, then once a minute again.
        let due = |n: usize| s % 60 == 0 || silent(n).is_some_and(|(_, to)| to <= s && s < to + 10);
        let readings: Vec<(i32, Reading)> = regulators
            .iter()
            .enumerate()
            .filter(|(n, _)| due(*n) && !is_silent(*n))
            .map(|(n, id)| (*id, Reading::new(at(s)).with(Quantity::LoadVoltage, volts(n, s))))
            .collect();
        write(db, &beat, &readings).await;
    }
}

/// One person on call for the whole fleet.
async fn on_call(db: &mut PgConnection) {
    sqlx::raw_sql(
        "insert into person (email, name, role) values ('ola@signs-in.example', 'Ola', 'operate');
         insert into recipient (name, email, area_kind, least_priority, person_id, standing)
             select 'Ola', 'ola@example.org', 'fleet', 1, id, false from person;
         insert into rota (name, area_kind, rota)
             select 'Fleet', 'fleet', jsonb_build_object('zone', 'America/Chicago', 'levels', jsonb_build_array(jsonb_build_object(
                 'start', jsonb_build_object('date', '2025-12-01', 'time', '08:00:00'),
                 'turns', jsonb_build_array(jsonb_build_object('person', id, 'days', 7))))) from person",
    )
    .execute(db)
    .await
    .unwrap();
}

/// Delivers until nothing waits; the subjects of what the mail server has taken since.
async fn deliver(pool: &PgPool, mail: &SmtpPeer) -> Vec<String> {
    let before = mail.headers("Subject").len();
    let cap = Cap { messages: u16::try_from(CAP).unwrap(), window_s: 10 };
    let config = Config { smtp: Some(mail.settings()), cap, ..Config::default() };
    let stop = CancellationToken::new();
    let notifier = Notifier::new(config, "https://tapkeeper.example").unwrap();
    let delivering = tokio::spawn(notifier.run(pool.clone(), stop.clone()));
    let done = async {
        while sqlx::query_scalar(
            "select exists (select from notification where state in ('waiting', 'sending', 'held'))",
        )
        .fetch_one(pool)
        .await
        .unwrap()
        {
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(300), done).await.expect("everything is told");
    stop.cancel();
    delivering.await.unwrap();
    mail.headers("Subject").split_off(before)
}

/// Counts of alarms by condition: raised, announced, returned.
async fn counts(db: &mut PgConnection) -> Vec<(String, i64, i64, i64)> {
    sqlx::query_as(
        "select condition, count(*), count(announced_at), count(returned_at) from alarm group by condition order by condition",
    )
    .fetch_all(db)
    .await
    .unwrap()
}

#[tokio::test]
async fn two_thousand_fall_silent_and_the_desk_sees_what_matters() {
    let database = TestDatabase::new().await;
    let mut db = database.pool.acquire().await.unwrap();
    let (regulators, endpoints) = fleet(&mut db).await;
    on_call(&mut db).await;
    let mail = SmtpPeer::start(Offer::Plain, &[]).await;
    let mut runner = Runner::new(Arc::new(Status::default())).with_most_readings(3_000);

    // The storm rages.
    write_feed(&mut db, &regulators, &endpoints, 0..900).await;
    while runner.pass(&mut db).await.unwrap() {}
    assert!(open_groups(&mut db).await.unwrap().len() <= 10, "lines on the desk");
    clock::tick(&mut db, at(900)).await.unwrap();
    let told = deliver(&database.pool, &mail).await;
    assert!((1..=CAP + 2).contains(&told.len()), "one person gets {} messages: {told:#?}", told.len());
    assert!(told.iter().any(|s| s.contains("Poller cut off")), "what is wrong comes first: {told:#?}");

    // And passes.
    for (from, to) in [(900, 2_400), (2_400, ENDS + 1)] {
        write_feed(&mut db, &regulators, &endpoints, from..to).await;
        while runner.pass(&mut db).await.unwrap() {}
        clock::tick(&mut db, at(to)).await.unwrap();
        deliver(&database.pool, &mail).await;
    }
    let untold: i64 = sqlx::query_scalar(
        "select count(*) from alarm a where announced_at is not null and not exists (
            select from notification n where n.alarm_id = a.id and n.state in ('sent', 'summed', 'dropped'))",
    )
    .fetch_one(&mut *db)
    .await
    .unwrap();
    assert_eq!(untold, 0, "each was told by itself or in a summary, or was over before its turn came");

    let silenced = i64::from(REGULATORS) - 25;
    let expected = [
        // Every endpoint has its own history, and none of them called anybody.
        ("endpoint_silent".to_owned(), silenced, 0, silenced),
        // One line says what is wrong.
        ("poller_cut_off".to_owned(), 1, 1, 1),
        ("substation_silent".to_owned(), 20, 0, 20),
        ("voltage_range_a".to_owned(), 60, 60, 60),
    ];
    assert_eq!(counts(&mut db).await, expected);

    // None of the real ones is lost or late by more than its delay of five minutes: those before the storm are raised at its
    // beginning, those behind it five minutes after their endpoint answers.
    let raised: Vec<(i32, i64)> = sqlx::query_as(
        "select regulator_id, extract(epoch from raised_at - $1)::bigint from alarm where condition = 'voltage_range_a'
            order by regulator_id",
    )
    .bind(at(0))
    .fetch_all(&mut *db)
    .await
    .unwrap();
    for (id, s) in raised {
        let n = regulators.iter().position(|r| *r == id).unwrap();
        if LOW.contains(&n) {
            assert_eq!(s, BEGINS, "regulator {n}");
        } else {
            let answers = silent(n).unwrap().1;
            assert!((answers..=answers + 370).contains(&s), "regulator {n} at {s}");
        }
    }
    // Nothing of what was recorded contradicts what is there, and nothing is left standing.
    assert_eq!(replay::differences(&mut db).await.unwrap(), Vec::<String>::new());
    let standing: i64 = sqlx::query_scalar(
        "select count(*) from alarm_point where held or process not in ('normal', 'returned')",
    )
    .fetch_one(&mut *db)
    .await
    .unwrap();
    assert_eq!(standing, 0);
}
