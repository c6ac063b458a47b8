//! The page: what the house does now and why, what it did, and what the installer and the tinkerer need.
//!
//! Pages are rendered here, by templates that are compiled in; a little script keeps the present one up to date. The
//! page stands beside control: it looks at the newest [`Facts`](crate::daemon::Facts), reads the journal through
//! connections of its own, and asks the daemon through a bounded channel. Nothing that a viewer does can hold up a
//! decision.
//!
//! | to find | open |
//! |---|---|
//! | every route, and what it takes to use it | `routes.rs` |
//! | who may do what: users, sittings, tokens, roles | `access/` |
//! | what pages share: head, foot, navigation | `frame.rs`, `templates/frame.html` |
//! | one view | the folder or file of its name, and its template |
//! | the same as JSON | `api/` |
//! | how the proof of the home stands | `proof.rs` |
//! | the page of a commissioning, which its command serves | `commissioning/` |
//! | how refusals and mistakes reach people | `trouble.rs` |
//! | connections: their number, their time limits | `serve.rs`, `crowd.rs` |
//! | threads that give way to control | `threads.rs` |
//! | what watches the program: `/healthz`, `/metrics` | `healthz.rs`, `metrics.rs` |

mod access;
mod api;
mod assets;
mod battery;
pub(crate) mod commissioning;
mod crowd;
mod frame;
mod health;
mod healthz;
mod history;
mod live;
mod loads;
mod metrics;
mod present;
mod proof;
mod report;
mod routes;
mod rules;
mod serve;
mod settings;
mod shadows;
mod site;
mod speech;
#[cfg(test)]
pub(crate) mod testing;
mod threads;
mod trouble;

pub use serve::{Page, Parts};

/// A template as an answer.
fn rendered(page: &impl askama::Template) -> Result<axum::response::Html<String>, trouble::Trouble> {
    page.render()
        .map(axum::response::Html)
        .map_err(|_| trouble::Trouble::fault("this page could not be put together"))
}
