//! The style and the script, embedded in the program. Their addresses carry a mark of their content, so that a browser
//! may keep them for ever.

use std::sync::LazyLock;

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::IntoResponse;
use sha2::{Digest, Sha256};

const STYLE: &str = include_str!("../../assets/page.css");
const SCRIPT: &str = include_str!("../../assets/page.js");
const AGAIN: &str = include_str!("../../assets/again.js");
const EDITOR: &str = include_str!("../../assets/editor.js");
const HISTORY: &str = include_str!("../../assets/history.js");
const COMMISSION: &str = include_str!("../../assets/commission.js");
const ICON: &str = include_str!("../../assets/icon.svg");

static STYLE_PATH: LazyLock<String> = LazyLock::new(|| format!("/style-{}.css", mark(STYLE)));
static SCRIPT_PATH: LazyLock<String> = LazyLock::new(|| format!("/script-{}.js", mark(SCRIPT)));
static AGAIN_PATH: LazyLock<String> = LazyLock::new(|| format!("/again-{}.js", mark(AGAIN)));
static EDITOR_PATH: LazyLock<String> = LazyLock::new(|| format!("/editor-{}.js", mark(EDITOR)));

static HISTORY_PATH: LazyLock<String> = LazyLock::new(|| format!("/history-{}.js", mark(HISTORY)));
static COMMISSION_PATH: LazyLock<String> = LazyLock::new(|| format!("/commission-{}.js", mark(COMMISSION)));

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

/// Where the script is that keeps parts of pages fresh.
pub(crate) fn again_path() -> &'static str {
    &AGAIN_PATH
}

/// Where the script of the rules' editor is.
pub(crate) fn editor_path() -> &'static str {
    &EDITOR_PATH
}

/// Where the script of the history is.
pub(crate) fn history_path() -> &'static str {
    &HISTORY_PATH
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

/// The script that keeps parts of pages fresh.
pub(crate) async fn again() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], AGAIN)
}

/// The script of the rules' editor.
pub(crate) async fn editor() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], EDITOR)
}

/// The script of the history.
pub(crate) async fn history() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], HISTORY)
}

/// The script of a commissioning.
pub(crate) async fn commission() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEEP)], COMMISSION)
}

/// The picture that browsers show beside the title.
pub(crate) async fn icon() -> impl IntoResponse {
    ([(CONTENT_TYPE, "image/svg+xml"), (CACHE_CONTROL, "public, max-age=86400")], ICON)
}
