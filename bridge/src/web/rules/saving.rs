//! A change put in force: only if it is without mistakes, and only if the file is still what the editor began with. What
//! it replaces is kept as a version.

use jiff::Timestamp;
use overspill_rules::limits::RULE_FILE_BYTES;

use super::files::{self, FileName, mark};
use super::trial::{Change, Trial, tried};
use super::versions;
use crate::config::Config;

/// What somebody wants of a file.
#[derive(Debug, Clone)]
pub(crate) struct Wanted {
    pub(crate) file: FileName,
    /// What it shall hold; `None` takes it away.
    pub(crate) bytes: Option<Vec<u8>>,
    /// The mark of what it held when the editor began.
    pub(crate) instead_of: String,
    /// Also where rule tests fail.
    pub(crate) despite_tests: bool,
    /// Who wants it, and how it comes about: `changed`, `removed`, `put back`.
    pub(crate) by: String,
    pub(crate) how: &'static str,
}

/// What became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Saved {
    /// It is on the disk.
    Done(Trial),
    /// The file holds just that already.
    Same,
    /// It has mistakes; nothing was written.
    Mistakes(Trial),
    /// It has none, but rule tests fail; nothing was written.
    TestsFail(Trial),
    /// Somebody else changed the file meanwhile; nothing was written. What it holds now, where it is still there.
    Moved(Option<Vec<u8>>),
}

/// Saves what is wanted, or says why not.
///
/// # Errors
/// When something can't be read or written, or may not be changed from the page; a sentence.
pub(crate) fn save(config: &Config, wanted: &Wanted, at: Timestamp) -> Result<Saved, String> {
    let (folder, file) = (&config.rules.folder, &wanted.file);
    let Some(current) = still(folder, wanted)? else { return Ok(Saved::Moved(file.read(folder)?)) };
    if current == wanted.bytes {
        return Ok(Saved::Same);
    }
    if wanted.bytes.is_none() {
        may_be_removed(config, file)?;
    }
    let text = wanted.bytes.as_deref().map(text_of).transpose()?;
    let trial = tried(config, &Change { file: file.clone(), text })?;
    if !trial.is_good() {
        return Ok(Saved::Mistakes(trial));
    }
    if trial.failed() > 0 && !wanted.despite_tests {
        return Ok(Saved::TestsFail(trial));
    }
    // The trial took its time.
    let Some(current) = still(folder, wanted)? else { return Ok(Saved::Moved(file.read(folder)?)) };
    if let Some(former) = &current {
        versions::keep(folder, file, former, (&wanted.by, wanted.how), at)?;
    }
    match &wanted.bytes {
        Some(bytes) => files::write(folder, file, bytes)?,
        None => files::remove(folder, file)?,
    }
    Ok(Saved::Done(trial))
}

/// What the file holds, if that is still what the editor began with.
#[expect(clippy::option_option, reason = "a file that is not there may be just what is expected")]
fn still(folder: &std::path::Path, wanted: &Wanted) -> Result<Option<Option<Vec<u8>>>, String> {
    let current = wanted.file.read(folder)?;
    Ok((mark(current.as_deref()) == wanted.instead_of).then_some(current))
}

/// The text of a file that may be put in force.
///
/// # Errors
/// When it is no text, or too large.
pub(crate) fn text_of(bytes: &[u8]) -> Result<String, String> {
    if bytes.len() > RULE_FILE_BYTES {
        return Err(format!(
            "the file has {} bytes, more than the {RULE_FILE_BYTES} that a rule may have; move parts of it to the library",
            bytes.len()
        ));
    }
    match std::str::from_utf8(bytes) {
        Ok(text) if !text.contains('\0') => Ok(text.to_owned()),
        _ => Err("it is not text".to_owned()),
    }
}

/// A home file that names a rule which is not there would not start.
fn may_be_removed(config: &Config, file: &FileName) -> Result<(), String> {
    if !file.is_rule() || !config.rules.order.contains(&file.name) {
        return Ok(());
    }
    Err(format!(
        "the home file names `{}` in `order` of [rules], and could not be used without it; take it out there first",
        file.name
    ))
}

/// A text as a browser sends it, with the line ends that the file had.
pub(crate) fn as_before(sent: &str, former: Option<&[u8]>) -> String {
    let plain = sent.replace("\r\n", "\n").replace('\r', "\n");
    let had_returns = former.is_some_and(|bytes| {
        let lines = bytes.iter().filter(|b| **b == b'\n').count();
        let returns = bytes.windows(2).filter(|pair| pair == b"\r\n").count();
        lines > 0 && lines == returns
    });
    if had_returns { plain.replace('\n', "\r\n") } else { plain }
}
