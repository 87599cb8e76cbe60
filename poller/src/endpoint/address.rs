//! Endpoint addresses of every protocol: those of [`modbus::Address`], `dnp3-tcp://HOST:PORT` and `dnp3-tls://HOST:PORT`.

use std::fmt;
use std::str::FromStr;

use crate::host_port::{self, HostPort};
use crate::modbus;
use crate::profile::Protocol;

/// Registered port of DNP3, used when an address names none, with TLS as without.
const DNP3_PORT: u16 = 20_000;
const DNP3_TCP: &str = "dnp3-tcp://";
const DNP3_TLS: &str = "dnp3-tls://";

/// Where an endpoint is and which protocol it speaks.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Address {
    /// Controls that are asked over Modbus.
    Modbus(modbus::Address),
    /// DNP3 outstations.
    Dnp3 {
        /// Whether the connection is encrypted.
        tls: bool,
        /// Name or IP address (an IPv6 address without its brackets).
        host: String,
        /// TCP port.
        port: u16,
    },
}

impl Address {
    /// The protocol spoken there.
    #[must_use]
    pub const fn protocol(&self) -> Protocol {
        match self {
            Self::Modbus(_) => Protocol::Modbus,
            Self::Dnp3 { .. } => Protocol::Dnp3,
        }
    }
}

/// An endpoint address that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// It is one for Modbus.
    #[error("{0}")]
    Modbus(#[from] modbus::AddressError),
    /// It is one for DNP3.
    #[error(
        "'{text}' is not an endpoint address: {what}; write dnp3-tcp://HOST:PORT, or dnp3-tls://HOST:PORT for an encrypted \
         connection"
    )]
    Dnp3 {
        /// The address as it was given.
        text: String,
        /// What is wrong with it.
        what: &'static str,
    },
    /// It does not say which protocol it is for.
    #[error(
        "'{0}' is not an endpoint address: it does not begin with modbus-tcp://, modbus-rtu-tcp://, dnp3-tcp:// or dnp3-tls://; \
         write one of these, then HOST:PORT"
    )]
    Scheme(String),
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        if text.starts_with("modbus-") {
            return Ok(Self::Modbus(text.parse()?));
        }
        let scheme = [(false, DNP3_TCP), (true, DNP3_TLS)];
        let found = scheme.into_iter().find_map(|(tls, scheme)| Some((tls, text.strip_prefix(scheme)?)));
        let (tls, rest) = found.ok_or_else(|| AddressError::Scheme(text.to_owned()))?;
        let wrong = |what| AddressError::Dnp3 { text: text.to_owned(), what };
        let HostPort { host, port } = HostPort::read(rest, DNP3_PORT).map_err(wrong)?;
        Ok(Self::Dnp3 { tls, host, port })
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Modbus(address) => address.fmt(f),
            Self::Dnp3 { tls, host, port } => {
                host_port::show(f, if *tls { DNP3_TLS } else { DNP3_TCP }, host, *port)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_both_protocols_read_and_show_alike() {
        for (text, shown, protocol) in [
            ("modbus-tcp://10.0.0.1", "modbus-tcp://10.0.0.1:502", Protocol::Modbus),
            ("modbus-rtu-tcp://[fd00::1]:4001", "modbus-rtu-tcp://[fd00::1]:4001", Protocol::Modbus),
            ("dnp3-tcp://10.0.0.1", "dnp3-tcp://10.0.0.1:20000", Protocol::Dnp3),
            ("dnp3-tls://pole-7.example:19999/", "dnp3-tls://pole-7.example:19999", Protocol::Dnp3),
            ("dnp3-tls://[fd00::1]", "dnp3-tls://[fd00::1]:20000", Protocol::Dnp3),
        ] {
            let address: Address = text.parse().unwrap();
            assert_eq!((address.to_string().as_str(), address.protocol()), (shown, protocol));
            assert_eq!(shown.parse(), Ok(address));
        }
        let tls = Address::Dnp3 { tls: true, host: "fd00::1".into(), port: 20_000 };
        assert_eq!("dnp3-tls://[fd00::1]".parse(), Ok(tls));
    }

    #[test]
    fn wrong_addresses_say_why_and_what_to_write() {
        for (text, why, remedy) in [
            ("10.0.0.1:20000", "does not begin with modbus-tcp://", "write one of these"),
            ("dnp3://10.0.0.1", "does not begin with", "write one of these"),
            ("dnp3-tcp://", "host is empty", "write dnp3-tcp://HOST:PORT"),
            ("dnp3-tcp://h:0", "port is not", "write dnp3-tcp://HOST:PORT"),
            ("dnp3-tls://fd00::1", "needs brackets", "dnp3-tls://HOST:PORT"),
            ("modbus-tcp://h:0", "port is not", "write modbus-tcp://HOST:PORT"),
            ("modbus-udp://h", "does not begin with", "write modbus-tcp://HOST:PORT"),
        ] {
            let error = text.parse::<Address>().unwrap_err().to_string();
            let (what, to_do) = error.split_once("; ").unwrap();
            assert!(what.contains(why) && to_do.contains(remedy), "{error}");
        }
    }
}
