//! What the daemon says to changed rules: it looks at their folder each second and takes them whole, or not at all.

use std::time::Duration;

use overspill_rules::output::Notice;

use crate::daemon::Facts;
use crate::web::site::Site;

/// How long to wait for its word.
const WITHIN: Duration = Duration::from_secs(5);

/// The notices that tell what it did.
const CODES: [&str; 3] = ["rules_changed", "rules_broken", "rules_unreadable"];

/// What the daemon did with a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Word {
    /// The new rules are in force.
    Taken,
    /// It keeps the former ones.
    Former,
    /// It has not said yet.
    NotYet,
}

impl Word {
    /// As it is written in an address and for programs.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Word::Taken => "taken",
            Word::Former => "former",
            Word::NotYet => "not-yet",
        }
    }
}

/// What a page says after something was done.
pub(super) fn words(word: &str) -> Option<&'static str> {
    Some(match word {
        "taken" => "Saved, and in force: the running program took it.",
        "former" => {
            "Saved, but not in force: rules are taken whole, and there are mistakes on the disk. The former rules stay in \
             force until they are mended."
        }
        "not-yet" => {
            "Saved. The running program has not said yet whether it took it; it looks at the folder each second."
        }
        "tests" => "Saved.",
        "same" => "Nothing to do: the file holds just that already.",
        _ => return None,
    })
}

/// Notices about rules up to now, to tell later ones from them.
pub(crate) fn heard(facts: &Facts) -> Vec<Notice> {
    facts.notices.iter().filter(|notice| CODES.contains(&notice.code.as_str())).cloned().collect()
}

/// Waits for what the daemon says that it had not said `before`.
pub(crate) async fn daemons_word(site: &Site, before: &[Notice]) -> Word {
    let mut facts = site.facts.clone();
    let news = |facts: &Facts| heard(facts).into_iter().rfind(|notice| !before.contains(notice));
    let waited = tokio::time::timeout(WITHIN, facts.wait_for(|facts| news(facts).is_some())).await;
    match waited {
        Ok(Ok(facts)) => match news(&facts) {
            Some(notice) if notice.code == "rules_changed" => Word::Taken,
            Some(_) => Word::Former,
            None => Word::NotYet,
        },
        _ => Word::NotYet,
    }
}
