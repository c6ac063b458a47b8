//! Names that points had before.

use crate::config::build::Draft;
use crate::config::diagnostic::Diagnostics;

/// A former name may not be a point's of today, nor that of two points.
pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    let points = draft.root.named("point");
    for (n, (_, block)) in points.iter().enumerate() {
        let Some(was) = block.text("was") else { continue };
        if let Some((today, _)) = points.iter().find(|(id, _)| id.value == was) {
            found
                .error("former-name-taken", block.place("was"), format!("there is still a point `{was}`"))
                .label("its history stays with it")
                .also(today.place.clone(), "this one")
                .help("`was` is for a point that has another name now; leave it out, or take the old section out");
        }
        let first = points.iter().take(n).find(|(_, other)| other.text("was") == Some(was));
        if let Some((_, first)) = first {
            found
                .error(
                    "former-name-twice",
                    block.place("was"),
                    format!("two points say that they were `{was}`"),
                )
                .label("again here")
                .also(first.place("was"), "first said here")
                .help("one history can go to one point only");
        }
    }
}
