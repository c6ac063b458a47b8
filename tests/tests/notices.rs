//! The list of notice codes is what the controller tells: its sources are read, which the core itself may not do.
#![allow(missing_docs, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::Path;

use overspill_rules::notices::NOTICE_CODES;

/// Words in quotes that follow a severity in the sources of the controller.
fn told_by_the_controller() -> BTreeSet<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../rules/src/controller");
    let mut found = BTreeSet::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        for after in text.split("Severity::").skip(1) {
            let rest = after.trim_start_matches(char::is_alphabetic);
            let quoted = rest.strip_prefix(',').map(str::trim_start).and_then(|r| r.strip_prefix('"'));
            found.extend(quoted.and_then(|q| q.split('"').next()).map(str::to_owned));
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
