//! Rules that would start, with nobody there, what should not start by itself.

use overspill_rules::home::{Home, LoadId};
use overspill_rules::time::WallTime;

use super::DryWarning;
use crate::config::unsuitable;
use crate::workbench::moments;
use crate::workbench::story::{Story, Turn};

/// Starts by a rule of loads whose name suggests that somebody must be there. A switch has to say `unattended = true`
/// before it is taken at all; that says nothing of what hangs on it.
pub(super) fn starts(home: &Home, start: WallTime, story: &Story) -> Vec<DryWarning> {
    let mut found = Vec::new();
    for (i, load) in home.loads.iter().enumerate() {
        let Some((word, why)) = unsuitable(&load.id, &load.name) else { continue };
        let turns = story.turns(LoadId(i as u16));
        let first = turns.iter().find_map(|(at, turn, _, report)| {
            (*turn == Turn::Start).then_some((*at, report.rule.as_deref()?))
        });
        let Some((at, rule)) = first else { continue };
        let clock = moments::shown(at, start, &home.timezone);
        found.push(DryWarning {
            code: "starts-unattended",
            message: format!(
                "rule `{rule}` starts `{}` at {clock} with nobody there, and \"{word}\" in its name says: {why}",
                load.id
            ),
            help: format!(
                "let people start it, by an override, and let the rule only `stop` it; where the name misleads, give \
                 `{}` another one",
                load.id
            ),
        });
    }
    found
}
