//! Laws that hold for any text whatsoever.
#![allow(clippy::unwrap_used)]

use std::path::Path;

use overspill::config::{self, Look, Severity};
use proptest::prelude::*;

const WREN: &str = include_str!("../../examples/wren/home.toml");

/// No panic, and a file is refused exactly when a mistake is told; every place can be shown.
fn holds(text: &str) -> Result<(), TestCaseError> {
    match config::parse(text, Path::new("home.toml")) {
        Ok(config) => prop_assert_eq!(config.warnings.errors(), 0),
        Err(found) => {
            prop_assert!(found.errors() > 0);
            prop_assert!(found.list().iter().all(|d| d.code != "internal"), "{}", found.render(Look::PLAIN));
            let words = found.list().iter().filter(|d| d.severity == Severity::Error);
            prop_assert!(words.into_iter().all(|d| !d.message.is_empty()));
            let _ = (found.render(Look::PLAIN), found.to_json());
        }
    }
    Ok(())
}

/// The example home with some lines left out, doubled, swapped or with a value of another kind.
fn damaged() -> impl Strategy<Value = String> {
    let values = prop::sample::select(vec![
        "-1",
        "0",
        "1e400",
        "nan",
        "true",
        "\"\"",
        "\"none\"",
        "\"off\"",
        "\"30s\"",
        "[]",
        "[1, 2]",
        "{}",
        "{ a = 1 }",
        "\"é\"",
        "\"grid\"",
        "\"load.car\"",
        "1979-05-27",
        "\"\u{1F600}",
        "'",
        "]",
    ]);
    let change = (any::<prop::sample::Index>(), 0..4usize, values);
    prop::collection::vec(change, 1..6).prop_map(|changes| {
        let mut lines: Vec<String> = WREN.lines().map(str::to_owned).collect();
        for (at, how, value) in changes {
            let at = at.index(lines.len());
            match how {
                0 => drop(lines.remove(at)),
                1 => lines.insert(at, lines[at].clone()),
                2 => lines.swap(at, 0),
                _ => {
                    let key = lines[at].split('=').next().unwrap_or_default().to_owned();
                    lines[at] = format!("{key}= {value}");
                }
            }
        }
        lines.join("\n")
    })
}

proptest! {
    #[test]
    fn a_damaged_home_file_is_told_about_or_taken_whole(text in damaged()) {
        holds(&text)?;
    }

    #[test]
    fn any_text_at_all_is_told_about(text in "\\PC*") {
        holds(&text)?;
    }

    #[test]
    fn any_bytes_cut_out_are_told_about(from in 0..WREN.len(), to in 0..WREN.len()) {
        let kept: String = WREN.char_indices().filter(|(i, _)| *i < from || *i > to).map(|(_, c)| c).collect();
        holds(&kept)?;
    }
}
