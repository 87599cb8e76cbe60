//! Modbus devices of the simulator behind relays, and what happens on the way.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::Utc;
use simulator::{Devices, Fleet};
use system_tests::until;
use tokio_util::sync::CancellationToken;

use super::PATIENCE;
use super::relay::{Relay, Spoil};

/// What happens on the way: nothing comes, too late, half of it, under another transaction's number, with another function, or something else
/// altogether. The poller waits 2 s for an answer.
const SPOILS: [Spoil; 6] = [
    Spoil::Lost,
    Spoil::Late(Duration::from_millis(2_500)),
    Spoil::Halved,
    Spoil::Flipped(1),
    Spoil::Flipped(7),
    Spoil::Babble(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n"),
];
/// How many things happen to each.
pub(crate) const FAULTS: usize = SPOILS.len() + 1;

/// One device.
pub(crate) struct Device {
    pub(crate) relay: Relay,
    pub(crate) unit: u16,
    pub(crate) profile: &'static str,
}

/// So many devices, with a regulator each; they live as long as the test does.
pub(crate) async fn start(count: usize) -> Vec<Device> {
    let fleet = Fleet::synthetic(count, count, 1, Utc::now());
    let devices = Devices::bind(&fleet, IpAddr::V4(Ipv4Addr::LOCALHOST), 0).await.unwrap();
    let mut behind = vec![];
    for member in fleet.members() {
        let address = devices.addresses().get(member.endpoint).unwrap();
        let port = address.rsplit(':').next().unwrap().parse().unwrap();
        let relay = Relay::start(port).await;
        behind.push(Device { relay, unit: member.unit, profile: member.profile });
    }
    tokio::spawn(devices.run(Arc::new(Mutex::new(fleet)), CancellationToken::new()));
    behind
}

impl Device {
    /// Everything happens to it, one after the other from the one of this number on; each time the poller meets it, it is over, and polling goes on.
    pub(crate) async fn suffer(&self, first: usize, met: &AtomicUsize) {
        let connections = self.relay.connections();
        self.relay.cut();
        until("the poller connects again", PATIENCE, async || {
            (self.relay.connections() > connections).then_some(())
        })
        .await;
        self.is_polled().await;
        met.fetch_add(1, Ordering::Relaxed);
        for spoil in SPOILS.iter().cycle().skip(first).take(SPOILS.len()) {
            let spoilt = self.relay.spoilt();
            self.relay.spoil(*spoil);
            until(&format!("{spoil:?} is met"), PATIENCE, async || {
                (self.relay.spoilt() >= spoilt + 2).then_some(())
            })
            .await;
            self.relay.spoil(Spoil::Not);
            self.is_polled().await;
            met.fetch_add(1, Ordering::Relaxed);
        }
    }

    async fn is_polled(&self) {
        let (asked, said) = (self.relay.heard(true), self.relay.heard(false));
        until("a device is polled", PATIENCE, async || {
            (self.relay.heard(true) >= asked + 4 && self.relay.heard(false) >= said + 4).then_some(())
        })
        .await;
    }
}
