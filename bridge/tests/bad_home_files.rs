//! A table of bad and doubtful home files, `home_files/NAME.toml`, each with what people read about it,
//!
//! To write the texts afresh after a change of wording, and then to read every difference:
//!
//! ```text
//! REFRESH_GOLDEN=1 cargo test -p overspill --test bad_home_files && git diff bridge/tests/home_files
//! ```
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::{Path, PathBuf};

use overspill::config::{self, Look, ReadError};

const FOLDER: &str = "tests/home_files";

fn cases() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(FOLDER).unwrap().map(|e| e.unwrap().path());
    let mut cases: Vec<PathBuf> = entries.filter(|p| p.extension().is_some_and(|e| e == "toml")).collect();
    cases.sort();
    cases
}

fn told(case: &Path) -> String {
    match config::read(case) {
        Err(ReadError::Mistakes(found)) => format!("{}\n", found.render(Look::PLAIN)),
        Err(other) => panic!("{}: {other}", case.display()),
        Ok(config) if config.warnings.list().is_empty() => panic!("{} is good", case.display()),
        Ok(config) => format!("{}\n", config.warnings.render(Look::PLAIN)),
    }
}

#[test]
fn every_bad_home_file_is_told_as_written_beside_it() {
    let refresh = std::env::var_os("REFRESH_GOLDEN").is_some();
    let mut wrong = Vec::new();
    for case in cases() {
        let golden = case.with_extension("txt");
        let told = told(&case);
        if refresh {
            std::fs::write(&golden, &told).unwrap();
        } else if std::fs::read_to_string(&golden).unwrap_or_default() != told {
            wrong.push(format!("{}:\n{told}", case.display()));
        }
    }
    assert!(wrong.is_empty(), "{} differ from the text beside them:\n\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn the_table_is_long_and_its_lines_fit_a_terminal() {
    let cases = cases();
    assert!(cases.len() >= 45, "only {}", cases.len());
    for case in cases {
        for line in told(&case).lines() {
            assert!(line.chars().count() <= 80, "{}: {line}", case.display());
        }
    }
}

#[test]
fn no_password_is_ever_repeated() {
    for case in cases() {
        let text = std::fs::read_to_string(&case).unwrap();
        let Err(ReadError::Mistakes(found)) = config::read(&case) else { continue };
        if text.contains("hunter2") {
            let shown = format!("{}{}{:?}", found.render(Look::PLAIN), found.to_json(), found);
            assert!(!shown.contains("hunter2"), "{}", case.display());
        }
    }
}
