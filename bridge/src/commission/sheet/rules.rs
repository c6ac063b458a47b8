//! The rules in their own words: the comment that each begins with.

use crate::config::{RulesConfig, rule_names};

/// Longest comment that is shown, in characters.
const WORDS: usize = 330;

/// A rule in plain words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleWords {
    /// Its file.
    pub file: String,
    /// The comment at its beginning; empty where it has none.
    pub words: String,
}

/// The rules of a home, highest rank first; none where their folder can't be read.
pub fn rule_words(rules: &RulesConfig) -> Vec<RuleWords> {
    let names = rules.ranked(rule_names(&rules.folder).unwrap_or_default());
    let one = |name: String| {
        let file = format!("{name}.rhai");
        let text = std::fs::read_to_string(rules.folder.join(&file)).unwrap_or_default();
        RuleWords { file, words: shortened(&leading_comment(&text)) }
    };
    names.into_iter().map(one).collect()
}

/// The lines of comment before the first line of anything else, as one text.
pub(super) fn leading_comment(text: &str) -> String {
    let mut words = Vec::new();
    for line in text.trim_start_matches('\u{feff}').lines().map(str::trim).skip_while(|l| l.is_empty()) {
        let Some(comment) = line.strip_prefix("//") else { break };
        words.push(comment.trim_start_matches(['/', '!']).trim());
    }
    words.join(" ").trim().to_owned()
}

/// The whole sentences that fit, or as many words.
pub(super) fn shortened(text: &str) -> String {
    if text.chars().count() <= WORDS {
        return text.to_owned();
    }
    let cut: String = text.chars().take(WORDS).collect();
    match cut.rfind(". ") {
        Some(end) => format!("{}. ..", cut.get(..end).unwrap_or(&cut)),
        None => format!("{} ..", cut.rsplit_once(' ').map_or(cut.as_str(), |(head, _)| head)),
    }
}
