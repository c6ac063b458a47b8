//! What a home file gets wrong although every value in it can be read: sections 3 to 6 of the semantics, each check with
//! the sentence that people read.

mod balance;
mod circuits;
pub(crate) mod files;
pub(crate) mod load;
mod names;
mod phases;
pub(crate) mod point;
mod safety;
mod shadows;
mod topics;

pub(crate) use safety::{has_words, unsuitable};

use super::build::Draft;
use super::diagnostic::Diagnostics;

/// Runs every check that looks at several items together.
pub(crate) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    home(draft, found);
    balance::check(draft, found);
    phases::check(draft, found);
    circuits::check(draft, found);
    safety::check(draft, found);
    topics::check(draft, found);
    names::check(draft, found);
}

fn home(draft: &Draft<'_>, found: &mut Diagnostics) {
    let Some(home) = draft.root.block("home") else { return };
    for (key, other) in [("latitude", "longitude"), ("longitude", "latitude")] {
        if home.is_written(key) && !home.is_written(other) {
            found
                .error("missing-key", home.key_place(key), format!("`{key}` without `{other}`"))
                .label(format!("`{other}` is missing"))
                .help("a place on earth has both");
        }
    }
}
