//! What the house does now, and why.

mod cascade;
mod picture;
mod steps;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::response::Html;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::history;
use super::live::Fragment;
use super::site::Shared;
use super::trouble::Trouble;
use crate::config::Config;
use crate::daemon::Facts;
use picture::Picture;
use steps::{Said, Step};

/// The part of the page that changes.
#[derive(Template)]
#[template(path = "present.html")]
struct Present {
    /// Date and time in the home's zone.
    time: String,
    /// The present in a sentence.
    headline: String,
    /// What is spare, in a sentence.
    spare: String,
    /// What is wrong with the readings themselves, in a sentence.
    doubt: Option<String>,
    steps: Vec<Step>,
    /// Loads that the grid point does not count.
    apart: Vec<Step>,
    /// The picture beside the words of a narrow page, and of a wide one.
    pictures: [Picture; 2],
    notices: Vec<Said>,
}

#[derive(Template)]
#[template(path = "now.html")]
struct Page {
    frame: Frame,
    present: Fragment,
    /// What today came to so far, in a sentence.
    today: Option<String>,
    script: &'static str,
}

/// The present of these facts.
pub(super) fn fragment(config: &Config, facts: &Facts) -> Fragment {
    let present = steps::present(&config.home, facts);
    // Rendering into memory can't fail.
    Arc::from(present.render().unwrap_or_default())
}

/// The first view.
pub(super) async fn page(State(site): State<Shared>, visitor: Visitor) -> Result<Html<String>, Trouble> {
    let present = site.newest.fragment();
    let today = history::today(&site).await;
    let script = super::assets::again_path();
    let page = Page { frame: Frame::new(&site, Here::Now, visitor), present, today, script };
    super::rendered(&page)
}
