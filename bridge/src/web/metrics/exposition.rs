//! The text format: a HELP and a TYPE line for each family, then its samples.

use std::fmt::Write;

/// What a family counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Goes up and down.
    Gauge,
    /// Only goes up, until the program starts afresh.
    Counter,
}

/// Families of samples as text.
#[derive(Debug, Default)]
pub(super) struct Exposition(String);

/// One family; its samples follow each other.
pub(super) struct Family<'e> {
    name: &'static str,
    head: Option<String>,
    text: &'e mut String,
}

impl Exposition {
    /// Begins a family. One without a sample leaves nothing.
    pub(super) fn family(&mut self, name: &'static str, kind: Kind, help: &str) -> Family<'_> {
        let kind = match kind {
            Kind::Gauge => "gauge",
            Kind::Counter => "counter",
        };
        let head = format!("# HELP {name} {help}\n# TYPE {name} {kind}\n");
        Family { name, head: Some(head), text: &mut self.0 }
    }

    /// The text.
    pub(super) fn text(self) -> String {
        self.0
    }
}

impl Family<'_> {
    /// Adds a sample.
    pub(super) fn sample(&mut self, labels: &[(&str, &str)], value: f64) {
        self.text.push_str(&self.head.take().unwrap_or_default());
        self.text.push_str(self.name);
        let pairs: Vec<String> =
            labels.iter().map(|(name, value)| format!("{name}=\"{}\"", escaped(value))).collect();
        if !pairs.is_empty() {
            // Writing into memory can't fail.
            let _ = write!(self.text, "{{{}}}", pairs.join(","));
        }
        let _ = writeln!(self.text, " {value}");
    }
}

fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn families_have_a_head_and_values_are_escaped() {
        let mut out = Exposition::default();
        let mut family = out.family("x_watts", Kind::Gauge, "What it is.");
        family.sample(&[], 1.0);
        family.sample(&[("id", "a\"b\\c\nd"), ("n", "2")], -0.25);
        out.family("nothing_total", Kind::Counter, "Never seen.");
        assert_eq!(
            out.text(),
            "# HELP x_watts What it is.\n# TYPE x_watts gauge\nx_watts 1\nx_watts{id=\"a\\\"b\\\\c\\nd\",n=\"2\"} -0.25\n"
        );
    }
}
