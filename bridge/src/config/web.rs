//! Where the page is served.

use std::net::{Ipv4Addr, SocketAddr};

/// Where the page is served unless the home file says otherwise: on this computer only.
pub(crate) const USUAL: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8180);

/// The page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebConfig {
    /// Where it listens; `None` where the home file wants no page.
    pub listen: Option<SocketAddr>,
    /// Whether the home file says so. Where it does not, an address that is taken is no trouble.
    pub written: bool,
}

impl Default for WebConfig {
    fn default() -> WebConfig {
        WebConfig { listen: Some(USUAL), written: false }
    }
}
