//! The outcome of a run of tests, for people, for programs and for build servers.

use std::fmt::Write;
use std::time::Duration;

use overspill_rules::time::Span;
use serde_json::{Value, json};

use crate::config::render::wrapped;

/// What came of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Each test in order.
    pub results: Vec<Result>,
    /// Rules that asked for nothing in any test.
    pub silent: Vec<String>,
    /// Rule, load and outcome (`start`, `stop`, `change`) that no test exercised.
    pub missing: Vec<(String, String, &'static str)>,
    /// Whether every test of the home ran; only then is it said what none exercised.
    pub whole: bool,
}

/// What came of one test.
#[derive(Debug, Clone, PartialEq)]
pub struct Result {
    /// `FILE/TEST`.
    pub name: String,
    /// What is shown, in a sentence.
    pub about: Option<String>,
    /// The file, as the user named it.
    pub file: String,
    /// The line at which it begins.
    pub line: usize,
    /// Every failure as people read it.
    pub failures: Vec<String>,
    /// The line of the file that each failure belongs to.
    pub failure_lines: Vec<usize>,
    /// How long it lasts in the home.
    pub lasts: Span,
    /// How long it took to run.
    pub took: Duration,
}

/// The outcome of a run, as the exit code tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Every test passed.
    Passed,
    /// At least one failed.
    Failed,
    /// There was none.
    NoTest,
}

impl Report {
    /// The outcome as a whole.
    pub fn outcome(&self) -> Outcome {
        match (self.results.is_empty(), self.failed()) {
            (true, _) => Outcome::NoTest,
            (false, 0) => Outcome::Passed,
            (false, _) => Outcome::Failed,
        }
    }

    fn failed(&self) -> usize {
        self.results.iter().filter(|r| !r.passed()).count()
    }

    /// For people, in at most `columns`.
    pub fn to_text(&self, columns: usize) -> String {
        let mut text = String::new();
        for result in &self.results {
            let word = if result.passed() { "pass" } else { "FAIL" };
            let about = result.about.as_ref().map_or(String::new(), |about| format!(": {about}"));
            let line = format!("{word}  {}{about}", result.name);
            for (n, part) in wrapped(&line, columns - 6).lines().enumerate() {
                let indent = if n == 0 { "" } else { "      " };
                let part = if n == 0 { part.replacen(' ', "  ", 1) } else { part.to_owned() };
                let _ = writeln!(text, "{indent}{part}");
            }
            if !result.passed() {
                let _ = writeln!(text, "      {}:{}\n", result.file, result.line);
                let _ = writeln!(text, "{}", result.failures.join("\n"));
            }
        }
        self.uncovered(&mut text, columns);
        let _ = writeln!(text, "{}", self.verdict());
        text
    }

    fn uncovered(&self, text: &mut String, columns: usize) {
        if self.silent.is_empty() && self.missing.is_empty() {
            return;
        }
        let _ = writeln!(text, "\nNo test exercised:");
        let silent = self.silent.iter().map(|rule| format!("rule {rule}: it never asked for anything"));
        let mut lines: Vec<String> = silent.collect();
        let mut of: Vec<(&str, &str, Vec<&str>)> = Vec::new();
        for (rule, load, turn) in &self.missing {
            match of.iter_mut().find(|(r, l, _)| r == rule && l == load) {
                Some((_, _, turns)) => turns.push(turn),
                None => of.push((rule, load, vec![turn])),
            }
        }
        lines.extend(
            of.iter().map(|(rule, load, turns)| format!("rule {rule}, load {load}: {}", turns.join(", "))),
        );
        for line in lines {
            let wrapped = wrapped(&line, columns - 2).replace('\n', "\n    ");
            let _ = writeln!(text, "  {wrapped}");
        }
    }

    fn verdict(&self) -> String {
        let (all, failed) = (self.results.len(), self.failed());
        let spans: i64 = self.results.iter().map(|r| r.lasts.0).sum();
        let tests = if all == 1 { "1 test".to_owned() } else { format!("{all} tests") };
        match (all, failed) {
            (0, _) => "No test was found.".to_owned(),
            (_, 0) => format!("\n{tests} passed: {} in the home.", Span(spans)),
            _ => format!("\n{failed} of {tests} failed."),
        }
    }

    /// For programs.
    pub fn to_json(&self) -> Value {
        let results: Vec<Value> = self.results.iter().map(Result::to_json).collect();
        let missing: Vec<Value> = self
            .missing
            .iter()
            .map(|(rule, load, turn)| json!({ "rule": rule, "load": load, "outcome": turn }))
            .collect();
        json!({
            "passed": self.results.len() - self.failed(),
            "failed": self.failed(),
            "tests": results,
            "not_exercised": if self.whole { json!({ "rules": self.silent, "outcomes": missing }) } else { Value::Null },
        })
    }

    /// For build servers: the XML form that JUnit made common.
    pub fn to_junit(&self, home: &str) -> String {
        let seconds: f64 = self.results.iter().map(|r| r.took.as_secs_f64()).sum();
        let mut xml = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
        let _ = writeln!(
            xml,
            "<testsuite name=\"{}\" tests=\"{}\" failures=\"{}\" errors=\"0\" time=\"{seconds:.3}\">",
            escaped(home),
            self.results.len(),
            self.failed()
        );
        for result in &self.results {
            let (class, name) = result.name.split_once('/').unwrap_or(("", &result.name));
            let _ = write!(
                xml,
                "  <testcase classname=\"{}\" name=\"{}\" file=\"{}\" line=\"{}\" time=\"{:.3}\"",
                escaped(class),
                escaped(name),
                escaped(&result.file),
                result.line,
                result.took.as_secs_f64()
            );
            if result.passed() {
                let _ = writeln!(xml, "/>");
                continue;
            }
            let first = result.failures.first().and_then(|f| f.lines().next()).unwrap_or("").trim();
            let all = escaped(&result.failures.join("\n"));
            let _ = writeln!(
                xml,
                ">\n    <failure message=\"{}\">{all}</failure>\n  </testcase>",
                escaped(first)
            );
        }
        let _ = writeln!(xml, "</testsuite>");
        xml
    }
}

impl Result {
    /// Whether nothing failed.
    pub fn passed(&self) -> bool {
        self.failures.is_empty()
    }

    fn to_json(&self) -> Value {
        let failures: Vec<Value> = self
            .failures
            .iter()
            .zip(&self.failure_lines)
            .map(|(text, line)| json!({ "line": line, "text": text }))
            .collect();
        json!({
            "name": self.name,
            "about": self.about,
            "file": self.file,
            "line": self.line,
            "passed": self.passed(),
            "failures": failures,
            "lasts_s": self.lasts.as_seconds(),
            "took_ms": self.took.as_millis() as u64,
        })
    }
}

/// Text inside XML; characters that XML 1.0 can't hold are left out.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\n' | '\t' => out.push(c),
            c if c < ' ' || c == '\u{fffe}' || c == '\u{ffff}' => {}
            c => out.push(c),
        }
    }
    out
}
