//! The rules' folder: read whole, and read again when anything in it changes.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use overspill_rules::input::{RuleSet, RuleSource};

use crate::config::RulesConfig;

/// Name of the folder, within the rules' folder, from which rules may import.
const LIBRARY: &str = "lib";

/// A file of this name in the rules' folder says that rules are being replaced, so that half of them is never read.
pub const UNDER_WAY: &str = "rules-are-being-replaced";

/// Whoever takes longer to replace rules has died meanwhile.
const UNDER_WAY_FOR: Duration = Duration::from_secs(10);

/// Watches the rules' folder.
#[derive(Debug, Clone)]
pub struct RuleFiles {
    config: RulesConfig,
    /// Name, size and time of every file, as they stood when last looked at.
    seen: Option<Vec<(PathBuf, u64, Option<SystemTime>)>>,
}

impl RuleFiles {
    /// Watches the folder that the home file names.
    pub fn new(config: &RulesConfig) -> RuleFiles {
        RuleFiles { config: config.clone(), seen: None }
    }

    /// The rules, if anything in the folder changed since the last look.
    ///
    /// # Errors
    /// A sentence, when the folder or a file in it can't be read.
    pub fn changed(&mut self) -> Result<Option<RuleSet>, String> {
        let stand = self.stand()?;
        if self.seen.as_ref() == Some(&stand) || self.seen.is_some() && self.being_replaced() {
            return Ok(None);
        }
        if self.seen.as_ref().is_some_and(|seen| !seen.is_empty()) && !self.config.folder.is_dir() {
            return Err(format!("{} is no longer there", self.config.folder.display()));
        }
        let set = read_rules(&self.config)?;
        // What changed while it was read is read again at the next look.
        if self.seen.is_some() && self.stand()? != stand {
            return Ok(None);
        }
        self.seen = Some(stand);
        Ok(Some(set))
    }

    fn being_replaced(&self) -> bool {
        let began =
            std::fs::metadata(self.config.folder.join(UNDER_WAY)).and_then(|marker| marker.modified());
        began.is_ok_and(|began| began.elapsed().is_ok_and(|since| since < UNDER_WAY_FOR))
    }

    fn stand(&self) -> Result<Vec<(PathBuf, u64, Option<SystemTime>)>, String> {
        let mut files = Vec::new();
        for folder in [self.config.folder.clone(), self.config.folder.join(LIBRARY)] {
            for path in scripts(&folder)? {
                if let Ok(meta) = std::fs::metadata(&path) {
                    files.push((path, meta.len(), meta.modified().ok()));
                }
            }
        }
        Ok(files)
    }
}

/// Reads every rule, in rank order, and the library.
///
/// # Errors
/// A sentence, when the folder or a file in it can't be read.
pub fn read_rules(config: &RulesConfig) -> Result<RuleSet, String> {
    let mut rules = read_all(&config.folder)?;
    let names = config.ranked(rules.iter().map(|r| r.name.clone()).collect());
    rules.sort_by_key(|r| names.iter().position(|n| *n == r.name));
    Ok(RuleSet { rules, library: read_all(&config.folder.join(LIBRARY))? })
}

fn read_all(folder: &Path) -> Result<Vec<RuleSource>, String> {
    let mut sources = Vec::new();
    for path in scripts(folder)? {
        let text = std::fs::read_to_string(&path).map_err(|why| told(&path, &why))?;
        let name = path.file_stem().and_then(|s| s.to_str()).unwrap_or_default().to_owned();
        sources.push(RuleSource { name, text });
    }
    Ok(sources)
}

/// The `*.rhai` files of a folder by name; none where there is no such folder.
fn scripts(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(why) => return Err(told(folder, &why)),
    };
    let mut paths: Vec<PathBuf> = entries
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "rhai") && p.is_file())
        .collect();
    paths.sort();
    Ok(paths)
}

fn told(path: &Path, why: &io::Error) -> String {
    format!("{} can't be read: {why}", path.display())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn rules_that_are_being_replaced_or_gone_are_not_taken_for_rules() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("rules");
        std::fs::create_dir(&folder).unwrap();
        let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
        write("car.rhai", "fn decide(home) {}");
        let mut files = RuleFiles::new(&RulesConfig { folder: folder.clone(), order: Vec::new() });
        assert!(files.changed().unwrap().is_some());
        assert_eq!(files.changed(), Ok(None));

        write(UNDER_WAY, "");
        write("water.rhai", "fn decide(home) { }");
        assert_eq!(files.changed(), Ok(None), "half of the new rules");
        std::fs::remove_file(folder.join(UNDER_WAY)).unwrap();
        assert_eq!(files.changed().unwrap().unwrap().rules.len(), 2);

        std::fs::rename(&folder, home.path().join("away")).unwrap();
        assert!(files.changed().unwrap_err().contains("no longer there"));
        std::fs::rename(home.path().join("away"), &folder).unwrap();
        assert_eq!(files.changed(), Ok(None));

        // Somebody died in the middle of it: rules are read again, whatever they are.
        let marker = std::fs::File::create(folder.join(UNDER_WAY)).unwrap();
        marker.set_modified(SystemTime::now() - 2 * UNDER_WAY_FOR).unwrap();
        write("bath.rhai", "fn decide(home) { }");
        assert_eq!(files.changed().unwrap().unwrap().rules.len(), 3);
    }
}
