//! Earlier versions of rules: whatever the page replaces is kept first, in a folder beside the rules.
//!
//! `rules.versions/car.rhai/` holds the texts that `car.rhai` had, each in a file named by the time at which it was
//! replaced, with a note beside it. The newest [`KEPT`] of each file are kept.

use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use overspill_rules::limits::RULE_FILE_BYTES;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::files::FileName;

/// Versions that are kept of one file: at most 6 MiB of texts of the greatest size that a rule may have.
pub(crate) const KEPT: usize = 100;

/// The form of the names of versions: a time, to the millisecond.
const STAMP: &str = "%Y%m%dT%H%M%S";

/// An earlier version.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Version {
    /// Its name: the time at which it was replaced, as `20260601T110000123Z`.
    pub(crate) stamp: String,
    /// The same as a time.
    pub(crate) replaced: String,
    /// Who replaced it.
    pub(crate) by: Option<String>,
    /// How: `changed`, `removed` or `put back`.
    pub(crate) how: Option<String>,
    /// Its size in bytes.
    pub(crate) bytes: u64,
}

/// Who replaced a version, and how.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Note {
    by: String,
    how: String,
}

/// Where the versions of a file are: beside the rules' folder.
fn place(rules: &Path, file: &FileName) -> PathBuf {
    beside(rules).join(file.path())
}

fn beside(rules: &Path) -> PathBuf {
    let name = rules.file_name().map_or_else(|| "rules".into(), |name| name.to_string_lossy());
    rules.with_file_name(format!("{name}.versions"))
}

/// Keeps what a file holds before it is replaced, and lets go of the oldest versions where there are too many.
///
/// # Errors
/// Why it could not be kept; nothing may be replaced then.
pub(super) fn keep(
    rules: &Path,
    file: &FileName,
    bytes: &[u8],
    (by, how): (&str, &str),
    at: Timestamp,
) -> Result<String, String> {
    let folder = place(rules, file);
    let keep = || -> io::Result<String> {
        std::fs::create_dir_all(&folder)?;
        let mut at = at;
        loop {
            let stamp = stamp_of(at);
            match std::fs::OpenOptions::new().write(true).create_new(true).open(folder.join(&stamp)) {
                Ok(mut version) => {
                    io::Write::write_all(&mut version, bytes)?;
                    version.sync_all()?;
                    let note = Note { by: by.to_owned(), how: how.to_owned() };
                    let note = serde_json::to_vec(&note).unwrap_or_default();
                    std::fs::write(folder.join(format!("{stamp}.json")), note)?;
                    return Ok(stamp);
                }
                Err(why) if why.kind() == io::ErrorKind::AlreadyExists => {
                    at = at.saturating_add(jiff::SignedDuration::from_millis(1)).map_err(io::Error::other)?;
                }
                Err(why) => return Err(why),
            }
        }
    };
    let stamp = keep().map_err(|why| {
        format!("the former {file} can't be kept in {}: {why}; nothing was changed", folder.display())
    })?;
    let mut all = stamps(&folder);
    let over = all.len().saturating_sub(KEPT);
    for old in all.drain(..over) {
        drop(std::fs::remove_file(folder.join(&old)));
        drop(std::fs::remove_file(folder.join(format!("{old}.json"))));
    }
    Ok(stamp)
}

fn stamp_of(at: Timestamp) -> String {
    format!("{}{:03}Z", at.strftime(STAMP), at.subsec_millisecond())
}

/// The time that a version's name says; `None` where it is no such name, so that no other file is ever opened.
fn time_of(stamp: &str) -> Option<Timestamp> {
    let digits = stamp.strip_suffix('Z')?;
    let (date, time) = (digits.get(..8)?, digits.get(8..)?.strip_prefix('T')?);
    let all_digits = |text: &str, n: usize| text.len() == n && text.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(date, 8) || !all_digits(time, 9) {
        return None;
    }
    let whole = jiff::civil::DateTime::strptime(STAMP, digits.get(..15)?).ok()?;
    let millis: i64 = time.get(6..)?.parse().ok()?;
    let start = whole.to_zoned(jiff::tz::TimeZone::UTC).ok()?.timestamp();
    start.checked_add(jiff::SignedDuration::from_millis(millis)).ok()
}

/// The names of the versions in a folder, the oldest first.
fn stamps(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    let names = entries.map(|entry| entry.file_name().to_string_lossy().into_owned());
    let mut stamps: Vec<String> = names.filter(|name| time_of(name).is_some()).collect();
    stamps.sort();
    stamps
}

/// The earlier versions of a file, the newest first.
pub(crate) fn all(rules: &Path, file: &FileName) -> Vec<Version> {
    let folder = place(rules, file);
    let one = |stamp: String| {
        let at = time_of(&stamp)?;
        let bytes = std::fs::metadata(folder.join(&stamp)).ok()?.len();
        let note = std::fs::read(folder.join(format!("{stamp}.json"))).ok();
        let note: Option<Note> = note.and_then(|note| serde_json::from_slice(&note).ok());
        let (by, how) = note.map_or((None, None), |note| (Some(note.by), Some(note.how)));
        Some(Version { stamp, replaced: at.to_string(), by, how, bytes })
    };
    stamps(&folder).into_iter().rev().filter_map(one).collect()
}

/// What a version holds; `None` where there is none of this name.
///
/// # Errors
/// When it can't be read.
pub(crate) fn read(rules: &Path, file: &FileName, stamp: &str) -> Result<Option<Vec<u8>>, String> {
    if time_of(stamp).is_none() {
        return Ok(None);
    }
    let path = place(rules, file).join(stamp);
    match std::fs::symlink_metadata(&path) {
        Ok(meta) if meta.is_file() && meta.len() <= RULE_FILE_BYTES as u64 => {}
        Ok(_) => return Err(format!("this version of {file} is no file that the page wrote")),
        Err(_) => return Ok(None),
    }
    std::fs::read(&path).map(Some).map_err(|why| format!("this version of {file} can't be read: {why}"))
}

/// Files that have versions and are no longer there.
pub(crate) fn removed(rules: &Path) -> Vec<FileName> {
    let beside = beside(rules);
    let folders = [beside.clone(), beside.join("lib")].into_iter().enumerate();
    let mut found = Vec::new();
    for (n, folder) in folders {
        let entries = std::fs::read_dir(&folder).into_iter().flatten().filter_map(Result::ok);
        for name in entries.map(|entry| entry.file_name().to_string_lossy().into_owned()) {
            let address = match (name.strip_suffix(".rhai"), name.strip_suffix(".test.toml"), n) {
                (Some(stem), _, 1) => format!("lib:{stem}"),
                (Some(stem), _, _) => stem.to_owned(),
                (None, Some(stem), 0) => format!("test:{stem}"),
                _ => continue,
            };
            let file = FileName::of_address(&address).ok();
            found.extend(file.filter(|file| {
                file.place(rules).is_ok_and(|path| !path.exists()) && !stamps(&place(rules, file)).is_empty()
            }));
        }
    }
    found.sort();
    found
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn car() -> FileName {
        FileName::of_address("car").unwrap()
    }

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_780_311_600 + second).unwrap()
    }

    #[test]
    fn a_version_comes_back_byte_for_byte() {
        let home = tempfile::tempdir().unwrap();
        let rules = home.path().join("rules");
        let odd = b"\xef\xbb\xbf// caf\xc3\xa9\r\n\tfn decide(home) {}\n\n  \x7f";
        let stamp = keep(&rules, &car(), odd, ("Ada", "changed"), at(0)).unwrap();
        assert_eq!(stamp, "20260601T110000000Z");
        assert_eq!(read(&rules, &car(), &stamp).unwrap().unwrap(), odd);
        // The same moment again is no reason to lose one.
        let other = keep(&rules, &car(), b"b", ("Bo", "removed"), at(0)).unwrap();
        assert_eq!(other, "20260601T110000001Z");
        let all = all(&rules, &car());
        assert_eq!(all.iter().map(|v| v.by.as_deref().unwrap()).collect::<Vec<_>>(), ["Bo", "Ada"]);
        assert_eq!(all[1].replaced, "2026-06-01T11:00:00Z");
        assert_eq!(removed(&rules), [car()]);
    }

    #[test]
    fn the_oldest_go_when_there_are_too_many() {
        let home = tempfile::tempdir().unwrap();
        let rules = home.path().join("rules");
        for n in 0..KEPT as i64 + 3 {
            keep(&rules, &car(), n.to_string().as_bytes(), ("Ada", "changed"), at(n)).unwrap();
        }
        let all = all(&rules, &car());
        assert_eq!(all.len(), KEPT);
        assert_eq!(read(&rules, &car(), &all.last().unwrap().stamp).unwrap().unwrap(), b"3");
    }

    #[test]
    fn no_name_of_a_version_leads_elsewhere() {
        let home = tempfile::tempdir().unwrap();
        let rules = home.path().join("rules");
        let stamp = keep(&rules, &car(), b"a", ("Ada", "changed"), at(0)).unwrap();
        for bad in [
            "",
            "..",
            "../car.rhai/20260601T110000000Z",
            "/etc/passwd",
            "20260601T110000000Z.json",
            "20261301T110000000Z",
            "2026060éT110000000Z",
            "x",
            &format!("{stamp}\0"),
        ] {
            assert_eq!(read(&rules, &car(), bad), Ok(None), "{bad:?}");
        }
    }
}
