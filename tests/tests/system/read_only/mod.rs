//! Read only, shown on the wire of a whole poller process: whatever devices do and however often the process is killed, all that it says is to read and
//! to keep house. Somebody else's dissector reads what it said.
//!
//! Between the process and each of its devices is a relay that keeps what both say. `strangers/day.rs` of the crate `dnp3` shows the same of its master
//! over a day of simulated time.

mod capture;
mod dissection;
mod modbus;
mod outstation;
mod promises;
mod relay;

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use futures_util::future::join_all;
use poller::fleet::{self, ProfileSet};
use private_postgres::testing::TestDatabase;
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;
use system_tests::{Role, until};

use modbus::Device;
use outstation::{Fault, Outstation};

/// How long anything may take that must happen.
const PATIENCE: Duration = Duration::from_secs(300);
const MODBUS_DEVICES: usize = 3;
/// How often the poller is killed, in the middle of it all.
const KILLS: usize = 3;
const FIRST_ADDRESS: u16 = 10;

/// How the poller is to treat each outstation: reports by itself, and a clock to be set.
const OUTSTATIONS: [(bool, &str); 6] =
    [(true, "lan"), (true, "non_lan"), (true, "never"), (false, "lan"), (false, "non_lan"), (false, "never")];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_happens_a_poller_process_only_reads_and_keeps_house() {
    let database = TestDatabase::new().await;
    let mut outstations = vec![];
    for ((number, address), (reports, time_sync)) in (0..).zip(FIRST_ADDRESS..).zip(OUTSTATIONS) {
        let rng = Pcg64Mcg::seed_from_u64(number);
        outstations.push(Outstation::start(address, reports, time_sync != "never", rng).await);
    }
    let devices = modbus::start(MODBUS_DEVICES).await;
    let csv = csv(&outstations, &devices);
    let mut db = database.pool.acquire().await.unwrap();
    fleet::import(&mut db, "fleet.csv", csv, &ProfileSet::shipped()).await.unwrap();
    drop(db);

    let (args, environment) = (["poll", "--name", "north"], [("DATABASE_URL", database.url.as_str())]);
    let mut poller = Role::start(&args, &environment);
    let met = AtomicUsize::new(0);
    let all = outstations.len() * (Fault::QUICK.len() + 1) + devices.len() * modbus::FAULTS;
    let kills = async {
        for kill in 1..=KILLS {
            until("faults are met", PATIENCE, async || {
                (met.load(Ordering::Relaxed) >= all * kill / (KILLS + 1)).then_some(())
            })
            .await;
            poller.kill();
            poller.start_again(&args, &environment);
        }
    };
    tokio::join!(drills(&outstations, &devices, &met), kills);
    assert_eq!(met.load(Ordering::Relaxed), all);
    for relay in devices.iter().map(|device| &device.relay) {
        until("there is enough to judge by", PATIENCE, async || (relay.heard(true) >= 100).then_some(()))
            .await;
    }
    poller.stop();

    let mut of_outstations = vec![];
    for outstation in &outstations {
        of_outstations.push((outstation.address, outstation.relay.end().await));
    }
    promises::of_dnp3(&of_outstations);
    let mut of_devices = vec![];
    for device in &devices {
        of_devices.push(device.relay.end().await);
    }
    promises::of_modbus(&of_devices);
    let stored: Vec<i64> =
        sqlx::query_scalar("select count(*) from reading group by regulator_id order by regulator_id")
            .fetch_all(&database.pool)
            .await
            .unwrap();
    assert_eq!(stored.len(), outstations.len() + devices.len(), "all of them were read");
    assert!(stored.iter().all(|count| *count > 20), "{stored:?}");
}

/// The fleet file: a regulator behind every relay.
fn csv(outstations: &[Arc<Outstation>], devices: &[Device]) -> String {
    let mut csv = "substation,feeder,site,phase,kva,rated_current_a,rated_voltage_v,pt_ratio,ct_ratio,endpoint,unit,profile,\
                   poll_interval_s,integrity_interval_s,unsolicited,time_sync,time_zone\n"
        .to_owned();
    let mut row = |kind: &str, port: u16, unit: u16, profile: &str, link: &str| {
        writeln!(
            csv,
            "West,W 1,Site {port},A,333,438,7620,63.5,1000,{kind}-tcp://127.0.0.1:{port},{unit},{profile},0.2,{link},America/Denver"
        )
        .unwrap();
    };
    for (outstation, (reports, time_sync)) in outstations.iter().zip(OUTSTATIONS) {
        let reports = if reports { "\"1,2,3\"" } else { "" };
        let link = format!("3,{reports},{time_sync}");
        row("dnp3", outstation.relay.port, outstation.address, "dnp3-single-float", &link);
    }
    for device in devices {
        row("modbus", device.relay.port, device.unit, device.profile, ",,");
    }
    csv
}

/// Everything happens to each of them, in another order; what was met is counted.
async fn drills(outstations: &[Arc<Outstation>], devices: &[Device], met: &AtomicUsize) {
    let of_outstations = outstations.iter().enumerate().map(|(number, outstation)| async move {
        let mut rng = Pcg64Mcg::seed_from_u64(outstation.address.into());
        let mut faults = Fault::QUICK.to_vec();
        faults.rotate_left(number);
        faults.insert(2, Fault::SLOW[number]);
        for fault in faults {
            outstation.suffer(fault, &mut rng).await;
            met.fetch_add(1, Ordering::Relaxed);
        }
    });
    let of_devices = devices.iter().enumerate().map(|(number, device)| async move {
        device.suffer(2 * number, met).await;
    });
    tokio::join!(join_all(of_outstations), join_all(of_devices));
}
