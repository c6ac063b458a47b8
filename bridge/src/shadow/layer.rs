//! A candidate's rules: its own files laid over the live ones.

use overspill_rules::input::{RuleSet, RuleSource};

use crate::config::{Config, RulesConfig, ShadowConfig};
use crate::daemon::read_rules;

/// The rules of `shadow` over `live`: a file with the name of a live one stands in its place, another is added, and what
/// the shadow leaves out is not there. The library is laid over by name too.
pub fn laid_over(live: &RuleSet, own: &RuleSet, shadow: &ShadowConfig, config: &RulesConfig) -> RuleSet {
    let kept = live.rules.iter().filter(|rule| !shadow.without.contains(&rule.name)).cloned().collect();
    let mut rules = over(kept, &own.rules);
    let names = config.ranked(rules.iter().map(|rule| rule.name.clone()).collect());
    rules.sort_by_key(|rule| names.iter().position(|name| *name == rule.name));
    RuleSet { rules, library: over(live.library.clone(), &own.library) }
}

fn over(mut files: Vec<RuleSource>, own: &[RuleSource]) -> Vec<RuleSource> {
    for file in own {
        match files.iter_mut().find(|known| known.name == file.name) {
            Some(known) => known.text.clone_from(&file.text),
            None => files.push(file.clone()),
        }
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    files
}

/// Reads the shadow's own files.
///
/// # Errors
/// A sentence, when its folder or a file in it can't be read.
pub fn own_rules(shadow: &ShadowConfig) -> Result<RuleSet, String> {
    read_rules(&own_files(shadow))
}

/// Where the shadow's own files are.
pub(super) fn own_files(shadow: &ShadowConfig) -> RulesConfig {
    RulesConfig { folder: shadow.folder.clone(), order: Vec::new() }
}

/// Reads the rules of the shadow `name` as they would be in force.
///
/// # Errors
/// A sentence, when the home has no such shadow or a file can't be read.
pub fn shadow_rules(config: &Config, name: &str) -> Result<RuleSet, String> {
    let shadow = named(config, name)?;
    Ok(laid_over(&read_rules(&config.rules)?, &own_rules(shadow)?, shadow, &config.rules))
}

/// The shadow of this name.
///
/// # Errors
/// A sentence with the names that there are.
pub fn named<'c>(config: &'c Config, name: &str) -> Result<&'c ShadowConfig, String> {
    config.shadows.iter().find(|shadow| shadow.name == name).ok_or_else(|| {
        let names: Vec<&str> = config.shadows.iter().map(|shadow| shadow.name.as_str()).collect();
        match names.as_slice() {
            [] => "this home has no shadow rules; see [shadow.NAME] of the home file".to_owned(),
            names => format!("this home has no shadow `{name}`; it has {}", names.join(", ")),
        }
    })
}

/// A mark of the texts that an account compares: another text on either side is another comparison.
///
/// FNV-1a, since the hash of the standard library may change with its version.
pub(super) fn mark(live: &RuleSet, shadow: &RuleSet) -> String {
    let files = [&live.rules, &live.library, &shadow.rules, &shadow.library];
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut add = |text: &str| {
        // No file holds this byte, so that no text can run on into the next.
        for byte in text.bytes().chain([0xff]) {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    };
    for list in files {
        add("list");
        list.iter().for_each(|file| {
            add(&file.name);
            add(&file.text);
        });
    }
    format!("{hash:016x}")
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn set(rules: &[(&str, &str)], library: &[(&str, &str)]) -> RuleSet {
        let files = |list: &[(&str, &str)]| {
            let file = |(name, text): &(&str, &str)| RuleSource {
                name: (*name).to_owned(),
                text: (*text).to_owned(),
            };
            list.iter().map(file).collect()
        };
        RuleSet { rules: files(rules), library: files(library) }
    }

    fn shadow(without: &[&str]) -> ShadowConfig {
        let without = without.iter().map(|name| (*name).to_owned()).collect();
        ShadowConfig { name: "eager".to_owned(), folder: PathBuf::new(), without }
    }

    #[test]
    fn a_file_of_the_same_name_replaces_another_is_added_and_some_are_left_out() {
        let live = set(&[("busy", "b"), ("car", "c"), ("water", "w")], &[("sums", "s")]);
        let own = set(&[("car", "C"), ("bath", "B")], &[("sums", "S"), ("more", "M")]);
        let config = RulesConfig { folder: PathBuf::new(), order: vec!["water".to_owned()] };
        let laid = laid_over(&live, &own, &shadow(&["busy"]), &config);
        let wanted = set(&[("water", "w"), ("bath", "B"), ("car", "C")], &[("more", "M"), ("sums", "S")]);
        assert_eq!(laid, wanted);
    }

    #[test]
    fn nothing_of_its_own_is_the_live_rules() {
        let live = set(&[("car", "c")], &[("sums", "s")]);
        let config = RulesConfig { folder: PathBuf::new(), order: Vec::new() };
        assert_eq!(laid_over(&live, &RuleSet::default(), &shadow(&["gone"]), &config), live);
    }

    #[test]
    fn another_text_on_either_side_is_another_mark() {
        let (a, b) = (set(&[("car", "c")], &[]), set(&[("car", "C")], &[]));
        let marks = [mark(&a, &a), mark(&a, &b), mark(&b, &a), mark(&a, &set(&[], &[("car", "c")]))];
        let mut unlike = marks.to_vec();
        unlike.sort();
        unlike.dedup();
        assert_eq!(unlike.len(), 4, "{marks:?}");
        assert_eq!(mark(&a, &b), mark(&a, &b));
    }
}
