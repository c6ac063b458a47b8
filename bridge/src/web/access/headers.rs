//! The third door: what a browser may do with an answer.

use axum::extract::Request;
use axum::http::header::{CACHE_CONTROL, HeaderName, HeaderValue, SERVER};
use axum::middleware::Next;
use axum::response::Response;

/// Nothing but what this very page serves; no frame round it, no script or style inside it (CSP Level 3, W3C).
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; \
                      font-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// Headers of every answer that does not bring its own.
///
/// `same-origin` keeps addresses from other sites as `no-referrer` would; but under `no-referrer` browsers send forms
/// with `Origin: null` (Fetch Standard section 3.2), which can't be told from a foreign one.
const USUAL: [(&str, &str); 7] = [
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "same-origin"),
    // Names that browsers do not know are told as mistakes in their consoles.
    ("permissions-policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    // For browsers that do not know `frame-ancestors`.
    ("x-frame-options", "DENY"),
];

/// Gives every answer its headers.
pub(crate) async fn guarded(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.remove(SERVER);
    for (name, value) in USUAL {
        headers.entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    }
    headers.entry(CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}
