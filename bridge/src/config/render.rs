//! Findings as people read them: the file, the line, the text underlined.

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use super::diagnostic::{Diagnostic, Diagnostics, Severity};

/// How findings are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// With colours.
    pub styled: bool,
    /// Columns of the terminal.
    pub columns: usize,
}

impl Look {
    /// Plain text, 80 columns.
    pub const PLAIN: Look = Look { styled: false, columns: 80 };
}

impl Diagnostics {
    /// All findings as text, an empty line between two.
    pub fn render(&self, look: Look) -> String {
        let shown: Vec<String> = self.list().iter().map(|d| self.render_one(d, look)).collect();
        shown.join("\n\n")
    }

    fn render_one(&self, d: &Diagnostic, look: Look) -> String {
        let level = match d.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let places = d.also.iter().map(|(span, label)| {
            AnnotationKind::Context.span(self.visible(span.clone())).label(label.clone())
        });
        let primary = AnnotationKind::Primary.span(self.visible(d.span.clone()));
        let fits = self.label_fits(d, look.columns);
        let primary = if fits && !d.label.is_empty() { primary.label(d.label.clone()) } else { primary };
        let beneath = if fits { None } else { Some(d.label.as_str()) };
        let snippet =
            Snippet::source(self.source()).path(self.path()).annotation(primary).annotations(places);
        let first_line = look.columns.saturating_sub(d.severity.word().len() + d.code.len() + 4);
        let title = wrapped(&d.message, first_line);
        let margin = self.line_column(self.source().len()).0.to_string().len() + 9;
        let below = look.columns.saturating_sub(margin);
        let group = level
            .primary_title(title)
            .id(d.code)
            .element(snippet)
            .elements(d.notes.iter().map(|n| Level::NOTE.message(wrapped(n, below))))
            .elements(
                beneath
                    .into_iter()
                    .chain(d.help.iter().map(String::as_str))
                    .map(|h| Level::HELP.message(wrapped(h, below))),
            );
        let renderer = if look.styled { Renderer::styled() } else { Renderer::plain() };
        let text = renderer.term_width(look.columns).render(&[group]);
        text.lines().map(str::trim_end).collect::<Vec<_>>().join("\n")
    }

    /// Whether the label stands beside the underlined text on one line; else it goes beneath.
    fn label_fits(&self, d: &Diagnostic, columns: usize) -> bool {
        let end = self.visible(d.span.clone()).end;
        let (line, column) = self.line_column(end);
        let margin = line.to_string().len() + 4;
        margin + column + d.label.chars().count() <= columns
    }

    /// A span that can be underlined: inside the text, on character boundaries, on one line, never empty where the
    /// text allows it.
    fn visible(&self, span: std::ops::Range<usize>) -> std::ops::Range<usize> {
        let text = self.source();
        let start = floor_boundary(text, span.start);
        let rest = text.get(start..).unwrap_or_default();
        let line = rest.find('\n').map_or(text.len(), |n| start + n);
        let end = floor_boundary(text, span.end.clamp(start, line));
        start..end
    }
}

fn floor_boundary(text: &str, at: usize) -> usize {
    (0..=at.min(text.len())).rev().find(|b| text.is_char_boundary(*b)).unwrap_or(0)
}

/// `text` in lines of at most `columns` characters, broken at spaces; a longer word stands alone.
pub(crate) fn wrapped(text: &str, columns: usize) -> String {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.join("\n")
}

/// A mistake in a rule, as it says itself, with its words in lines of at most `columns`; the line of the rule stays whole.
pub(crate) fn fault(told: &str, columns: usize) -> String {
    let line = |line: &str| {
        if line.starts_with("    ") {
            return line.to_owned();
        }
        let (head, words) = line.strip_prefix(HELP).map_or(("", line), |rest| (HELP, rest));
        let hang = " ".repeat(head.len().max(2));
        let broken = wrapped(words, columns.saturating_sub(hang.len()));
        format!("{head}{}", broken.replace('\n', &format!("\n{hang}")))
    };
    told.lines().map(line).collect::<Vec<_>>().join("\n")
}

/// What stands before the help of a mistake in a rule.
const HELP: &str = "  help: ";

#[cfg(test)]
mod tests {
    use std::ops::Range;

    use super::*;

    fn found() -> Diagnostics {
        let mut found = Diagnostics::new("home.toml", "[home]\nid = \"Wren\"\nname = \"Wren\"\n");
        found
            .error("bad-id", 12..18, "`id` is no valid name")
            .label("small letters only")
            .also(26..32, "the name is free")
            .help("ids are parts of topics, of addresses and of file names, so they keep to what is valid in all of them");
        found
    }

    #[test]
    fn a_finding_shows_file_line_underline_and_help() {
        insta::assert_snapshot!(found().render(Look::PLAIN), @r#"
        error[bad-id]: `id` is no valid name
         --> home.toml:2:6
          |
        2 | id = "Wren"
          |      ^^^^^^ small letters only
        3 | name = "Wren"
          |        ------ the name is free
          |
          = help: ids are parts of topics, of addresses and of file names, so they keep
                  to what is valid in all of them
        "#);
    }

    #[test]
    fn colours_come_only_when_asked_for() {
        assert!(!found().render(Look::PLAIN).contains('\u{1b}'));
        assert!(found().render(Look { styled: true, columns: 80 }).contains('\u{1b}'));
    }

    #[test]
    fn places_outside_the_text_do_no_harm() {
        for span in [0..0, 500..600, Range { start: 5, end: 2 }, 10..16] {
            let mut found = Diagnostics::new("x.toml", "é = \"ü\"\n");
            found.error("syntax", span, "something");
            assert!(found.render(Look::PLAIN).contains("something"));
        }
        let mut empty = Diagnostics::new("x.toml", "");
        empty.error("missing-section", 0..0, "`[home]` is missing");
        assert!(empty.render(Look::PLAIN).contains("`[home]` is missing"));
    }
}
