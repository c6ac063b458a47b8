//! The page of a commissioning: one step at a time, for a phone at the fuse board. It is served by the command itself,
//! because it has to outlive the daemon whose death it proves.
//!
//! | to find | open |
//! |---|---|
//! | routes, and serving | `serve.rs` |
//! | who may use it: the code, cookies, proofs, headers | `guard.rs`, `code.rs` |
//! | what a page shows, from what the sitting shows | `show.rs`, `fields.rs`, `evidence.rs` |
//! | what a page says | `said.rs` |
//! | what changes, as it changes | `live.rs` |
//! | the same as JSON | `json.rs` |

mod code;
mod evidence;
mod fields;
mod guard;
mod json;
mod live;
mod pages;
mod said;
mod serve;
mod show;
#[cfg(test)]
mod tests;

pub(in crate::web) use pages::as_sheet;
pub(crate) use serve::{Door, Parts};
