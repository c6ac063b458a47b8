//! A shadow becomes the live rules in one step, and that is undone in one. Nothing is ever lost: whatever is replaced is
//! kept first, in a folder beside the rules.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::layer::named;
use crate::config::Config;
use crate::daemon::UNDER_WAY;

/// What a kept folder holds beside the files: what was done, as JSON.
const NOTE: &str = "promotion.json";

/// Name of the library's folder within the rules' folder.
const LIBRARY: &str = "lib";

/// Rules, their tests and their library, by path within their folder.
pub type Files = BTreeMap<String, Vec<u8>>;

/// What a promotion or its undoing did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// The shadow.
    pub shadow: String,
    /// Where the files are kept that were live before.
    pub kept: PathBuf,
    /// Files that are new or read otherwise now.
    pub written: Vec<String>,
    /// Files that are no longer there.
    pub removed: Vec<String>,
}

/// Why nothing was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refused {
    /// The shadow's rules read the same as the live ones.
    Same,
    /// There is no promotion to undo.
    NothingToUndo,
    /// The live rules were changed since the promotion, in these files.
    Edited {
        /// The shadow that was promoted.
        shadow: String,
        /// Each file with what happened to it.
        files: Vec<String>,
    },
    /// A file or folder could not be used; a sentence.
    Failed(String),
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Note {
    shadow: String,
    promoted: Timestamp,
    /// The live files as the promotion left them: name and mark.
    after: BTreeMap<String, String>,
    undone: Option<Timestamp>,
}

/// Puts the files of the shadow `name` in place of the live rules. Its rules must have been checked.
///
/// # Errors
/// Why nothing was changed; where a disk fails half-way, what to do.
pub fn promote(config: &Config, name: &str, at: Timestamp) -> Result<Done, Refused> {
    let shadow = named(config, name).map_err(Refused::Failed)?;
    let live = files(&config.rules.folder)?;
    let mut wanted = live.clone();
    for rule in &shadow.without {
        wanted.remove(&format!("{rule}.rhai"));
        wanted.remove(&format!("{rule}.test.toml"));
    }
    wanted.extend(files(&shadow.folder)?);
    if wanted == live {
        return Err(Refused::Same);
    }
    let note = Note { shadow: name.to_owned(), promoted: at, after: marks(&wanted), undone: None };
    let kept = beside(&config.rules.folder, "before", name, at);
    keep(&kept, &live)?;
    write_note(&kept, &note)?;
    replace(&config.rules.folder, &live, &wanted)?;
    Ok(done(name, kept, &live, &wanted))
}

/// Puts back what the newest promotion replaced.
///
/// # Errors
/// Why nothing was changed: among others that the live rules were edited since, unless `force`.
pub fn undo(config: &Config, force: bool, at: Timestamp) -> Result<Done, Refused> {
    let folder = &config.rules.folder;
    let (before, mut note) = newest(folder)?.ok_or(Refused::NothingToUndo)?;
    let live = files(folder)?;
    let edited = edited(&note.after, &marks(&live));
    if !edited.is_empty() && !force {
        return Err(Refused::Edited { shadow: note.shadow, files: edited });
    }
    let wanted = files(&before)?;
    let kept = beside(folder, "undone", &note.shadow, at);
    keep(&kept, &live)?;
    replace(folder, &live, &wanted)?;
    note.undone = Some(at);
    write_note(&before, &note)?;
    Ok(done(&note.shadow, kept, &live, &wanted))
}

fn done(shadow: &str, kept: PathBuf, live: &Files, wanted: &Files) -> Done {
    let written = wanted.iter().filter(|(name, text)| live.get(*name) != Some(text));
    let removed = live.keys().filter(|name| !wanted.contains_key(*name));
    Done {
        shadow: shadow.to_owned(),
        kept,
        written: written.map(|(name, _)| name.clone()).collect(),
        removed: removed.cloned().collect(),
    }
}

/// What differs between two states of the live files, in words.
fn edited(then: &BTreeMap<String, String>, now: &BTreeMap<String, String>) -> Vec<String> {
    let changed = then.iter().filter_map(|(name, mark)| match now.get(name) {
        None => Some(format!("{name} was removed")),
        Some(other) if other != mark => Some(format!("{name} was changed")),
        Some(_) => None,
    });
    let added = now.keys().filter(|name| !then.contains_key(*name)).map(|name| format!("{name} was added"));
    changed.chain(added).collect()
}

/// Rules (`*.rhai`), their tests (`*.test.toml`) and the library of a folder. Nothing else is touched.
///
/// # Errors
/// When one of them can't be read.
pub fn files(folder: &Path) -> Result<Files, Refused> {
    let mut found = Files::new();
    for (prefix, folder) in
        [(String::new(), folder.to_owned()), (format!("{LIBRARY}/"), folder.join(LIBRARY))]
    {
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(why) if why.kind() == io::ErrorKind::NotFound => continue,
            Err(why) => return Err(failed("can't be read", &folder, &why)),
        };
        for entry in entries.filter_map(Result::ok) {
            let name = entry.file_name().to_string_lossy().into_owned();
            if (name.ends_with(".rhai") || name.ends_with(".test.toml")) && entry.path().is_file() {
                let text = std::fs::read(entry.path())
                    .map_err(|why| failed("can't be read", &entry.path(), &why))?;
                found.insert(format!("{prefix}{name}"), text);
            }
        }
    }
    Ok(found)
}

/// Copies files into a new folder, whole and on the disk before anything else happens.
fn keep(folder: &Path, files: &Files) -> Result<(), Refused> {
    if folder.exists() {
        let shown = folder.display();
        return Err(Refused::Failed(format!("{shown} is there already; wait a second and try again")));
    }
    std::fs::create_dir_all(folder).map_err(|why| failed("can't be made", folder, &why))?;
    for (name, text) in files {
        write_whole(&folder.join(name), text)?;
    }
    Ok(())
}

/// From one state of the rules' folder to another. First every new text is written beside its place; the renaming that
/// follows takes a moment, for which the daemon looks away.
fn replace(folder: &Path, live: &Files, wanted: &Files) -> Result<(), Refused> {
    let changed: Vec<(&String, &Vec<u8>)> =
        wanted.iter().filter(|(name, text)| live.get(*name) != Some(text)).collect();
    let staged = |name: &str| folder.join(format!("{name}.new"));
    for (name, text) in &changed {
        if let Err(why) = write_whole(&staged(name), text) {
            changed.iter().for_each(|(name, _)| drop(std::fs::remove_file(staged(name))));
            return Err(why);
        }
        // Who may read the rules stays as it was.
        if let Ok(former) = std::fs::metadata(folder.join(name)) {
            let _ = std::fs::set_permissions(staged(name), former.permissions());
        }
    }
    let marker = folder.join(UNDER_WAY);
    write_whole(&marker, b"rules are being replaced\n")?;
    let renamed = changed.iter().try_for_each(|(name, _)| {
        let to = folder.join(name);
        std::fs::rename(staged(name), &to).map_err(|why| failed("can't be replaced", &to, &why))
    });
    let gone = live.keys().filter(|name| !wanted.contains_key(*name));
    let removed = renamed.and_then(|()| {
        gone.into_iter().try_for_each(|name| {
            let path = folder.join(name);
            std::fs::remove_file(&path).map_err(|why| failed("can't be removed", &path, &why))
        })
    });
    let _ = std::fs::remove_file(&marker);
    removed.map_err(|why| match why {
        Refused::Failed(why) => Refused::Failed(format!(
            "{why}. The rules may be in part the old and in part the new ones; the old ones are kept, and `undo --force` \
             puts them back"
        )),
        other => other,
    })
}

fn write_whole(path: &Path, text: &[u8]) -> Result<(), Refused> {
    let write = || -> io::Result<()> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        let mut file = std::fs::File::create(path)?;
        io::Write::write_all(&mut file, text)?;
        file.sync_all()
    };
    write().map_err(|why| failed("can't be written", path, &why))
}

fn write_note(folder: &Path, note: &Note) -> Result<(), Refused> {
    let text = serde_json::to_string_pretty(note).map_err(|why| Refused::Failed(why.to_string()))?;
    write_whole(&folder.join(NOTE), text.as_bytes())
}

/// `rules.before-eager-20261125T212800Z`, beside `rules`.
fn beside(rules: &Path, word: &str, shadow: &str, at: Timestamp) -> PathBuf {
    let name = rules.file_name().map_or_else(|| "rules".into(), |name| name.to_string_lossy());
    rules.with_file_name(format!("{name}.{word}-{shadow}-{}", at.strftime("%Y%m%dT%H%M%SZ")))
}

/// The newest promotion that was not undone, with the folder of what it replaced.
fn newest(rules: &Path) -> Result<Option<(PathBuf, Note)>, Refused> {
    let name = rules.file_name().map_or_else(|| "rules".into(), |name| name.to_string_lossy());
    let parent = rules.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let entries = std::fs::read_dir(parent).map_err(|why| failed("can't be read", parent, &why))?;
    let ours = entries.filter_map(Result::ok).map(|entry| entry.path()).filter(|path| {
        let found = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        found.starts_with(&format!("{name}.before-"))
    });
    let noted = ours.filter_map(|path| {
        let note: Note = serde_json::from_slice(&std::fs::read(path.join(NOTE)).ok()?).ok()?;
        note.undone.is_none().then_some((path, note))
    });
    Ok(noted.max_by_key(|(_, note)| note.promoted))
}

fn marks(files: &Files) -> BTreeMap<String, String> {
    files.iter().map(|(name, text)| (name.clone(), mark(text))).collect()
}

/// FNV-1a of a file.
fn mark(text: &[u8]) -> String {
    let add = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3);
    format!("{:016x}", text.iter().fold(0xcbf2_9ce4_8422_2325_u64, add))
}

fn failed(what: &str, path: &Path, why: &io::Error) -> Refused {
    Refused::Failed(format!("{} {what}: {why}", path.display()))
}
