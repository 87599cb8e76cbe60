//! Numbered events of an outstation, while poller and database are killed again and again: each is stored exactly once.

use std::{
    fs,
    os::unix::fs::PermissionsExt,
    sync::{
        Arc, Mutex,
        atomic::{AtomicU32, Ordering},
    },
    time::Duration,
};

use chrono::Utc;
use dnp3::{
    Now,
    link::Address,
    net::answer,
    objects::{Class, Flags, Kind, Timestamp, Value},
    outstation::{Database, PointConfig, Session, SessionConfig, Station},
};
use poller::fleet::{self, ProfileSet};
use private_postgres::{Cluster, Durability};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use sqlx::{Connection, PgConnection};
use system_tests::{Role, until};
use tokio::{
    net::TcpListener,
    sync::Notify,
    time::{Instant, interval, sleep},
};
use tokio_util::sync::CancellationToken;

/// Where the moments come from: another seed, another run.
const SEED: u64 = 0xdead_11fe;
const OUTSTATION: u16 = 10;
/// From one event to the next.
const PACE: Duration = Duration::from_millis(20);
/// Far more events than come while everything is down.
const CAPACITY: usize = 100_000;

const PROFILE: &str = r#"
title = "A control that counts"
protocol = "dnp3"
point = [{ quantity = "operations", object = "counter", index = 0, class = 1 }]
"#;

const FLEET: &str = "substation,feeder,site,phase,kva,rated_current_a,rated_voltage_v,pt_ratio,ct_ratio,endpoint,unit,profile,\
    poll_interval_s,time_zone\nWest,W 1,Events,A,333,438,7620,63.5,1000,dnp3-tcp://127.0.0.1:PORT,10,counting,0.2,America/Denver\n";

/// How often something is killed: enough to hurt, few enough for every test run.
fn kills() -> usize {
    std::env::var("TAPKEEPER_TEST_KILLS").map_or(20, |n| n.parse().unwrap())
}

/// An outstation that counts by itself, and holds its events until they are confirmed.
struct Device {
    station: Mutex<Station>,
    changed: Arc<Notify>,
    started: Instant,
    count: AtomicU32,
}

impl Device {
    fn new() -> Arc<Self> {
        let mut database = Database::new(CAPACITY);
        let config = PointConfig::of(Kind::Counter).class(Class::One).variations(1, 5);
        database.add(Kind::Counter, 0, config).unwrap();
        let config = SessionConfig::new(Address::from_wire(OUTSTATION), Address::from_wire(1));
        let station = Station::new(vec![Session::new(config, database)]);
        Arc::new(Self {
            station: Mutex::new(station),
            changed: Arc::default(),
            started: Instant::now(),
            count: AtomicU32::new(0),
        })
    }

    fn now(&self) -> Now {
        let wall = u64::try_from(Utc::now().timestamp_millis()).unwrap();
        Now { monotonic: self.started.elapsed(), wall: Timestamp::from_millis(wall) }
    }

    fn count_on(&self) {
        let number = self.count.fetch_add(1, Ordering::Relaxed) + 1;
        let now = self.now();
        let mut station = self.station.lock().unwrap();
        let session = station.session_mut(Address::from_wire(OUTSTATION)).unwrap();
        session.update(Kind::Counter, 0, Value::Counter(number), Flags::ONLINE, now).unwrap();
    }

    fn waiting(&self) -> usize {
        let mut station = self.station.lock().unwrap();
        station.session_mut(Address::from_wire(OUTSTATION)).unwrap().database().waiting_events()
    }

    /// Answers whoever connects, one at a time, and counts until told to stop.
    async fn live(self: Arc<Self>, listener: TcpListener, counting: CancellationToken) {
        let counter = self.clone();
        let ticks = async move {
            let mut ticks = interval(PACE);
            while counting.run_until_cancelled(ticks.tick()).await.is_some() {
                counter.count_on();
            }
        };
        let answers = async {
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                stream.set_nodelay(true).unwrap();
                drop(answer(stream, &self.station, || self.now(), &self.changed).await);
            }
        };
        tokio::join!(ticks, answers);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_event_is_stored_exactly_once_whatever_is_killed() {
    let folder = tempfile::Builder::new().prefix("tapkeeper-events-").tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let cluster = Cluster::start(&folder.path().join("db"), Durability::Full).unwrap();
    let url = cluster.database("fleet").unwrap();
    let mut db = PgConnection::connect(&url).await.unwrap();
    migrations::MIGRATOR.run(&mut db).await.unwrap();

    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let (device, counting) = (Device::new(), CancellationToken::new());
    let alive = tokio::spawn(device.clone().live(listener, counting.clone()));
    let profiles = folder.path().join("profiles");
    fs::create_dir(&profiles).unwrap();
    fs::write(profiles.join("counting.toml"), PROFILE).unwrap();
    let profiles = ProfileSet::shipped().with_folder(&profiles).unwrap();
    let csv = FLEET.replace("PORT", &port.to_string());
    fleet::import(&mut db, "fleet.csv", csv, &profiles).await.unwrap();
    db.close().await.unwrap();

    let (args, environment) = (["poll", "--name", "north"], [("DATABASE_URL", url.as_str())]);
    let mut poller = Role::start(&args, &environment);
    let mut random = Pcg64Mcg::seed_from_u64(SEED);
    for _ in 0..kills() {
        sleep(Duration::from_millis(random.random_range(50..1200))).await;
        if random.random_range(0..3) == 0 {
            cluster.kill().unwrap();
            sleep(Duration::from_millis(random.random_range(0..500))).await;
            cluster.recover(Durability::Full).unwrap();
        } else {
            poller.kill();
            poller.start_again(&args, &environment);
        }
    }
    counting.cancel();
    let last = i64::from(device.count.load(Ordering::Relaxed));
    until("every event is confirmed", Duration::from_secs(300), async || {
        (device.waiting() == 0).then_some(())
    })
    .await;
    poller.stop();
    alive.abort();

    let mut db = PgConnection::connect(&url).await.unwrap();
    // by the device's own time: what a poll only repeats is no event
    let stored: Vec<(i64, i64)> = sqlx::query_as(
        "select operations, count(*) from reading where time_source = 1 group by operations order by operations",
    )
    .fetch_all(&mut db)
    .await
    .unwrap();
    let expected: Vec<(i64, i64)> = (1..=last).map(|number| (number, 1)).collect();
    let lost: Vec<i64> =
        expected.iter().filter(|e| !stored.iter().any(|s| s.0 == e.0)).map(|e| e.0).collect();
    let doubled: Vec<_> = stored.iter().filter(|(_, n)| *n != 1).collect();
    assert!(last > 100, "there was something to lose: {last} events");
    assert!(lost.is_empty() && doubled.is_empty(), "of {last} events lost {lost:?}, doubled {doubled:?}");
    assert_eq!(stored, expected);
}
