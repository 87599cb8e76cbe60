//! The fleet on real sockets: a listener an endpoint, all answering from the fleet as it stands.

mod device;
mod outstation;

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::Utc;
use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio::time::MissedTickBehavior;
use tokio_util::sync::CancellationToken;

use crate::Fleet;
use crate::inventory::{Addresses, address};
use device::Device;
use outstation::Outstations;

/// How often the registers are brought up to date while live.
const TICK: Duration = Duration::from_secs(1);

/// The listeners of a fleet, bound and not yet answering.
#[derive(Debug)]
pub struct Devices {
    listeners: Vec<TcpListener>,
    addresses: Addresses,
}

/// A listener that could not be had.
#[derive(Debug, thiserror::Error)]
pub enum BindError {
    /// The port is taken, or the address is not this machine's.
    #[error(
        "cannot listen at {address} for simulated endpoint {endpoint}: {source}; choose another base port, or 0 for any"
    )]
    Listen {
        /// Where.
        address: SocketAddr,
        /// Number of the endpoint.
        endpoint: usize,
        /// Why not.
        source: std::io::Error,
    },
    /// There are not enough ports from the base on.
    #[error(
        "{endpoints} endpoints do not fit above port {base_port}; choose a lower base port, or 0 for any"
    )]
    TooHigh {
        /// The port asked for.
        base_port: u16,
        /// How many are needed.
        endpoints: usize,
    },
}

impl Devices {
    /// Binds a listener an endpoint, at successive ports from `base_port` on, or at any free ports if it is 0.
    ///
    /// # Errors
    /// If a port is taken or there are not enough of them.
    pub async fn bind(fleet: &Fleet, host: IpAddr, base_port: u16) -> Result<Self, BindError> {
        let endpoints = fleet.endpoint_count();
        let mut listeners = Vec::with_capacity(endpoints);
        let mut addresses = Vec::with_capacity(endpoints);
        for endpoint in 0..endpoints {
            let port = match base_port {
                0 => Some(0),
                base => u16::try_from(endpoint).ok().and_then(|e| base.checked_add(e)),
            };
            let port = port.ok_or(BindError::TooHigh { base_port, endpoints })?;
            let wanted = SocketAddr::new(host, port);
            let failed = |source| BindError::Listen { address: wanted, endpoint, source };
            let listener = TcpListener::bind(wanted).await.map_err(failed)?;
            let bound = listener.local_addr().map_err(failed)?;
            addresses.push(address(fleet.scheme(endpoint), &host.to_string(), bound.port()));
            listeners.push(listener);
        }
        Ok(Self { listeners, addresses: Addresses(addresses) })
    }

    /// Where they listen.
    #[must_use]
    pub const fn addresses(&self) -> &Addresses {
        &self.addresses
    }

    /// Answers, and lets the fleet run with the clock, until stopped. The fleet is locked for a few milliseconds a second;
    /// whoever shares it can take a snapshot at any time.
    pub async fn run(self, fleet: Arc<Mutex<Fleet>>, stop: CancellationToken) {
        let devices: Vec<_> = {
            let mut fleet = fleet.lock().unwrap_or_else(PoisonError::into_inner);
            fleet.go_live();
            (0..self.listeners.len()).map(|endpoint| Endpoint::new(&fleet, endpoint)).collect()
        };
        let mut tasks = JoinSet::new();
        for (listener, device) in self.listeners.into_iter().zip(&devices) {
            match device {
                Endpoint::Modbus(device) => {
                    tasks.spawn(device::answer(listener, Arc::clone(device), stop.clone()));
                }
                Endpoint::Dnp3(device) => {
                    tasks.spawn(outstation::answer(listener, Arc::clone(device), stop.clone()));
                }
            }
        }
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        while stop.run_until_cancelled(ticks.tick()).await.is_some() {
            let mut fleet = fleet.lock().unwrap_or_else(PoisonError::into_inner);
            fleet.advance_to(Utc::now());
            for device in &devices {
                device.refresh(&fleet);
            }
        }
        // Each of them ends by the same signal.
        while tasks.join_next().await.is_some() {}
    }
}

/// What answers at one listener.
enum Endpoint {
    Modbus(Arc<Device>),
    Dnp3(Arc<Outstations>),
}

impl Endpoint {
    fn new(fleet: &Fleet, endpoint: usize) -> Self {
        if fleet.speaks_dnp3(endpoint) {
            Self::Dnp3(Arc::new(Outstations::new(fleet, endpoint)))
        } else {
            Self::Modbus(Arc::new(Device::new(fleet, endpoint)))
        }
    }

    /// Brings it up to date.
    fn refresh(&self, fleet: &Fleet) {
        match self {
            Self::Modbus(device) => device.refresh(fleet),
            Self::Dnp3(device) => device.refresh(fleet),
        }
    }
}
