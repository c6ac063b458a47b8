//! TOML into a tree with places, its syntax errors in our words.

use toml::Spanned;
use toml::de::DeTable;

use super::block::Place;
use super::diagnostic::Diagnostics;

/// A home file as a tree, as far as it could be read.
pub(crate) struct Tree<'t> {
    /// The file as a whole.
    pub(crate) root: Spanned<DeTable<'t>>,
    /// Lines of the file that could not be read as they stand; nothing more is said about them.
    pub(crate) damaged: Vec<Place>,
    /// Whether the damage may have swallowed whole sections, so that what is missing can't be told.
    pub(crate) holes: bool,
}

/// Parses `text`, going on after errors.
pub(crate) fn parse<'t>(text: &'t str, found: &mut Diagnostics) -> Tree<'t> {
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut tree = Tree { root, damaged: Vec::new(), holes: false };
    let mut repeated_header = None;
    for error in errors {
        let place = error.span().unwrap_or(0..0);
        let line = line_of(text, place.start);
        if tree.damaged.contains(&line) {
            continue;
        }
        let words = in_words(error.message(), text.get(place.clone()).unwrap_or_default());
        tree.holes |= words.holes;
        tree.damaged.push(line.clone());
        let duplicate = words.code == "duplicate";
        if duplicate && is_below(text, repeated_header, place.start) {
            continue;
        }
        if duplicate && text.get(line.clone()).is_some_and(|l| l.trim_start().starts_with('[')) {
            repeated_header = Some(line.start);
        }
        let first = if words.code == "duplicate" { first_of(text, place.start) } else { None };
        let d = found.error(words.code, place, words.message);
        d.label(words.label);
        if let Some(first) = first {
            d.also(first, "the first");
        }
        if !words.help.is_empty() {
            d.help(words.help);
        }
    }
    tree
}

impl Tree<'_> {
    /// Whether `place` is on a line that could not be read.
    pub(crate) fn is_damaged(&self, place: &Place) -> bool {
        self.damaged.iter().any(|d| d.start <= place.start && place.start <= d.end)
    }
}

struct Words {
    code: &'static str,
    message: String,
    label: String,
    help: String,
    holes: bool,
}

/// The parser's messages are short and meant for people who know TOML; these are for those who don't.
fn in_words(message: &str, at: &str) -> Words {
    let words = |code, message: String, label: &str, help: &str, holes| Words {
        code,
        message,
        label: label.to_owned(),
        help: help.to_owned(),
        holes,
    };
    if message.starts_with("duplicate key") {
        let text = format!("`{at}` is written a second time");
        return words(
            "duplicate",
            text,
            "the second",
            "keep one of them, or give the other a name of its own",
            false,
        );
    }
    if message.starts_with("string values must be quoted") {
        let text = "text stands in quotes".to_owned();
        return words("syntax", text, &format!("write \"{at}\""), "", false);
    }
    if message.starts_with("unclosed table") {
        let text = "the header of a section is not closed".to_owned();
        return words(
            "syntax",
            text,
            "`]` is missing",
            "a section starts with its name in brackets, such as [point.grid]",
            true,
        );
    }
    if message.starts_with("invalid basic string") || message.starts_with("invalid literal string") {
        let text = "a text is not closed, or holds what it can't".to_owned();
        return words(
            "syntax",
            text,
            "a closing quote?",
            "write a backslash in a text twice, or put the text in '..'",
            true,
        );
    }
    let text = format!("this can't be read: {message}");
    words(
        "syntax",
        text,
        "",
        "a line is `key = value`, a section starts with `[name]`, a comment with `#`",
        true,
    )
}

/// Whether `at` is in the section whose header begins at `header`: its keys repeat because the section does.
fn is_below(text: &str, header: Option<usize>, at: usize) -> bool {
    let Some(between) = header.and_then(|h| text.get(h..at)) else { return false };
    !between.lines().skip(1).any(|l| l.trim_start().starts_with('['))
}

/// Where the key or header on the line at `at` stands for the first time: a header anywhere above, a key in its section.
fn first_of(text: &str, at: usize) -> Option<Place> {
    let above = text.get(..line_of(text, at).start)?;
    let written = what_is_set(text.get(line_of(text, at))?);
    let is_header = written.starts_with('[');
    let mut end = above.len();
    let mut first = None;
    for line in above.split_inclusive('\n').rev() {
        let start = end - line.len();
        end = start;
        if what_is_set(line) == written {
            let indent = line.len() - line.trim_start().len();
            first = Some(start + indent..start + indent + written.len());
        } else if !is_header && line.trim_start().starts_with('[') {
            break;
        }
    }
    first
}

/// The part of a line that names what it sets: a whole header, or a key.
fn what_is_set(line: &str) -> &str {
    let line = line.trim();
    match line.starts_with('[') {
        true => line.split_inclusive(']').next().unwrap_or(line),
        false => line.split('=').next().unwrap_or(line).trim_end(),
    }
}

fn line_of(text: &str, at: usize) -> Place {
    let start = text.get(..at).and_then(|t| t.rfind('\n')).map_or(0, |n| n + 1);
    let end = text.get(at..).and_then(|t| t.find('\n')).map_or(text.len(), |n| at + n);
    start..end
}
