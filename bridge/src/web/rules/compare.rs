//! What differs between two texts, line by line, told by signs and not by colour alone.

use serde::Serialize;
use similar::{ChangeTag, TextDiff};
use utoipa::ToSchema;

/// Lines around a change that are shown with it.
const AROUND: usize = 3;

/// One line of a comparison.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Compared {
    /// `+` only in the later text, `-` only in the earlier one, a space in both, `@` where lines are left out.
    pub(crate) sign: &'static str,
    /// The line.
    pub(crate) text: String,
}

impl Compared {
    /// What the sign says, for whoever hears it.
    pub(crate) fn heard(&self) -> &'static str {
        match self.sign {
            "+" => "added: ",
            "-" => "removed: ",
            _ => "",
        }
    }

    /// The class of the page's style.
    pub(crate) fn class(&self) -> &'static str {
        match self.sign {
            "+" => "added",
            "-" => "gone",
            "@" => "left-out",
            _ => "both",
        }
    }
}

/// The lines that differ, with some around them; empty where the texts are the same.
pub(crate) fn compared(earlier: &str, later: &str) -> Vec<Compared> {
    let diff = TextDiff::from_lines(earlier, later);
    let mut lines = Vec::new();
    for group in diff.grouped_ops(AROUND) {
        let Some(first) = group.first() else { continue };
        lines.push(Compared { sign: "@", text: format!("from line {}", first.new_range().start + 1) });
        for change in group.iter().flat_map(|op| diff.iter_changes(op)) {
            let sign = match change.tag() {
                ChangeTag::Insert => "+",
                ChangeTag::Delete => "-",
                ChangeTag::Equal => " ",
            };
            let ends = if change.value().ends_with("\r\n") { " (ends with a carriage return)" } else { "" };
            let marked = if sign == " " { "" } else { ends };
            lines.push(Compared {
                sign,
                text: format!("{}{marked}", change.value().trim_end_matches(['\n', '\r'])),
            });
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_told_by_signs() {
        let lines = compared("a\nb\nc\n", "a\nB\nc\nd\n");
        let shown: Vec<String> = lines.iter().map(|l| format!("{}{}", l.sign, l.text)).collect();
        assert_eq!(shown, ["@from line 1", " a", "-b", "+B", " c", "+d"]);
        assert!(compared("a\n", "a\n").is_empty());
    }
}
