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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use std::collections::BTreeSet;
    use std::path::Path;

    use super::*;

    /// Words in quotes that follow a severity in the sources of the controller.
    fn told_by_the_controller() -> BTreeSet<String> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/controller");
        let files =
            std::fs::read_dir(folder).unwrap().map(|e| std::fs::read_to_string(e.unwrap().path()).unwrap());
        let mut found = BTreeSet::new();
        for text in files {
            for after in text.split("Severity::").skip(1) {
                let rest = after.trim_start_matches(char::is_alphabetic);
                let Some(quoted) =
                    rest.strip_prefix(',').map(str::trim_start).and_then(|r| r.strip_prefix('"'))
                else {
                    continue;
                };
                found.insert(quoted.split('"').next().unwrap().to_owned());
            }
        }
        found
    }

    #[test]
    fn the_list_is_what_the_controller_tells() {
        let listed: BTreeSet<String> = NOTICE_CODES.iter().map(|c| (*c).to_owned()).collect();
        assert_eq!(told_by_the_controller(), listed);
        assert!(NOTICE_CODES.is_sorted());
    }
}
