//! Where the broker is and how to log in to it.

use std::fmt;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use super::grammar::Fault;
use super::secret::SecretSource;

/// The broker that readings and commands pass through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MqttConfig {
    /// Where to connect to: the embedded broker's address where the home file names no other.
    pub broker: BrokerUrl,
    /// The user to log in as.
    pub user: Option<String>,
    /// Where the password comes from; only where `user` is set.
    pub password: Option<SecretSource>,
    /// Certificate (PEM) of the authority that signed the broker's; the usual ones where `None`.
    pub ca_file: Option<PathBuf>,
    /// The name to connect under.
    pub client_id: String,
    /// The version to try first.
    pub version: MqttVersion,
    /// The broker to be, where the home has no other.
    pub embedded: Option<Embedded>,
    /// Everything is published below this topic; no slash at its end.
    pub prefix: String,
    /// Whether commands to loads are retained.
    pub retain_commands: bool,
}

/// The parts of a broker's address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerUrl {
    /// Name or address of the host, without brackets.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Whether the connection is encrypted.
    pub tls: bool,
}

/// Versions of MQTT.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MqttVersion {
    /// 5, and 3.1.1 where the broker refuses it.
    V5,
    /// 3.1.1.
    V311,
}

/// The broker inside Overspill.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Embedded {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Who may log in; nobody needs to where this is empty (then it listens on loopback only).
    pub users: Vec<BrokerUser>,
}

/// A user of the embedded broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerUser {
    /// The name to log in with.
    pub name: String,
    /// Where the password comes from.
    pub password: SecretSource,
}

impl BrokerUrl {
    /// Whether the broker runs on this machine, as far as its address tells.
    pub fn is_loopback(&self) -> bool {
        self.host == "localhost" || self.host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
    }
}

impl fmt::Display for BrokerUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scheme = if self.tls { "mqtts" } else { "mqtt" };
        match self.host.contains(':') {
            true => write!(f, "{scheme}://[{}]:{}", self.host, self.port),
            false => write!(f, "{scheme}://{}:{}", self.host, self.port),
        }
    }
}

/// Reads `mqtt://HOST[:PORT]` or `mqtts://HOST[:PORT]`.
pub(crate) fn read_url(text: &str) -> Result<BrokerUrl, Fault> {
    let Some((scheme, rest)) = text.split_once("://") else {
        return Err(bad(format!("\"mqtt://{text}\" perhaps?")));
    };
    let (tls, usual_port) = match scheme {
        "mqtt" => (false, 1883),
        "mqtts" => (true, 8883),
        _ => return Err(bad("starts with mqtt:// or mqtts://")),
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains('@') {
        return Err(Fault {
            label: "a user or password in the address".to_owned(),
            help: Some(
                "write `user = \"..\"` and `password_file = \"..\"` or `password_env = \"..\"`".to_owned(),
            ),
        });
    }
    if rest.contains(['/', '?', '#', ' ']) {
        return Err(bad("nothing may follow the port"));
    }
    let (host, port) = split_port(rest)?;
    let port = match port {
        Some(port) => port.parse().ok().filter(|p| *p > 0).ok_or_else(|| bad("no port from 1 to 65535"))?,
        None => usual_port,
    };
    match host.is_empty() {
        true => Err(bad("the host is missing")),
        false => Ok(BrokerUrl { host: host.to_owned(), port, tls }),
    }
}

/// Host (an IPv6 address without its brackets) and port.
pub(crate) fn split_port(rest: &str) -> Result<(&str, Option<&str>), Fault> {
    if let Some(inside) = rest.strip_prefix('[') {
        let (host, after) = inside.split_once(']').ok_or_else(|| bad("the bracket is not closed"))?;
        return match (host.parse::<std::net::Ipv6Addr>(), after.strip_prefix(':'), after.is_empty()) {
            (Err(_), _, _) => Err(bad("no IPv6 address in the brackets")),
            (Ok(_), port @ Some(_), _) => Ok((host, port)),
            (Ok(_), None, true) => Ok((host, None)),
            (Ok(_), None, false) => Err(bad("a port follows after \":\"")),
        };
    }
    match rest.split_once(':') {
        Some((_, port)) if port.contains(':') => Err(bad("an IPv6 address stands in brackets")),
        Some((host, port)) => Ok((host, Some(port))),
        None => Ok((rest, None)),
    }
}

fn bad(label: impl Into<String>) -> Fault {
    Fault { label: label.into(), help: None }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn addresses_are_read_into_their_parts() {
        for (text, host, port, tls) in [
            ("mqtt://127.0.0.1:1884", "127.0.0.1", 1884, false),
            ("mqtt://broker.lan", "broker.lan", 1883, false),
            ("mqtts://broker.lan/", "broker.lan", 8883, true),
            ("mqtt://[::1]:1883", "::1", 1883, false),
        ] {
            assert_eq!(read_url(text), Ok(BrokerUrl { host: host.to_owned(), port, tls }), "{text}");
        }
        assert_eq!(read_url("mqtt://[::1]:1883").unwrap().to_string(), "mqtt://[::1]:1883");
    }

    #[test]
    fn what_is_no_address_is_refused() {
        for text in [
            "127.0.0.1:1883",
            "http://x",
            "mqtt://",
            "mqtt://x:0",
            "mqtt://x:99999",
            "mqtt://a:b@x",
            "mqtt://x/y",
            "mqtt://::1",
            "mqtt://[::1",
            "mqtt://[::1]x",
            "mqtt://[x]",
        ] {
            assert!(read_url(text).is_err(), "{text}");
        }
    }
}
