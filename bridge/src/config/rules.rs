//! Which rules there are, and in which rank.

use std::io;
use std::path::{Path, PathBuf};

/// Where the rules are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RulesConfig {
    /// Their folder.
    pub folder: PathBuf,
    /// Names of rules, highest rank first; rules not named here follow by name.
    pub order: Vec<String>,
}

impl RulesConfig {
    /// `names` in rank, highest first.
    pub fn ranked(&self, mut names: Vec<String>) -> Vec<String> {
        let rank = |name: &String| self.order.iter().position(|o| o == name).unwrap_or(usize::MAX);
        names.sort_by(|a, b| rank(a).cmp(&rank(b)).then_with(|| a.cmp(b)));
        names
    }
}

/// The names of the rules in `folder` (`*.rhai`, without the ending), by name. Folders in it hold no rules.
///
/// # Errors
/// What the system says when the folder can't be read.
pub fn rule_names(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let stem = path.file_stem().and_then(|s| s.to_str());
        if let Some(stem) = stem
            && path.extension().is_some_and(|e| e == "rhai")
            && path.is_file()
        {
            names.push(stem.to_owned());
        }
    }
    names.sort();
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn named_rules_come_first_and_the_rest_by_name() {
        let rules =
            RulesConfig { folder: PathBuf::new(), order: vec!["water".to_owned(), "gone".to_owned()] };
        let names = ["car", "water", "bath"].map(str::to_owned).to_vec();
        assert_eq!(rules.ranked(names), ["water", "bath", "car"]);
    }
}
