//! The style and the script, embedded in the program. Their addresses carry a mark of their content, so that a browser
//! may keep them for ever.

use std::sync::LazyLock;

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::IntoResponse;
use sha2::{Digest, Sha256};

const STYLE: &str = include_str!("../../assets/page.css");
const SCRIPT: &str = include_str!("../../assets/page.js");
const COMMISSION: &str = include_str!("../../assets/commission.js");
const ICON: &str = include_str!("../../assets/icon.svg");

static STYLE_PATH: LazyLock<String> = LazyLock::new(|| format!("/style-{}.css", mark(STYLE)));
static SCRIPT_PATH: LazyLock<String> = LazyLock::new(|| format!("/script-{}.js", mark(SCRIPT)));
static COMMISSION_PATH: LazyLock<String> =
    LazyLock::new(|| format!("/commission-{}.js", mark(COMMISSION)));

/// For ever: another content has another address.
const KEEP: &str = "public, max-age=31536000, immutable";

fn mark(content: &str) -> String {
    Sha256::digest(content).iter().take(6).map(|byte| format!("{byte:02x}")).collect()
}

/// Where the style is.
pub(crate) fn style_path() -> &'static str {
    &STYLE_PATH
}

/// Where the script is.
pub(crate) fn script_path() -> &'static str {
    &SCRIPT_PATH
}

/// Where the script of a commissioning is.
pub(crate) fn commission_path() -> &'static str {
    &COMMISSION_PATH
}

/// The style.
pub(crate) async fn style() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, KEEP)], STYLE)
}

/// The script.
pub(crate) async fn script() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], SCRIPT)
}

/// The script of a commissioning.
pub(crate) async fn commission() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], COMMISSION)
}

/// The picture that browsers show beside the title.
pub(crate) async fn icon() -> impl IntoResponse {
    ([(CONTENT_TYPE, "image/svg+xml"), (CACHE_CONTROL, "public, max-age=86400")], ICON)
}
