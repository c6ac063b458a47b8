//! Where readings are forwarded to.

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use super::grammar::Fault;
use super::secret::SecretSource;

/// The database that everything is forwarded to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InfluxConfig {
    /// Where it is.
    pub url: InfluxUrl,
    /// The organisation there.
    pub org: String,
    /// The bucket to write to.
    pub bucket: String,
    /// Where the token comes from; fetched for each batch. None is sent where there is none.
    pub token: Option<SecretSource>,
    /// Certificate (PEM) of the authority that signed the database's; the usual ones where `None`.
    pub ca_file: Option<PathBuf>,
    /// How often what is new is sent.
    pub every: Duration,
}

/// The parts of a database's address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InfluxUrl {
    /// Name or address of the host; an IPv6 address in brackets.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Whether the connection is encrypted.
    pub tls: bool,
}

impl InfluxUrl {
    /// Whether the database runs on this machine, as far as its address tells.
    pub fn is_loopback(&self) -> bool {
        let bare = self.host.trim_start_matches('[').trim_end_matches(']');
        bare == "localhost" || bare.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
    }
}

impl fmt::Display for InfluxUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scheme = if self.tls { "https" } else { "http" };
        write!(f, "{scheme}://{}:{}", self.host, self.port)
    }
}

/// Reads `http://HOST[:PORT]` or `https://HOST[:PORT]`.
pub(crate) fn read_url(text: &str) -> Result<InfluxUrl, Fault> {
    let Some((scheme, rest)) = text.split_once("://") else {
        return Err(bad(format!("\"http://{text}\" perhaps?")));
    };
    let (tls, usual_port) = match scheme {
        "http" => (false, 80),
        "https" => (true, 443),
        _ => return Err(bad("starts with http:// or https://")),
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains('@') {
        return Err(Fault {
            label: "a user or password in the address".to_owned(),
            help: Some(
                "InfluxDB 2 takes a token: write `token_file = \"..\"` or `token_env = \"..\"`".to_owned(),
            ),
        });
    }
    if rest.contains(['/', '?', '#', ' ', '\\']) {
        return Err(Fault {
            label: "nothing may follow the port".to_owned(),
            help: Some(
                "Overspill writes to /api/v2/write below the address itself; a database behind a path is not \
                 reached. `org` and `bucket` are keys of their own"
                    .to_owned(),
            ),
        });
    }
    let (host, port) = super::broker::split_port(rest)?;
    let port = match port {
        Some(port) => port.parse().ok().filter(|p| *p > 0).ok_or_else(|| bad("no port from 1 to 65535"))?,
        None => usual_port,
    };
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
    let is_ipv6 = host.contains(':');
    if host.is_empty() || (!is_ipv6 && !host.chars().all(fits)) {
        return Err(bad(if host.is_empty() {
            "the host is missing"
        } else {
            "no name or address of a host"
        }));
    }
    let host = if is_ipv6 { format!("[{host}]") } else { host.to_owned() };
    Ok(InfluxUrl { host, port, tls })
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
        for (text, shown) in [
            ("http://127.0.0.1:8086", "http://127.0.0.1:8086"),
            ("http://influx.lan/", "http://influx.lan:80"),
            ("https://influx.example", "https://influx.example:443"),
            ("http://[::1]:8086", "http://[::1]:8086"),
        ] {
            assert_eq!(read_url(text).unwrap().to_string(), shown);
        }
        assert!(read_url("http://[::1]:8086").unwrap().is_loopback());
        assert!(!read_url("http://influx.lan").unwrap().is_loopback());
    }

    #[test]
    fn what_is_no_address_is_refused() {
        for text in [
            "127.0.0.1:8086",
            "mqtt://x",
            "http://",
            "http://x:0",
            "http://a:b@x",
            "http://x/influx",
            "http://x?org=y",
            "http://x y",
            "http://x\n",
            "http://[x]",
            "http://é",
            "http://x:80:80",
        ] {
            assert!(read_url(text).is_err(), "{text}");
        }
    }
}
