//! The corrected home file: proposed as a difference, written only when told, with the old one kept beside it.
//!
//! Only the values that must change are changed: comments and layout are the household's own.

mod diff;
mod edit;
#[cfg(test)]
mod tests;

use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

use overspill_rules::commission::{Correction, Diagnosis, Site, correction};
use overspill_rules::home::{Home, PointId};

use super::record::{fingerprint, replace};
use crate::config::{self, Look};

pub use diff::unified;

/// What would be changed in a home file.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// Each change in words, such as "grid: `positive` is turned from import to export".
    pub changes: Vec<String>,
    /// The file as it is.
    pub before: String,
    /// The file as it would be.
    pub after: String,
}

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Where the old file is kept.
    pub kept: PathBuf,
    /// Fingerprint of the old file.
    pub from: String,
    /// Fingerprint of the new one.
    pub to: String,
}

/// Why no home file was changed.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// The file can't be taken apart, or a point is not where it should be.
    #[error("{point}: the home file can't be changed here: {why}. Change it by hand")]
    Place {
        /// The point.
        point: String,
        /// Why.
        why: String,
    },
    /// The new text would not be a good home file.
    #[error(
        "with these changes the home file would not be good:\n{0}\nNothing was written. Change it by hand"
    )]
    NotGood(String),
    /// The file was edited meanwhile.
    #[error("{} was changed since it was proved. Nothing was written; run the commissioning again", .0.display())]
    Edited(PathBuf),
    /// It can't be read or written.
    #[error("{}: {why}. The home file is as it was", .path.display())]
    Disk {
        /// Which file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
}

/// The corrections that a diagnosis gives, an exchange of two points once.
pub fn corrections(site: &Site, diagnosis: &Diagnosis) -> Vec<(PointId, Correction)> {
    let mut all: Vec<(PointId, Correction)> = Vec::new();
    for report in &diagnosis.points {
        let Some(wanted) = correction(site, report) else { continue };
        let again = |(point, held): &(PointId, Correction)| match (*held, wanted) {
            (Correction::ExchangeWith(other), Correction::ExchangeWith(own)) => {
                other == report.point && own == *point
            }
            _ => false,
        };
        if !all.iter().any(again) {
            all.push((report.point, wanted));
        }
    }
    all
}

/// The text of the home file with these corrections. `home` is what the text describes, and `path` where it stands.
///
/// # Errors
/// When a point is not found in the text, or the new text would not be a good home file.
pub fn propose(
    text: &str,
    path: &Path,
    home: &Home,
    wanted: &[(PointId, Correction)],
) -> Result<Proposal, Refused> {
    let mut file = edit::File::parse(text)?;
    let mut changes = Vec::new();
    for (point, correction) in wanted {
        changes.push(edit::apply(&mut file, home, *point, *correction)?);
    }
    let after = file.text();
    config::parse(&after, path).map_err(|found| Refused::NotGood(found.render(Look::PLAIN)))?;
    Ok(Proposal { changes, before: text.to_owned(), after })
}

impl Proposal {
    /// Whether nothing would be changed.
    pub fn is_empty(&self) -> bool {
        self.before == self.after
    }

    /// Writes the new file at `path`, and keeps the old one beside it as `<name>.before-<date>`.
    ///
    /// # Errors
    /// When the file is not the one that was proposed for, or a disk fails: then nothing was changed.
    pub fn apply(&self, path: &Path, date: jiff::civil::Date) -> Result<Written, Refused> {
        let disk = |path: &Path| {
            let path = path.to_owned();
            move |why| Refused::Disk { path, why }
        };
        // Through a link, so that the link stays one.
        let path = &std::fs::canonicalize(path).map_err(disk(path))?;
        let there = std::fs::read(path).map_err(disk(path))?;
        if there != self.before.as_bytes() {
            return Err(Refused::Edited(path.clone()));
        }
        self.read_as_it_will_be_used(path)?;
        let kept = free_name(path, date);
        replace(&kept, &there).map_err(disk(&kept))?;
        let permissions = std::fs::metadata(path).map_err(disk(path))?.permissions();
        std::fs::set_permissions(&kept, permissions).map_err(disk(&kept))?;
        replace(path, self.after.as_bytes()).map_err(disk(path))?;
        Ok(Written { kept, from: fingerprint(&there), to: fingerprint(self.after.as_bytes()) })
    }

    /// Everything that `check` looks at, also beside the file.
    fn read_as_it_will_be_used(&self, path: &Path) -> Result<(), Refused> {
        let bad = |found: String| Refused::NotGood(found);
        let config =
            config::parse_beside(&self.after, path).map_err(|found| bad(found.render(Look::PLAIN)))?;
        let code = config::check_code(&config);
        if code.mistakes() > 0 {
            let rules: Vec<String> = code.rules.iter().map(ToString::to_string).collect();
            return Err(bad(format!(
                "{} mistakes in its rules and expressions\n{}",
                code.mistakes(),
                rules.join("\n")
            )));
        }
        Ok(())
    }
}

/// A name that no file has: what was kept before stays.
fn free_name(path: &Path, date: jiff::civil::Date) -> PathBuf {
    let named = |end: String| {
        let mut name = path.file_name().map_or_else(OsString::new, ToOwned::to_owned);
        name.push(end);
        path.with_file_name(name)
    };
    let first = named(format!(".before-{date}"));
    let more = (2..=u32::MAX).map(|n| named(format!(".before-{date}-{n}")));
    std::iter::once(first.clone())
        .chain(more)
        .find(|p| std::fs::symlink_metadata(p).is_err())
        .unwrap_or(first)
}
