//! The reference page of the rules is generated from the words that the engine knows, and never stale.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use std::path::Path;

use overspill_rules::script::{definitions, reference_text};

fn page() -> String {
    format!(
        "# What a rule can say\n\n\
         Generated from the vocabulary of the rule engine; `REFRESH_GOLDEN=1 cargo test -p overspill-tests --test vocabulary`\n\
         writes it afresh. A unit stands in brackets behind what has one.\n\n```text\n{}```\n",
        reference_text()
    )
}

/// Compares a file of `rules` with what it should hold, or writes it afresh.
fn is_fresh(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../rules").join(name);
    if std::env::var_os("REFRESH_GOLDEN").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == text, "rules/{name} is stale; refresh it with REFRESH_GOLDEN=1");
}

#[test]
fn the_reference_page_is_the_vocabulary() {
    is_fresh("VOCABULARY.md", &page());
}

#[test]
fn the_definitions_for_editors_are_the_vocabulary() {
    is_fresh("overspill.d.rhai", &definitions());
}
