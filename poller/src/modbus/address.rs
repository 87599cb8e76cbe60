//! Endpoint addresses: `modbus-tcp://HOST:PORT` and `modbus-rtu-tcp://HOST:PORT`.

use std::str::FromStr;

use crate::host_port::{self, HostPort};

/// Registered port of Modbus over TCP, used when an address names none.
const DEFAULT_PORT: u16 = 502;

/// How requests and answers are framed on the connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Framing {
    /// Modbus TCP: each frame has a header with a transaction number and a length.
    Tcp,
    /// Serial line frames, with unit and checksum, through a TCP connection.
    RtuOverTcp,
}

impl Framing {
    const fn scheme(self) -> &'static str {
        match self {
            Self::Tcp => "modbus-tcp://",
            Self::RtuOverTcp => "modbus-rtu-tcp://",
        }
    }
}

/// Where an endpoint is and how it is spoken to.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Address {
    /// How frames are made.
    pub framing: Framing,
    /// Name or IP address (an IPv6 address without its brackets).
    pub host: String,
    /// TCP port.
    pub port: u16,
}

/// An endpoint address that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "'{text}' is not an endpoint address: {what}; write modbus-tcp://HOST:PORT, or modbus-rtu-tcp://HOST:PORT for RTU framing over TCP"
)]
pub struct AddressError {
    text: String,
    what: &'static str,
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = |what| AddressError { text: text.to_owned(), what };
        let (framing, rest) = [Framing::Tcp, Framing::RtuOverTcp]
            .into_iter()
            .find_map(|f| Some((f, text.strip_prefix(f.scheme())?)))
            .ok_or_else(|| wrong("it does not begin with modbus-tcp:// or modbus-rtu-tcp://"))?;
        let HostPort { host, port } = HostPort::read(rest, DEFAULT_PORT).map_err(wrong)?;
        Ok(Self { framing, host, port })
    }
}

impl std::fmt::Display for Address {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { framing, host, port } = self;
        host_port::show(f, framing.scheme(), host, *port)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_and_show_alike() {
        for (text, framing, host, port, shown) in [
            ("modbus-tcp://10.0.0.1:1502", Framing::Tcp, "10.0.0.1", 1502, "modbus-tcp://10.0.0.1:1502"),
            (
                "modbus-tcp://gateway-7.example",
                Framing::Tcp,
                "gateway-7.example",
                502,
                "modbus-tcp://gateway-7.example:502",
            ),
            (
                "modbus-rtu-tcp://[fd00::1]:4001",
                Framing::RtuOverTcp,
                "fd00::1",
                4001,
                "modbus-rtu-tcp://[fd00::1]:4001",
            ),
            (
                "modbus-rtu-tcp://[fd00::1]",
                Framing::RtuOverTcp,
                "fd00::1",
                502,
                "modbus-rtu-tcp://[fd00::1]:502",
            ),
        ] {
            let address: Address = text.parse().unwrap();
            assert_eq!(address, Address { framing, host: host.into(), port });
            assert_eq!(address.to_string(), shown);
        }
    }

    #[test]
    fn wrong_addresses_say_why() {
        for (text, why) in [
            ("10.0.0.1:502", "does not begin"),
            ("http://10.0.0.1", "does not begin"),
            ("modbus-tcp://", "host is empty"),
            ("modbus-tcp://a b", "characters"),
            ("modbus-tcp://h:0", "port is not"),
            ("modbus-tcp://h:99999", "port is not"),
            ("modbus-tcp://fd00::1", "needs brackets"),
            ("modbus-tcp://[fd00::1", "bracket"),
        ] {
            let error = text.parse::<Address>().unwrap_err().to_string();
            assert!(error.contains(why), "{error}");
        }
    }
}
