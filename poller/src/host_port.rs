//! The part of an endpoint address after its scheme: `HOST:PORT`.

/// Where something listens.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct HostPort {
    /// Name or IP address (an IPv6 address without its brackets).
    pub(crate) host: String,
    /// TCP port.
    pub(crate) port: u16,
}

impl HostPort {
    /// Reads `HOST`, `HOST:PORT`, `[IPV6]` or `[IPV6]:PORT`, perhaps with a slash behind; or says what is wrong.
    pub(crate) fn read(text: &str, default_port: u16) -> Result<Self, &'static str> {
        let (host, port) = split(text.strip_suffix('/').unwrap_or(text), default_port)?;
        let plain =
            !host.is_empty() && host.chars().all(|c| c.is_ascii_alphanumeric() || ".-_:%".contains(c));
        if !plain {
            return Err("the host is empty or has characters that no host name has");
        }
        Ok(Self { host: host.to_owned(), port })
    }
}

fn split(rest: &str, default_port: u16) -> Result<(&str, u16), &'static str> {
    const PORT: &str = "the port is not a number from 1 to 65535";
    let parse = |port: &str| port.parse::<u16>().ok().filter(|p| *p > 0).ok_or(PORT);
    if let Some(inner) = rest.strip_prefix('[') {
        let (host, after) = inner.split_once(']').ok_or("the bracket after the IPv6 address is missing")?;
        return match after.strip_prefix(':') {
            Some(port) => Ok((host, parse(port)?)),
            None if after.is_empty() => Ok((host, default_port)),
            None => Err(PORT),
        };
    }
    match rest.split_once(':') {
        Some((_, port)) if port.contains(':') => Err("an IPv6 address needs brackets"),
        Some((host, port)) => Ok((host, parse(port)?)),
        None => Ok((rest, default_port)),
    }
}

/// A whole address, with brackets where the host needs them.
pub(crate) fn show(f: &mut std::fmt::Formatter<'_>, scheme: &str, host: &str, port: u16) -> std::fmt::Result {
    if host.contains(':') { write!(f, "{scheme}[{host}]:{port}") } else { write!(f, "{scheme}{host}:{port}") }
}
