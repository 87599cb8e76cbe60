//! The shipped profiles, read by the poller's own client, decode exactly what the simulated controls hold; and the inventory
//! passes the poller's check.
#![allow(clippy::unwrap_used, reason = "a test")]

use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, TcpListener};
use std::sync::{Arc, Mutex};

use chrono::{TimeDelta, Utc};
use poller::fleet::{ProfileSet, check};
use poller::modbus::{Address, Client, Timeouts};
use poller::profile::{Profile, ReadPlan, decode};
use regulator::{Quality, Quantity, Reading};
use simulator::{Devices, Fleet};
use tokio_util::sync::CancellationToken;

const HOST: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

fn small_past() -> Fleet {
    Fleet::new(1, Utc::now() - TimeDelta::minutes(5))
}

/// What a poll of this regulator gives.
async fn polled(client: &mut Client, fleet: &Mutex<Fleet>, profile: &Profile, number: usize) -> Reading {
    let (unit, position, nameplate) = {
        let fleet = fleet.lock().unwrap();
        let member = fleet.member(number).unwrap();
        (member.unit, member.position, member.nameplate.clone())
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
    let members: Vec<_> = fleet.members().map(|m| (m.endpoint, m.profile, m.nameplate.clone())).collect();
    let devices = Devices::bind(&fleet, HOST, 0).await.unwrap();
    let addresses: Vec<Address> = devices.addresses().iter().map(|a| a.parse().unwrap()).collect();
    let (fleet, stop) = (Arc::new(Mutex::new(fleet)), CancellationToken::new());
    let running = tokio::spawn(devices.run(Arc::clone(&fleet), stop.clone()));
    let mut compared = HashMap::new();
    for (number, (endpoint, profile, nameplate)) in members.into_iter().enumerate() {
        assert_eq!(profiles[profile].counter_modulus(1), Some(nameplate.counter_modulus));
        let mut client = Client::new(addresses[endpoint].clone(), Timeouts::default());
        // The registers change once a second: read until they did not change meanwhile.
        for attempt in 0.. {
            assert!(attempt < 50, "regulator {number} changed under every read");
            let Some(expected) = fleet.lock().unwrap().reading(number) else { break };
            let got = polled(&mut client, &fleet, &profiles[profile], number).await;
            if got.measured_at == expected.measured_at {
                assert_eq!(got, expected, "regulator {number} by {profile}");
                assert!(Quantity::ALL.iter().all(|q| got.quality(*q) == Quality::Good));
                *compared.entry(profile).or_insert(0) += 1;
                break;
            }
        }
    }
    stop.cancel();
    running.await.unwrap();
    // All layouts, and all controls but at most the three behind the endpoint that may just be out.
    assert_eq!(compared.len(), 3);
    assert!(compared.values().sum::<i32>() >= 98, "{compared:?}");
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
