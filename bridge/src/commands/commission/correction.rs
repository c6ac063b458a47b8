//! The correction of the home file that a sitting leads to: shown, and written when told.

use overspill_rules::commission::procedure::Procedure;
use overspill_rules::time::WallTime;
use tokio::sync::mpsc;

use super::super::opening::print;
use super::super::run::asked_to_end;
use super::Files;
use crate::commission::proposal::{self, Proposal};
use crate::commission::record::{self, Record};
use crate::commission::{Paper, keep_correction};
use crate::config::Config;

/// A corrected home file, shown, where just one cause explains what is wrong.
pub(super) fn proposed(
    config: &Config,
    files: &Files,
    procedure: &Procedure,
    paper: Paper,
    say: impl Fn(&str),
) -> Result<Option<Proposal>, String> {
    let wanted = proposal::corrections(procedure.site(), &procedure.diagnosis());
    if wanted.is_empty() {
        return Ok(None);
    }
    let proposed = match proposal::propose(&files.text()?, &files.home, &config.home, &wanted) {
        Ok(proposed) if proposed.is_empty() => return Ok(None),
        Ok(proposed) => proposed,
        Err(why) => {
            say(&format!("\nNo correction is proposed: {why}.\n"));
            return Ok(None);
        }
    };
    let name = files.home.file_name().unwrap_or_default().to_string_lossy().into_owned();
    say(&format!(
        "\nProposed correction of the home file:\n{}",
        proposal::unified(&name, &proposed.before, &proposed.after, paper.columns)
    ));
    let words = "It puts numbers right, not wiring: where a clamp is wrong, mend the clamp instead.";
    say(&crate::words::wrapped(words, "", paper.columns));
    Ok(Some(proposed))
}

/// Whether whoever is at the keys wants it written.
pub(super) async fn is_wanted(lines: &mut mpsc::Receiver<String>) -> bool {
    print("  ? Write it into the home file now? (yes or no)\n");
    let line = tokio::select! {
        line = lines.recv() => line,
        () = asked_to_end() => None,
    };
    line.is_some_and(|line| ["y", "yes"].contains(&line.trim().to_lowercase().as_str()))
}

/// How it can be written another time.
pub(super) fn not_written(paper: Paper, say: impl Fn(&str)) {
    let words = "Nothing was written. Change the home file as shown, or run again with --apply: it writes what that run finds.";
    say(&crate::words::wrapped(words, "", paper.columns));
}

/// Writes it, and notes that.
pub(super) fn written(
    proposed: &Proposal,
    config: &Config,
    files: &Files,
    (record, by, at): (&mut Record, &str, WallTime),
    paper: Paper,
    say: impl Fn(&str),
) -> Result<(), String> {
    let date = at.in_zone(&config.home.timezone).map_or(jiff::civil::Date::ZERO, |z| z.date());
    let written = proposed.apply(&files.home, date).map_err(|why| why.to_string())?;
    say(&format!("Written. The old file is kept as {}.\n", written.kept.display()));
    let words = "Restart the daemon so that it reads the new one, leave the clamp as it is, and run this command again.";
    say(&crate::words::wrapped(words, "", paper.columns));
    keep_correction(record, proposed, &written, by, at);
    record::write(&files.record, record).map_err(|why| why.to_string())
}
