//! What is wrong with a home file: collected, ordered, and shown to people and programs.

use std::ops::Range;

use serde_json::{Value, json};

use super::redact::redacted;

/// How bad a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The home file can't be used.
    Error,
    /// It can be used, and somebody should know this.
    Warning,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// How bad it is.
    pub severity: Severity,
    /// A short name of the kind of finding, stable across versions.
    pub code: &'static str,
    /// What is wrong, in a sentence.
    pub message: String,
    /// The place in the file, in bytes.
    pub span: Range<usize>,
    /// What stands beside the underlined text; may be empty.
    pub label: String,
    /// Other places that matter, each with its label.
    pub also: Vec<(Range<usize>, String)>,
    /// Why it is so.
    pub notes: Vec<String>,
    /// How to mend it.
    pub help: Vec<String>,
}

/// Everything that was found in one home file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostics {
    path: String,
    source: String,
    list: Vec<Diagnostic>,
}

impl Severity {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
        }
    }
}

impl Diagnostic {
    /// A finding at `span`.
    pub fn new(
        severity: Severity,
        code: &'static str,
        span: Range<usize>,
        message: impl Into<String>,
    ) -> Self {
        let message = message.into();
        Diagnostic {
            severity,
            code,
            message,
            span,
            label: String::new(),
            also: vec![],
            notes: vec![],
            help: vec![],
        }
    }

    /// Sets what stands beside the underlined text.
    pub fn label(&mut self, label: impl Into<String>) -> &mut Self {
        self.label = label.into();
        self
    }

    /// Adds another place that matters.
    pub fn also(&mut self, span: Range<usize>, label: impl Into<String>) -> &mut Self {
        self.also.push((span, label.into()));
        self
    }

    /// Adds why it is so.
    pub fn note(&mut self, note: impl Into<String>) -> &mut Self {
        self.notes.push(note.into());
        self
    }

    /// Adds how to mend it.
    pub fn help(&mut self, help: impl Into<String>) -> &mut Self {
        self.help.push(help.into());
        self
    }
}

impl Diagnostics {
    /// Nothing found yet in the file at `path` with this text. Passwords in it are blanked out at once.
    pub fn new(path: impl Into<String>, source: &str) -> Diagnostics {
        Diagnostics { path: path.into(), source: redacted(source), list: Vec::new() }
    }

    /// The same file with nothing found in it yet.
    pub(crate) fn without_findings(&self) -> Diagnostics {
        Diagnostics { path: self.path.clone(), source: self.source.clone(), list: Vec::new() }
    }

    /// The file, as the user named it.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// The file's text, passwords blanked out.
    pub(crate) fn source(&self) -> &str {
        &self.source
    }

    /// All findings, in the order of the file once [`Diagnostics::sort`] was called.
    pub fn list(&self) -> &[Diagnostic] {
        &self.list
    }

    /// Adds a mistake, to be completed by the caller.
    pub fn error(
        &mut self,
        code: &'static str,
        span: Range<usize>,
        message: impl Into<String>,
    ) -> &mut Diagnostic {
        self.push(Severity::Error, code, span, message.into())
    }

    /// Adds a warning, to be completed by the caller.
    pub fn warning(
        &mut self,
        code: &'static str,
        span: Range<usize>,
        message: impl Into<String>,
    ) -> &mut Diagnostic {
        self.push(Severity::Warning, code, span, message.into())
    }

    fn push(
        &mut self,
        severity: Severity,
        code: &'static str,
        span: Range<usize>,
        message: String,
    ) -> &mut Diagnostic {
        let at = self.list.len();
        self.list.push(Diagnostic::new(severity, code, span, message));
        &mut self.list[at]
    }

    /// How many mistakes there are.
    pub fn errors(&self) -> usize {
        self.list.iter().filter(|d| d.severity == Severity::Error).count()
    }

    /// How many warnings there are.
    pub fn warnings(&self) -> usize {
        self.list.len() - self.errors()
    }

    /// Puts the findings in the order of the file.
    pub fn sort(&mut self) {
        self.list.sort_by_key(|d| (d.span.start, d.severity));
    }

    /// Line and column of a byte of the file, both from 1; columns count characters.
    pub fn line_column(&self, byte: usize) -> (usize, usize) {
        let byte = (0..=byte.min(self.source.len())).rev().find(|b| self.source.is_char_boundary(*b));
        let before = byte.and_then(|b| self.source.get(..b)).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |n| n + 1);
        let column = before.get(line_start..).unwrap_or_default().chars().count() + 1;
        (before.matches('\n').count() + 1, column)
    }

    /// All findings for programs: an array of objects.
    pub fn to_json(&self) -> Value {
        self.list.iter().map(|d| self.one_to_json(d)).collect()
    }

    fn one_to_json(&self, d: &Diagnostic) -> Value {
        let (line, column) = self.line_column(d.span.start);
        let (end_line, end_column) = self.line_column(d.span.end);
        json!({
            "severity": d.severity.word(),
            "code": d.code,
            "message": d.message,
            "line": line,
            "column": column,
            "end_line": end_line,
            "end_column": end_column,
            "text": self.source.get(d.span.clone()).unwrap_or_default(),
            "label": d.label,
            "notes": d.notes,
            "help": d.help,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_columns_count_from_one_and_in_characters() {
        let found = Diagnostics::new("x.toml", "a = \"é\" # x\nb = 1\n");
        assert_eq!(found.line_column(0), (1, 1));
        assert_eq!(found.line_column(7), (1, 7));
        assert_eq!(found.line_column(13), (2, 1));
        assert_eq!(found.line_column(9_999), (3, 1));
    }

    #[test]
    fn what_programs_get_has_place_text_and_help() {
        let mut found = Diagnostics::new("x.toml", "a = 1\nb = 2\n");
        found.error("out-of-range", 10..11, "`b` is too large").label("at most 1").help("write 1");
        let text = found.to_json().to_string();
        for part in [r#""line":2"#, r#""column":5"#, r#""text":"2""#, r#""help":["write 1"]"#] {
            assert!(text.contains(part), "{part} in {text}");
        }
    }
}
