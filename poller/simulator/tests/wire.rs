//! The shipped profiles, read by the poller's own client, decode exactly what the simulated controls hold; and the inventory
//! passes the poller's check.
#![allow(clippy::unwrap_used, reason = "a test")]

use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, TcpListener};
use std::sync::{Arc, Mutex};

use chrono::{TimeDelta, Utc};
use poller::fleet::{ProfileSet, check};
use poller::modbus::{Address, Client, Timeouts};
use poller::probe::{ProbeArgs, run_outstation};
use poller::profile::{Profile, ReadPlan, decode};
use regulator::{Quality, Quantity, Reading};
use simulator::{Devices, Fleet};
use tokio_util::sync::CancellationToken;

const HOST: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

/// Quantities that every layout reports.
const COMMON: usize = 17;

fn known(reading: &Reading) -> usize {
    Quantity::ALL.iter().filter(|q| reading.quality(**q) == Quality::Good).count()
}

fn small_past() -> Fleet {
    Fleet::new(1, Utc::now() - TimeDelta::minutes(5))
}

/// What a poll of this regulator gives.
async fn polled(client: &mut Client, fleet: &Mutex<Fleet>, profile: &Profile, number: usize) -> Reading {
    let (unit, position, nameplate) = {
        let fleet = fleet.lock().unwrap();
        let member = fleet.member(number).unwrap();
        (u8::try_from(member.unit).unwrap(), member.position, member.nameplate.clone())
    };
    let plan = ReadPlan::new(profile, &[position]);
    let mut answers = Vec::new();
    for request in &plan.requests {
        answers.push(Some(client.read(unit, *request).await.unwrap()));
    }
    let at = fleet.lock().unwrap().now();
    decode::reading(profile, &plan, &answers, position, &nameplate, at)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_control_reads_as_it_stands_through_its_shipped_profile() {
    let profiles: HashMap<_, _> =
        Profile::shipped().iter().map(|s| (s.name, s.profile().unwrap_or_else(|e| panic!("{e}")))).collect();
    let fleet = small_past();
    let modbus = fleet.members().enumerate().filter(|(_, m)| !m.profile.starts_with("dnp3"));
    let members: Vec<_> = modbus.map(|(n, m)| (n, m.endpoint, m.profile, m.nameplate.clone())).collect();
    assert!(members.len() * 2 <= fleet.len(), "at least half of the fleet speaks DNP3");
    let devices = Devices::bind(&fleet, HOST, 0).await.unwrap();
    let addresses: Vec<_> = devices.addresses().iter().map(|a| a.parse::<Address>().ok()).collect();
    let (fleet, stop) = (Arc::new(Mutex::new(fleet)), CancellationToken::new());
    let running = tokio::spawn(devices.run(Arc::clone(&fleet), stop.clone()));
    let mut compared = HashMap::new();
    let all = members.len();
    for (number, endpoint, profile, nameplate) in members {
        assert_eq!(profiles[profile].counter_modulus(1), Some(nameplate.counter_modulus));
        let mut client = Client::new(addresses[endpoint].clone().unwrap(), Timeouts::default());
        // The registers change once a second: read until they did not change meanwhile.
        for attempt in 0.. {
            assert!(attempt < 50, "regulator {number} changed under every read");
            let Some(expected) = fleet.lock().unwrap().reading(number) else { break };
            let got = polled(&mut client, &fleet, &profiles[profile], number).await;
            if got.measured_at == expected.measured_at {
                assert_eq!(got, expected, "regulator {number} by {profile}");
                assert!(known(&got) >= COMMON, "{} of {profile}", known(&got));
                *compared.entry(profile).or_insert(0) += 1;
                break;
            }
        }
    }
    stop.cancel();
    running.await.unwrap();
    // All layouts, and all controls but at most the three behind the endpoint that may just be out.
    assert_eq!(compared.len(), 3);
    assert!(compared.values().sum::<usize>() + 3 >= all, "{compared:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_outstation_reads_as_it_stands_through_its_shipped_profile() {
    let fleet = small_past();
    let devices = Devices::bind(&fleet, HOST, 0).await.unwrap();
    let addresses: Vec<String> = devices.addresses().iter().map(str::to_owned).collect();
    let objects = fleet.members().enumerate().filter(|(_, m)| m.profile.starts_with("dnp3"));
    let members: Vec<_> =
        objects.map(|(n, m)| (n, addresses[m.endpoint].clone(), m.unit, m.position, m.profile)).collect();
    let (fleet, stop) = (Arc::new(Mutex::new(fleet)), CancellationToken::new());
    let running = tokio::spawn(devices.run(Arc::clone(&fleet), stop.clone()));
    let mut compared = HashMap::new();
    for (number, address, unit, position, profile) in members {
        let args = || ProbeArgs {
            connect_timeout: 60_000,
            response_timeout: 60_000,
            ..ProbeArgs::new(&address, unit, profile)
        };
        // The points change once a second: read until they did not change meanwhile.
        for attempt in 0.. {
            assert!(attempt < 50, "regulator {number} changed under every read");
            let before = fleet.lock().unwrap().reading(number).unwrap();
            let report = run_outstation(args()).await.unwrap();
            let after = fleet.lock().unwrap().reading(number).unwrap();
            assert!(report.all_answered(), "{report}");
            if before.measured_at != after.measured_at {
                continue;
            }
            let mut reported = 0;
            for q in report.objects.iter().flat_map(|o| &o.quantities).filter(|q| q.position == position) {
                assert_eq!(q.quality, Quality::Good, "{report}");
                assert_eq!(
                    q.value,
                    before.good(q.quantity),
                    "{} of regulator {number}\n{report}",
                    q.quantity.name()
                );
                reported += 1;
            }
            assert_eq!(reported, known(&before), "{report}");
            assert!(reported >= COMMON, "{report}");
            assert_eq!(report.identity.unwrap().model.as_deref(), Some(profile));
            *compared.entry(profile).or_insert(0) += 1;
            break;
        }
    }
    stop.cancel();
    running.await.unwrap();
    assert_eq!(compared.len(), 2, "{compared:?}");
}

#[tokio::test]
async fn a_taken_port_is_named() {
    let taken = TcpListener::bind((HOST, 0)).unwrap();
    let address = taken.local_addr().unwrap();
    let error = Devices::bind(&small_past(), HOST, address.port()).await.unwrap_err();
    assert!(error.to_string().contains(&address.to_string()), "{error}");
    let error = Devices::bind(&Fleet::synthetic(20, 20, 1, Utc::now()), HOST, 65_530).await.unwrap_err();
    assert!(error.to_string().contains("65530"), "{error}");
}

#[tokio::test]
async fn the_inventory_passes_the_check_of_the_import() {
    let rows = |fleet: &Fleet| {
        let csv = fleet.csv(&simulator::Addresses::from_base(fleet, "127.0.0.1", 15_020));
        check("fleet.csv", csv, &ProfileSet::shipped()).unwrap_or_else(|e| panic!("{e}")).len()
    };
    assert_eq!(rows(&small_past()), 101);
    assert_eq!(rows(&Fleet::synthetic(2000, 200, 1, Utc::now())), 2000);
}
