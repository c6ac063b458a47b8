//! The record as a file. It is read strictly: half a record would make a sheet that leaves something out.

use std::collections::BTreeSet;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use serde::Deserialize;
use sha2::{Digest, Sha256};

use super::{Record, VERSION};

/// Why a record can't be used.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// Not readable at all.
    #[error("the record {} can't be read: {why}. Mend its permissions, or name another with --record", .path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
    /// Not writable.
    #[error("the record {} can't be written: {why}. Nothing of this step was kept; make room, mend the folder's permissions, or name another with --record", .path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
    /// Of another version.
    #[error("the record {} has the form {found}, and this Overspill knows {VERSION}. Use the Overspill that wrote it, or a newer one", .path.display())]
    Version {
        /// The file.
        path: PathBuf,
        /// The version it says.
        found: u64,
    },
    /// Not as it should be.
    #[error("the record {} does not read as one: {what}. Mend it there, or move the file away to begin a new record", .path.display())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// Where and what.
        what: String,
    },
}

/// What every version has.
#[derive(Deserialize)]
struct Form {
    v: u64,
}

/// Reads a record; `None` where there is no such file.
///
/// # Errors
/// When it can't be read, is of another version, or has anything missing, unknown or twice.
pub fn read(path: &Path) -> Result<Option<Record>, RecordError> {
    match std::fs::read_to_string(path) {
        Ok(text) => parse(&text, path).map(Some),
        Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(why) => Err(RecordError::Unreadable { path: path.to_owned(), why }),
    }
}

pub(super) fn parse(text: &str, path: &Path) -> Result<Record, RecordError> {
    let malformed = |what: String| RecordError::Malformed { path: path.to_owned(), what };
    let form: Form = serde_json::from_str(text).map_err(|e| malformed(e.to_string()))?;
    if form.v != u64::from(VERSION) {
        return Err(RecordError::Version { path: path.to_owned(), found: form.v });
    }
    let record: Record = serde_json::from_str(text).map_err(|e| malformed(e.to_string()))?;
    check(&record).map_err(malformed)?;
    Ok(record)
}

/// What the types don't say.
fn check(record: &Record) -> Result<(), String> {
    once("step", record.tests.iter().map(|t| t.id.as_str()))?;
    once("point", record.points.iter().map(|p| p.id.as_str()))?;
    once("load", record.loads.iter().map(|l| l.id.as_str()))?;
    let prints = record.tests.iter().map(|t| t.home_file.as_str());
    if let Some(bad) = prints.chain([record.home_file.as_str()]).find(|print| !is_fingerprint(print)) {
        return Err(format!("\"{bad}\" is no fingerprint of a home file (64 hexadecimal digits)"));
    }
    if jiff::tz::TimeZoneDatabase::bundled().get(&record.home.timezone).is_err() {
        return Err(format!("home.timezone: there is no time zone \"{}\"", record.home.timezone));
    }
    for (n, issue) in (1..).zip(&record.issues) {
        if issue.number != n {
            return Err(format!(
                "the issues must be numbered from 1 on; {} stands at place {n}",
                issue.number
            ));
        }
    }
    Ok(())
}

fn once<'a>(what: &str, ids: impl Iterator<Item = &'a str>) -> Result<(), String> {
    let mut seen = BTreeSet::new();
    for id in ids {
        if !seen.insert(id) {
            return Err(format!("the {what} \"{id}\" is there twice"));
        }
    }
    Ok(())
}

fn is_fingerprint(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

/// Writes a record: whole, or not at all.
///
/// # Errors
/// When it can't be written, or could not be read again: then what was there before is still there.
pub fn write(path: &Path, record: &Record) -> Result<(), RecordError> {
    let malformed = |what: String| RecordError::Malformed { path: path.to_owned(), what };
    let mut text = serde_json::to_string_pretty(record).map_err(|e| malformed(e.to_string()))?;
    text.push('\n');
    // A number that is none becomes `null`, which would make the record unreadable for ever.
    parse(&text, path)?;
    replace(path, text.as_bytes()).map_err(|why| RecordError::Unwritable { path: path.to_owned(), why })
}

/// Puts `bytes` in place of the file at `path` in one step, with the permissions that it had, or those of any new file.
pub(in crate::commission) fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.prefix(".overspill-").tempfile_in(folder)?;
    file.write_all(bytes)?;
    if let Ok(there) = std::fs::metadata(path) {
        file.as_file().set_permissions(there.permissions())?;
    }
    file.as_file().sync_all()?;
    file.persist(path).map(drop).map_err(|e| e.error)
}

/// SHA-256 over the bytes of a home file, in hexadecimal digits.
pub fn fingerprint(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
