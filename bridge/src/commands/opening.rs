//! What several commands begin with: the home file, and times on the command line.

use std::io::{self, Write};
use std::path::Path;

use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;

use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError};

pub(super) use crate::when::{local, moment};
pub(super) use crate::words::grouped;

/// Reads the home file; where that can't be done, says why and how the command ends.
pub(super) fn home_file(path: &Path) -> Result<Config, Outcome> {
    config::read(path).map_err(|why| match why {
        ReadError::Mistakes(found) => {
            complain(&format!("{}\nThe home file has mistakes; nothing was done.", found.render(Look::PLAIN)))
        }
        why => complain(&why.to_string()),
    })
}

/// Says on standard error why a command could not run.
pub(super) fn complain(why: &str) -> Outcome {
    let _ = writeln!(io::stderr(), "{why}");
    Outcome::CouldNotRun
}

/// The same, with a full stop where the reason does not end by itself.
pub(super) fn complain_in_full(why: &str) -> Outcome {
    let stop = if why.ends_with(['.', '?', '!']) { "" } else { "." };
    complain(&format!("{why}{stop}"))
}

/// Prints to standard output. A reader that went away, as `head` does, is no failure.
pub(super) fn print(text: &str) {
    let _ = io::stdout().write_all(text.as_bytes());
}

/// Who does something: as said, else the user's name on this computer.
pub(super) fn person(said: Option<&str>, does: &str) -> Result<String, String> {
    let of_user = || ["USER", "LOGNAME", "USERNAME"].iter().find_map(|name| std::env::var(name).ok());
    let by = said.map(str::to_owned).or_else(of_user).unwrap_or_default().trim().to_owned();
    if by.is_empty() { Err(format!("say who {does}: --by NAME")) } else { Ok(by) }
}

/// The wall clock.
pub(super) fn now() -> WallTime {
    WallTime(jiff::Timestamp::now().as_millisecond())
}

/// The beginning and the end of a span, half-open. A date alone is the beginning of that day, and as an end its end.
pub(super) fn span(from: &str, to: &str, zone: &TimeZone) -> Result<(WallTime, WallTime), String> {
    let (from, to) = (moment(from, zone, false)?, moment(to, zone, true)?);
    if from < to { Ok((from, to)) } else { Err("--from must be earlier than --to".to_owned()) }
}

/// A number with its word.
pub(super) fn counted(n: u64, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{} {word}s", grouped(n)) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn london() -> TimeZone {
        jiff::tz::TimeZoneDatabase::bundled().get("Europe/London").unwrap()
    }

    #[test]
    fn a_date_alone_is_the_whole_day() {
        let (from, to) = span("2026-10-25", "2026-10-25", &london()).unwrap();
        assert_eq!((to - from).as_hours(), 25.0);
        assert_eq!(from.to_rfc3339(), "2026-10-24T23:00:00.000Z");
    }

    #[test]
    fn times_are_local_unless_they_have_an_offset() {
        let read = |text| moment(text, &london(), false).map(WallTime::to_rfc3339);
        assert_eq!(read("2026-06-01T10:30").unwrap(), "2026-06-01T09:30:00.000Z");
        assert_eq!(read("2026-06-01T10:30:00+02:00").unwrap(), "2026-06-01T08:30:00.000Z");
        assert!(read("2026-10-25T01:30").unwrap_err().contains("clocks change"));
        assert!(read("next week").unwrap_err().contains("is no time"));
        assert!(span("2026-06-02", "2026-06-01T12:00", &london()).is_err());
    }

    #[test]
    fn large_numbers_are_grouped() {
        assert_eq!([grouped(720), grouped(17_568), grouped(1_234_567)], ["720", "17 568", "1 234 567"]);
    }
}
