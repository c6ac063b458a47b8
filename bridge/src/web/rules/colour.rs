//! Source text in pieces by what they are, so that a page can set them apart: keywords, comments, texts, numbers, and the
//! words of rules.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use super::files::Kind;

/// One piece of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Piece {
    /// The class of the page's style, empty for plain text.
    pub(crate) class: &'static str,
    pub(crate) text: String,
}

const KEYWORD: &str = "kw";
const COMMENT: &str = "co";
const TEXT: &str = "st";
const NUMBER: &str = "nu";
const OURS: &str = "ow";
const PLAIN: &str = "";

const KEYWORDS: [&str; 30] = [
    "let",
    "const",
    "if",
    "else",
    "switch",
    "while",
    "loop",
    "do",
    "until",
    "for",
    "in",
    "continue",
    "break",
    "return",
    "throw",
    "try",
    "catch",
    "fn",
    "private",
    "import",
    "export",
    "as",
    "this",
    "true",
    "false",
    "is",
    "global",
    "is_def_var",
    "is_def_fn",
    "and",
];

/// The words that rules have from us.
static WORDS: LazyLock<BTreeSet<&'static str>> = LazyLock::new(|| {
    let mut words: BTreeSet<&'static str> =
        overspill_rules::script::reference().iter().map(|entry| entry.name).collect();
    words.insert("home");
    words
});

/// The lines of a file of this kind, each in pieces.
pub(crate) fn lines(kind: Kind, source: &str) -> Vec<Vec<Piece>> {
    let mut lines = Vec::new();
    let mut line = Vec::new();
    for piece in pieces(kind == Kind::Test, source) {
        for (n, part) in piece.text.split('\n').enumerate() {
            if n > 0 {
                lines.push(std::mem::take(&mut line));
            }
            let text = part.trim_end_matches('\r');
            if !text.is_empty() {
                line.push(Piece { class: piece.class, text: text.to_owned() });
            }
        }
    }
    // What ends with a line end has no line after it.
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

fn pieces(toml: bool, source: &str) -> Vec<Piece> {
    let mut found: Vec<Piece> = Vec::new();
    let mut rest = source;
    while let Some(first) = rest.chars().next() {
        let (class, length) = next(toml, rest, first);
        let length = length.clamp(first.len_utf8(), rest.len());
        let (text, after) = rest.split_at(length);
        match found.last_mut().filter(|last| last.class == class && class == PLAIN) {
            Some(last) => last.text.push_str(text),
            None => found.push(Piece { class, text: text.to_owned() }),
        }
        rest = after;
    }
    found
}

/// The class and the length in bytes of what `rest` begins with.
fn next(toml: bool, rest: &str, first: char) -> (&'static str, usize) {
    match first {
        '#' if toml => (COMMENT, to_line_end(rest)),
        '/' if !toml && rest.starts_with("//") => (COMMENT, to_line_end(rest)),
        '/' if !toml && rest.starts_with("/*") => (COMMENT, block(rest)),
        '"' if toml && rest.starts_with("\"\"\"") => (TEXT, closed(rest, "\"\"\"", true)),
        '"' => (TEXT, quoted(rest, '"')),
        '\'' => (TEXT, quoted(rest, '\'')),
        '`' if !toml => (TEXT, closed(rest, "`", false)),
        c if c.is_ascii_digit() => {
            (NUMBER, while_of(rest, |c| c.is_ascii_alphanumeric() || matches!(c, '.' | '_')))
        }
        c if is_word(c) => {
            let length = while_of(rest, |c| is_word(c) || c.is_ascii_digit());
            (class_of(toml, rest.get(..length).unwrap_or_default()), length)
        }
        c => (PLAIN, c.len_utf8()),
    }
}

fn class_of(toml: bool, word: &str) -> &'static str {
    match word {
        "true" | "false" => KEYWORD,
        _ if toml => PLAIN,
        word if KEYWORDS.contains(&word) => KEYWORD,
        word if WORDS.contains(word) => OURS,
        _ => PLAIN,
    }
}

fn is_word(c: char) -> bool {
    c.is_alphabetic() || c == '_'
}

fn while_of(text: &str, holds: impl Fn(char) -> bool) -> usize {
    text.find(|c| !holds(c)).unwrap_or(text.len())
}

fn to_line_end(text: &str) -> usize {
    text.find('\n').unwrap_or(text.len())
}

/// A comment between `/*` and `*/`; they nest.
fn block(text: &str) -> usize {
    let (mut depth, mut at) = (0_usize, 0);
    while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
        if rest.starts_with("/*") {
            depth += 1;
            at += 2;
        } else if rest.starts_with("*/") {
            depth -= 1;
            at += 2;
            if depth == 0 {
                return at;
            }
        } else {
            at += rest.chars().next().map_or(1, char::len_utf8);
        }
    }
    text.len()
}

/// A text on one line; one that is not closed ends with its line.
fn quoted(text: &str, quote: char) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            '\n' => return at,
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            c if c == quote => return at + c.len_utf8(),
            _ => {}
        }
    }
    text.len()
}

/// A text over several lines.
fn closed(text: &str, mark: &str, escapes: bool) -> usize {
    let mut at = mark.len();
    while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
        if rest.starts_with(mark) {
            return at + mark.len();
        }
        let mut letters = rest.chars();
        let first = letters.next().map_or(1, char::len_utf8);
        at += if escapes && rest.starts_with('\\') {
            first + letters.next().map_or(0, char::len_utf8)
        } else {
            first
        };
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn shown(kind: Kind, source: &str) -> String {
        let piece =
            |p: &Piece| if p.class.is_empty() { p.text.clone() } else { format!("<{} {}>", p.class, p.text) };
        let line = |line: Vec<Piece>| line.iter().map(piece).collect::<String>();
        lines(kind, source).into_iter().map(line).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn each_piece_has_its_class() {
        let source = "// The car\nfn decide(home) {\n\tlet car = home.load(\"c\\\"ar\"); /* a /* b */\nc */ car.run_at_a(16.5, \"why\");\n}\n";
        insta::assert_snapshot!(shown(Kind::Rule, source), @r#"
        <co // The car>
        <kw fn> decide(<ow home>) {
        	<kw let> car = <ow home>.<ow load>(<st "c\"ar">); <co /* a /* b */>
        <co c */> car.<ow run_at_a>(<nu 16.5>, <st "why">);
        }
        "#);
        insta::assert_snapshot!(shown(Kind::Test, "[test.a] # one\nstart = \"2026\"\non = true\nn = 12"), @r#"
        [test.a] <co # one>
        start = <st "2026">
        on = <kw true>
        n = <nu 12>
        "#);
    }

    proptest! {
        /// Nothing is lost, nothing is added, whatever the text is.
        #[test]
        fn the_text_stays_the_text(source in "(?s)[a-z\"'`/*#\\\\\n é0-9.]{0,60}") {
            for kind in [Kind::Rule, Kind::Test] {
                let again: Vec<String> = lines(kind, &source)
                    .into_iter()
                    .map(|line| line.into_iter().map(|p| p.text).collect::<String>())
                    .collect();
                let plain: Vec<&str> = if source.is_empty() { vec![""] } else { source.lines().collect() };
                prop_assert_eq!(again, plain);
            }
        }
    }
}
