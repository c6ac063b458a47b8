//! Notices of the shell itself: the link, the store, the rule files.

use overspill_rules::input::About;
use overspill_rules::output::{Notice, Severity};
use overspill_rules::time::WallTime;

/// A notice about the home as a whole.
pub(super) fn notice(at: Option<WallTime>, severity: Severity, code: &str, text: String) -> Notice {
    Notice { at, severity, code: code.to_owned(), text, about: About::Home }
}

/// Writes a notice to the log.
pub(super) fn log(notice: &Notice) {
    let code = notice.code.as_str();
    match notice.severity {
        Severity::Info => tracing::info!(code, "{}", notice.text),
        Severity::Warning => tracing::warn!(code, "{}", notice.text),
        Severity::Problem => tracing::error!(code, "{}", notice.text),
    }
}
