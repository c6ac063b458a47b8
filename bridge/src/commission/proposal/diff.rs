//! The difference of two texts, as people read it.

use similar::{ChangeTag, TextDiff};

/// Lines around a change that are shown with it.
const AROUND: usize = 3;

/// The unified difference in lines of at most `columns` characters: what is longer goes on after a backslash. `name` is
/// that of the file. Empty where nothing differs.
pub fn unified(name: &str, before: &str, after: &str, columns: usize) -> String {
    let diff = TextDiff::from_lines(before, after);
    let mut out = String::new();
    for group in diff.grouped_ops(AROUND) {
        let (Some(first), Some(last)) = (group.first(), group.last()) else { continue };
        let range = |from: usize, to: usize| format!("{},{}", from + 1, to - from);
        let old = range(first.old_range().start, last.old_range().end);
        let new = range(first.new_range().start, last.new_range().end);
        if out.is_empty() {
            out.push_str(&format!("--- {name}\n+++ {name}, corrected\n"));
        }
        out.push_str(&format!("@@ -{old} +{new} @@\n"));
        for change in group.iter().flat_map(|op| diff.iter_changes(op)) {
            let sign = match change.tag() {
                ChangeTag::Delete => '-',
                ChangeTag::Insert => '+',
                ChangeTag::Equal => ' ',
            };
            folded(&mut out, sign, change.value().trim_end_matches(['\n', '\r']), columns);
        }
    }
    out
}

fn folded(out: &mut String, sign: char, line: &str, columns: usize) {
    let width = columns.max(10) - 2;
    let shown: Vec<char> = line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let mut pieces = shown.chunks(width).peekable();
    if shown.is_empty() {
        out.push_str(&format!("{sign}\n"));
    }
    while let Some(piece) = pieces.next() {
        let more = if pieces.peek().is_some() { "\\" } else { "" };
        out.push_str(&format!("{sign}{}{more}\n", piece.iter().collect::<String>()));
    }
}
