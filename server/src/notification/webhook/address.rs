//! Which network addresses a webhook may be sent to. People type these addresses in, so without a check anyone who may edit
//! recipients could make this server speak to machines that only it can reach.

use std::{
    io,
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr},
    sync::Arc,
};

use ipnet::IpNet;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};

/// Decides about addresses, and looks names up for the HTTP client so that what was checked is what is connected to.
#[derive(Debug, Clone)]
pub(crate) struct Guard {
    allow: Arc<[IpNet]>,
    /// Whether public addresses are fine as well.
    public: bool,
}

impl Guard {
    /// Lets through the public addresses and these networks.
    pub(crate) fn public_and(allow: &[IpNet]) -> Self {
        Self { allow: allow.into(), public: true }
    }

    /// Lets through these networks alone.
    pub(crate) fn only(allow: &[IpNet]) -> Self {
        Self { allow: allow.into(), public: false }
    }

    pub(crate) fn permits(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.allow.iter().any(|net| net.contains(&address)) || (self.public && is_public(address))
    }

    /// Why an address that is not permitted is not.
    pub(crate) fn refusal(&self, host: &str) -> String {
        if self.public {
            format!(
                "{host} is not a public address: a server on your own network must be in a network that the settings allow for webhooks"
            )
        } else {
            format!(
                "{host} must be reached by https:, or be in a network that the settings allow for webhooks"
            )
        }
    }
}

/// The error that says that a name leads to addresses of which none is permitted.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct Refused(String);

impl Resolve for Guard {
    fn resolve(&self, name: Name) -> Resolving {
        let guard = self.clone();
        Box::pin(async move {
            let found: Vec<SocketAddr> = tokio::net::lookup_host((name.as_str(), 0)).await?.collect();
            if found.is_empty() {
                return Err(io::Error::from(io::ErrorKind::NotFound).into());
            }
            let permitted: Vec<_> = found.into_iter().filter(|a| guard.permits(a.ip())).collect();
            if permitted.is_empty() {
                return Err(Refused(guard.refusal(name.as_str())).into());
            }
            Ok(Box::new(permitted.into_iter()) as Addrs)
        })
    }
}

/// Whether the whole world can reach it: in none of the blocks that IANA's special-purpose registries keep from global use.
fn is_public(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => is_public_v4(v4),
        IpAddr::V6(v6) => is_public_v6(v6),
    }
}

fn is_public_v4(address: Ipv4Addr) -> bool {
    let [a, b, c, _] = address.octets();
    !(a == 0
        || address.is_loopback()
        || address.is_private()
        || address.is_link_local()
        || address.is_documentation()
        || address.is_multicast()
        || a >= 240
        // shared address space (RFC 6598), IETF protocol assignments (RFC 6890), benchmarking (RFC 2544)
        || (a == 100 && (64..128).contains(&b))
        || (a == 192 && b == 0 && c == 0)
        || (a == 198 && (b == 18 || b == 19)))
}

fn is_public_v6(address: Ipv6Addr) -> bool {
    let s = address.segments();
    // Global unicast is 2000::/3; of that, not documentation, Teredo (2001::/32), nor 6to4 (2002::/16), which can carry any
    // IPv4 address inside. Everything else, NAT64 among it, is not.
    (s[0] & 0xe000) == 0x2000
        && s[0] != 0x2002
        && !(s[0] == 0x2001 && (s[1] == 0 || s[1] == 0x0db8))
        && !(s[0] == 0x3fff && s[1] < 0x1000)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn public(address: &str) -> bool {
        Guard::public_and(&[]).permits(address.parse().unwrap())
    }

    /// The blocks are those of the IANA IPv4 and IPv6 Special-Purpose Address Registries.
    #[test]
    fn addresses_that_only_we_can_reach_are_refused() {
        for address in [
            "0.0.0.0",
            "10.1.2.3",
            "100.64.0.1",
            "127.0.0.1",
            "127.9.9.9",
            "169.254.169.254",
            "172.16.0.1",
            "172.31.255.255",
            "192.0.0.8",
            "192.168.1.1",
            "192.0.2.1",
            "198.18.0.1",
            "198.51.100.1",
            "203.0.113.1",
            "224.0.0.1",
            "240.0.0.1",
            "255.255.255.255",
            "::",
            "::1",
            "::ffff:10.0.0.1",
            "64:ff9b::a00:1",
            "2001:db8::1",
            "2002:a00:1::1",
            "fc00::1",
            "fd12::1",
            "fe80::1",
            "ff02::1",
            "2001::1",
        ] {
            assert!(!public(address), "{address}");
        }
    }

    #[test]
    fn public_addresses_are_fine() {
        for address in
            ["1.1.1.1", "100.63.255.255", "172.32.0.1", "192.167.0.1", "2606:4700::1111", "::ffff:1.1.1.1"]
        {
            assert!(public(address), "{address}");
        }
    }

    #[test]
    fn a_listed_network_is_let_through_and_nothing_beside_it() {
        let guard = Guard::public_and(&["10.20.0.0/16".parse().unwrap()]);
        assert!(guard.permits("10.20.3.4".parse().unwrap()));
        assert!(guard.permits("::ffff:10.20.3.4".parse().unwrap()));
        assert!(!guard.permits("10.21.3.4".parse().unwrap()));
        let only = Guard::only(&["10.20.0.0/16".parse().unwrap()]);
        assert!(!only.permits("1.1.1.1".parse().unwrap()));
    }

    #[tokio::test]
    async fn a_name_that_leads_home_is_refused() {
        let refused =
            Guard::public_and(&[]).resolve("localhost".parse().unwrap()).await.err().expect("a refusal");
        assert!(refused.downcast_ref::<Refused>().is_some(), "{refused}");
        let home = ["127.0.0.0/8".parse().unwrap(), "::1/128".parse().unwrap()];
        assert!(Guard::public_and(&home).resolve("localhost".parse().unwrap()).await.is_ok());
    }
}
