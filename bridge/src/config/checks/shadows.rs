//! The folders of candidate rules: whether they are there, and whether what they say has a meaning.

use super::files::Named;
use crate::config::block::{At, Block};
use crate::config::diagnostic::Diagnostics;
use crate::config::nearest::nearest;
use crate::config::rules::rule_names;
use crate::config::secret::io_words;
use crate::config::shadow::ShadowConfig;

/// Looks at the folder of every shadow.
pub(super) fn check(named: &Named<'_>, found: &mut Diagnostics) {
    let live = rule_names(&named.rules.folder).unwrap_or_default();
    for shadow in named.shadows {
        let section = named.root.named("shadow").iter().find(|(name, _)| name.value == shadow.name);
        if let Some((name, block)) = section {
            one(named, (name, block), shadow, &live, found);
        }
    }
}

/// Whether a shadow brings a rule of this name or leaves it out: `order` may then name it, promoted or not.
pub(super) fn has(named: &Named<'_>, rule: &str) -> bool {
    let knows = |shadow: &ShadowConfig| {
        shadow.without.iter().any(|name| name == rule)
            || rule_names(&shadow.folder).is_ok_and(|names| names.iter().any(|name| name == rule))
    };
    named.shadows.iter().any(knows)
}

fn one(
    named: &Named<'_>,
    (name, block): (&At<String>, &Block),
    shadow: &ShadowConfig,
    live: &[String],
    found: &mut Diagnostics,
) {
    let place = block.place("folder");
    if shadow.folder == named.rules.folder {
        found
            .error("same-folder", place, "a shadow can't stand in the folder of the live rules")
            .label("the live rules are here")
            .help("give it a folder of its own, such as \"shadow/NAME\", with the files that differ");
        return;
    }
    let names = match rule_names(&shadow.folder) {
        Ok(names) => names,
        Err(why) => {
            let shown = shadow.folder.display();
            let message = format!("the shadow's folder can't be read: {}", io_words(&why));
            found.error("no-such-folder", place, message).label("looked for here").help(format!(
                "looked for {shown}: make the folder and put the rules (*.rhai) in it that differ from the live ones"
            ));
            return;
        }
    };
    let library = rule_names(&shadow.folder.join("lib")).unwrap_or_default();
    if names.is_empty() && library.is_empty() && shadow.without.is_empty() {
        found
            .warning(
                "same-rules",
                name.place.clone(),
                format!("shadow `{}` has no rules of its own", name.value),
            )
            .label("the same as the live rules")
            .help("put rules (*.rhai) that differ into its folder, or name live rules in `without`");
    }
    for rule in block.texts("without").unwrap_or(&[]) {
        left_out(rule, &names, live, found);
    }
}

/// A rule that is not there is no mistake: after a promotion that is how it should be.
fn left_out(rule: &At<String>, own: &[String], live: &[String], found: &mut Diagnostics) {
    let name = &rule.value;
    if own.contains(name) {
        found
            .error("both-ways", rule.place.clone(), format!("`{name}` is left out and brought along"))
            .label(format!("its folder holds {name}.rhai"))
            .help("a file of that name stands in the live rule's place; `without` is for rules with nothing in their place");
    } else if !live.contains(name) {
        let bare = name.strip_suffix(".rhai").unwrap_or(name);
        let message = format!("`without` names `{name}`, which is not in the rules' folder");
        let d = found.warning("unknown-name", rule.place.clone(), message);
        match nearest(bare, live.iter().map(String::as_str)) {
            Some(near) => d.label(format!("did you mean \"{near}\"?")),
            None => d.label(format!("there is no {bare}.rhai")),
        };
        d.help("there is nothing to leave out; rules are named by their file without its ending");
    }
}
