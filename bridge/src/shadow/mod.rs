//! Shadow rules: candidates that run live beside the real ones, each with its own account, unable to command.
//!
//! A shadow is a what-if ([`overspill_rules::whatif::WhatIf`]) on what the live home hears as it happens: the real draw
//! of the controlled loads is taken out of the readings, the draw of loads that obey the shadow is put in. What comes of
//! it is an estimate. In particular nobody knows yet how much a car or a tank will take: the shadow's load takes what it
//! is offered until the real one is seen to take nothing, and from then on at most what the real one took.
//!
//! **No command.** A history has no output but its books and what its controller says ([`overspill_rules::whatif::State`]);
//! what leaves this module is [`News`], the name of a shadow and a text for its own topic. It runs on a thread of its
//! own behind a bounded channel ([`start`]): what is too slow is left out, a fault in it ends the shadows and nothing
//! else.
//!
//! **One account compares two texts of rules.** Where either changes, the account begins anew. It goes on across a
//! restart, and pauses while this instance does not command, while the wall clock is not believed, and where it is set.

mod beside;
mod books;
mod crew;
mod layer;
mod one;
mod promote;
mod standing;
mod standings;
#[cfg(test)]
mod tests;
mod told;

pub use beside::{ShadowHandle, ShadowWords, Word, start};
pub use books::{Books, LoadBooks, Side, Sum, kwh};
pub use crew::{Crew, News, Step, matters};
pub use layer::{laid_over, named, own_rules, shadow_rules};
pub use promote::{Done, Files, Refused, files, promote, undo};
pub use standings::{Row, Standing, json, rows, standings, text, verdict};
