//! What several commands take on the command line.

use std::time::Duration;

use clap::ValueEnum;
use overspill_rules::time::Span;

/// How a result is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

/// A length of real time, such as 90s.
pub(super) fn duration(text: &str) -> Result<Duration, String> {
    let span = Span::parse(text)?;
    match u64::try_from(span.0) {
        Ok(ms) if ms > 0 => Ok(Duration::from_millis(ms)),
        _ => Err("it must be longer than nothing".to_owned()),
    }
}
