//! The closed list of what the controller tells people, by code.

/// Codes of the notices that the controller gives, in alphabetical order. The shell has further ones of its own, about
/// brokers, files and databases.
pub const NOTICE_CODES: [&str; 20] = [
    "device_clock",
    "fresh",
    "implausible",
    "late",
    "misfit",
    "moved",
    "need_not_met",
    "no_answer",
    "not_counted",
    "odd_response",
    "out_of_service",
    "out_of_service_refused",
    "override_refused",
    "reversed",
    "rule_failed",
    "rule_suspended",
    "rule_tells",
    "setting_refused",
    "stale",
    "unreadable",
];
