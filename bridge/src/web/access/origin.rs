//! Where a request comes from, as far as it says: the host it was made for, and the page it was made by.

use std::net::IpAddr;

use axum::http::header::{HOST, ORIGIN};
use axum::http::uri::{Authority, Uri};
use axum::http::{HeaderMap, Method};

/// The host and port that a request was made for; `None` where it does not say, or says two.
pub(in crate::web) fn authority(uri: &Uri, headers: &HeaderMap) -> Option<Authority> {
    if let Some(authority) = uri.authority() {
        return Some(authority.clone());
    }
    let mut hosts = headers.get_all(HOST).iter();
    match (hosts.next(), hosts.next()) {
        (Some(host), None) => host.to_str().ok()?.parse().ok(),
        _ => None,
    }
}

/// Whether the host is this computer by a name that nobody else can point elsewhere. A page on the web can make its own
/// name mean 127.0.0.1 and so reach what listens there (DNS rebinding); it can't make `localhost` its own.
pub(in crate::web) fn is_this_computer(authority: &Authority) -> bool {
    let host = authority.host();
    let bare = host.strip_prefix('[').and_then(|host| host.strip_suffix(']')).unwrap_or(host);
    host.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok_and(|ip| ip.to_canonical().is_loopback())
}

/// Whether another site's page loads something from here (Fetch Metadata, W3C). Following a link to a page is no harm;
/// embedding and fetching are nobody's business but ours.
pub(in crate::web) fn is_foreign_load(method: &Method, headers: &HeaderMap) -> bool {
    let said = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or_default());
    match said("sec-fetch-site") {
        None | Some("same-origin" | "none") => false,
        Some(_) => {
            let link =
                said("sec-fetch-mode") == Some("navigate") && said("sec-fetch-dest") == Some("document");
            !(method.is_safe() && link)
        }
    }
}

/// Whether the page that makes a change is ours. Every browser of today sends `Origin` with a POST (Fetch Standard
/// section 3.2), so one that says nothing is taken for none.
pub(in crate::web) fn is_ours(authority: &Authority, headers: &HeaderMap, behind_https: bool) -> bool {
    match headers.get(ORIGIN) {
        Some(origin) => {
            let origin = origin.to_str().unwrap_or_default();
            let https = origin.strip_prefix("https://").map(|of| (of, ":443"));
            let http = origin.strip_prefix("http://").filter(|_| !behind_https).map(|of| (of, ":80"));
            https.or(http).is_some_and(|(of, usual)| {
                let bare = |host: &str| host.strip_suffix(usual).unwrap_or(host).to_ascii_lowercase();
                bare(of) == bare(authority.as_str())
            })
        }
        None => headers.get("sec-fetch-site").is_some_and(|site| site == "same-origin"),
    }
}

/// The viewer's address: the connection's, or what the proxy before us says it was. The last entry is the proxy's own;
/// those before it are hearsay.
pub(super) fn address(connection: IpAddr, headers: &HeaderMap, behind_https: bool) -> IpAddr {
    let said = || {
        let last = headers.get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
        last.rsplit(',').next()?.trim().parse().ok()
    };
    behind_https.then(said).flatten().unwrap_or(connection)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(*name, value.parse().unwrap());
        }
        headers
    }

    fn host(text: &str) -> Authority {
        text.parse().unwrap()
    }

    #[test]
    fn this_computer_has_few_names() {
        for name in
            ["localhost", "LocalHost:8180", "127.0.0.1:8180", "127.3.2.1", "[::1]:8180", "[::ffff:127.0.0.1]"]
        {
            assert!(is_this_computer(&host(name)), "{name}");
        }
        for name in [
            "evil.example",
            "localhost.evil.example",
            "192.168.1.2:8180",
            "0.0.0.0",
            "[::2]:1",
            "127.0.0.1.nip.example",
        ] {
            assert!(!is_this_computer(&host(name)), "{name}");
        }
    }

    #[test]
    fn a_request_says_one_host() {
        let one = headers(&[("host", "a:1")]);
        assert_eq!(authority(&"/x".parse().unwrap(), &one), Some(host("a:1")));
        assert_eq!(
            authority(&"http://b:2/x".parse().unwrap(), &one),
            Some(host("b:2")),
            "RFC 9112 section 3.2.2"
        );
        assert_eq!(authority(&"/x".parse().unwrap(), &headers(&[("host", "a"), ("host", "b")])), None);
        assert_eq!(authority(&"/x".parse().unwrap(), &HeaderMap::new()), None);
    }

    #[test]
    fn links_may_come_from_anywhere_and_loads_from_here_alone() {
        let link = [
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-mode", "navigate"),
            ("sec-fetch-dest", "document"),
        ];
        assert!(!is_foreign_load(&Method::GET, &headers(&link)));
        assert!(is_foreign_load(&Method::POST, &headers(&link)));
        assert!(!is_foreign_load(&Method::POST, &headers(&[("sec-fetch-site", "same-origin")])));
        assert!(!is_foreign_load(&Method::GET, &HeaderMap::new()));
        for (site, mode, dest) in [
            ("cross-site", "no-cors", "image"),
            ("same-site", "cors", "empty"),
            ("cross-site", "navigate", "iframe"),
        ] {
            let load =
                headers(&[("sec-fetch-site", site), ("sec-fetch-mode", mode), ("sec-fetch-dest", dest)]);
            assert!(is_foreign_load(&Method::GET, &load), "{site} {mode} {dest}");
        }
    }

    #[test]
    fn a_change_comes_from_a_page_of_this_very_host_and_port() {
        let ours = |at: &str, origin: &str| is_ours(&host(at), &headers(&[("origin", origin)]), false);
        assert!(ours("home.lan:8180", "http://home.lan:8180"));
        assert!(ours("home.lan", "http://home.lan:80") && ours("home.lan:443", "https://HOME.lan"));
        for foreign in
            ["http://home.lan:8181", "http://home.lan", "null", "http://evil.example:8180", "", "file://"]
        {
            assert!(!ours("home.lan:8180", foreign), "{foreign}");
        }
        assert!(!is_ours(&host("home.lan"), &HeaderMap::new(), false));
        assert!(is_ours(&host("home.lan"), &headers(&[("sec-fetch-site", "same-origin")]), false));
        assert!(!is_ours(&host("home.lan"), &headers(&[("sec-fetch-site", "same-site")]), false));
        assert!(
            !is_ours(&host("home.lan"), &headers(&[("origin", "http://home.lan")]), true),
            "https was said"
        );
        assert!(is_ours(&host("home.lan"), &headers(&[("origin", "https://home.lan")]), true));
    }

    #[test]
    fn only_the_proxy_says_whose_address_it_is() {
        let connection = IpAddr::from([127, 0, 0, 1]);
        let said = headers(&[("x-forwarded-for", "10.0.0.1"), ("x-forwarded-for", "10.0.0.2, 10.0.0.3")]);
        assert_eq!(address(connection, &said, false), connection);
        assert_eq!(address(connection, &said, true), IpAddr::from([10, 0, 0, 3]));
        assert_eq!(address(connection, &headers(&[("x-forwarded-for", "no address")]), true), connection);
    }
}
