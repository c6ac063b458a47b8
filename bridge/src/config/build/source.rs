//! Where a value comes from: topic, pointer or expression.

use crate::config::block::{At, Block};
use crate::config::route::{Extract, Makes, Route, Target, TimeSource};

use super::Build;

/// Words that mean yes where the home file names none.
const YES_WORDS: [&str; 4] = ["true", "1", "on", "yes"];

impl Build<'_, '_> {
    /// Adds the route of a value that has its own topic.
    pub(super) fn route(&mut self, block: &Block, target: Target) {
        let topic = block.text("topic").map(|t| (t.to_owned(), block.place("topic")));
        let time = self.time_source(block);
        let Some(extract) = self.extract(block) else { return };
        let Some((topic, place)) = topic else { return };
        let yes_words = yes_words(block, target);
        self.routes.push(At { value: Route { topic, target, extract, time, yes_words }, place });
    }

    /// Adds the route of a further quantity of the device behind `parent`.
    pub(super) fn extra_route(&mut self, parent: &Block, block: &Block, target: Target) {
        self.nonzero_scale(block);
        let own = block.is_written("topic");
        let shared = !own && !block.is_written("pointer") && !block.is_written("script");
        if shared {
            self.found
                .error("no-place", block.header.clone(), format!("`{}` says not where its value stands", block.name))
                .label("pointer, script or topic is missing")
                .help("write a pointer into the point's own message, such as { pointer = \"/volts\" }, or a topic of its own");
        }
        let bare_parent = !parent.is_written("pointer") && !parent.is_written("script");
        if !own && !shared && bare_parent && block.is_written("pointer") {
            self.found
                .error("no-place", block.place("pointer"), "a bare number has no room for a second value")
                .label("points into the message")
                .also(parent.header.clone(), "reads the whole message as one number")
                .help("write `pointer` (or `script`) for the point itself too, or give this value a topic of its own");
        }
        let from = if own { block } else { parent };
        let topic = from.text("topic").map(|t| (t.to_owned(), from.place("topic")));
        let time = parent.text("time_pointer").filter(|_| !own);
        let time = time.map(|pointer| TimeSource { pointer: pointer.to_owned() });
        let Some(extract) = self.extract(block) else { return };
        let Some((topic, place)) = topic else { return };
        self.routes.push(At { value: Route { topic, target, extract, time, yes_words: vec![] }, place });
    }

    fn extract(&mut self, block: &Block) -> Option<Extract> {
        if block.is_written("pointer") && block.is_written("script") {
            self.found
                .error(
                    "two-ways",
                    block.key_place("script"),
                    "`pointer` and `script` both say where the value is",
                )
                .label("the second way")
                .also(block.key_place("pointer"), "the first")
                .help("keep one; a script can read the whole message");
        }
        let script = self.expression(block, "script", Makes::Value);
        if block.is_broken("pointer") || block.is_broken("script") {
            return None;
        }
        match (script, block.text("pointer")) {
            (Some(script), _) => Some(Extract::Script(script)),
            (None, Some(pointer)) => Some(Extract::Pointer(pointer.to_owned())),
            (None, None) => Some(Extract::Number),
        }
    }

    fn time_source(&mut self, block: &Block) -> Option<TimeSource> {
        if !block.knows("time_pointer") {
            return None;
        }
        let pointer = block.text("time_pointer")?.to_owned();
        if !block.is_written("pointer") && !block.is_written("script") {
            self.found
                .error("no-place", block.place("time_pointer"), "a bare number carries no time")
                .label("points into a JSON message")
                .also(block.header.clone(), "reads the whole message as one number")
                .help(
                    "say with `pointer` where in the message the value stands, or leave `time_pointer` out",
                );
        }
        Some(TimeSource { pointer })
    }
}

fn yes_words(block: &Block, target: Target) -> Vec<String> {
    if !matches!(target, Target::Plugged(_) | Target::Ready(_) | Target::Island) {
        return Vec::new();
    }
    match block.texts("yes") {
        Some(words) => words.iter().map(|w| w.value.to_lowercase()).collect(),
        None => YES_WORDS.map(str::to_owned).to_vec(),
    }
}
