//! How the proof of the home stands: what its commissioning left behind. The commissioning itself is a page of its own,
//! which its command serves (`commissioning/`).

use askama::Template;
use axum::extract::State;
use axum::response::{Html, Response};
use jiff::Timestamp;
use serde::Serialize;

use super::access::Visitor;
use super::commissioning::as_sheet;
use super::frame::{Frame, Here};
use super::site::Shared;
use super::trouble::Trouble;
use crate::commission::record::{self, Record, Standing};
use crate::commission::{beside, board};
use crate::config::Config;

/// How the proof of the home stands.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct Proof {
    /// Whether a commissioning was ever begun.
    pub(crate) begun: bool,
    /// Everything is proved, for the home file as it is now.
    pub(crate) complete: bool,
    /// Who did it.
    pub(crate) by: Option<String>,
    /// When a step was decided last (RFC 3339).
    pub(crate) last: Option<String>,
    /// When the newest sheet was issued (RFC 3339).
    pub(crate) sheet: Option<String>,
    /// Every step that is not good, those that are wrong first.
    pub(crate) open: Vec<Unproved>,
    /// How many steps are good.
    pub(crate) good: usize,
    /// What else is missing, as sentences.
    pub(crate) missing: Vec<String>,
}

/// A step that is not good.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct Unproved {
    /// Its id.
    pub(crate) id: String,
    /// Its title.
    pub(crate) title: String,
    /// `wrong`, `lapsed` or `not proven yet`.
    pub(crate) verdict: &'static str,
    /// Why.
    pub(crate) words: String,
    /// What completes or mends it.
    pub(crate) next: String,
    /// When it was decided (RFC 3339).
    pub(crate) at: Option<String>,
    /// Who did it.
    pub(crate) by: Option<String>,
    #[serde(skip)]
    pub(crate) when: String,
}

/// How it stands now, from what is beside the home file.
///
/// # Errors
/// When a file can't be read.
pub(crate) fn proof(config: &Config) -> Result<Proof, Trouble> {
    let known =
        record::read(&beside(&config.file, "json")).map_err(|why| Trouble::fault(format!("{why}.")))?;
    let text = std::fs::read(&config.file).map_err(|_| Trouble::fault("The home file can't be read now."))?;
    Ok(known.map_or_else(none, |record| stands(record, &record::fingerprint(&text), config)))
}

fn none() -> Proof {
    Proof {
        begun: false,
        complete: false,
        by: None,
        last: None,
        sheet: None,
        open: Vec::new(),
        good: 0,
        missing: Vec::new(),
    }
}

/// Of a record, for the home file with this fingerprint.
fn stands(mut record: Record, fingerprint: &str, config: &Config) -> Proof {
    record::lapse(&mut record, fingerprint);
    let missing = record::complete(&record, fingerprint).err().unwrap_or_default();
    let rows = board::rows(&record);
    let zone = &config.home.timezone;
    let unproved = |row: &board::Row| Unproved {
        id: row.id.clone(),
        title: row.title.clone(),
        verdict: row.standing.words(),
        words: row.words.clone(),
        next: row.next.clone(),
        at: row.at.map(|at| at.to_string()),
        by: row.by.clone(),
        when: row.at.map(|at| told(at, zone)).unwrap_or_default(),
    };
    let of = |standing| rows.iter().filter(move |row| row.standing == standing);
    let open = [Standing::Wrong, Standing::Lapsed, Standing::Open].into_iter().flat_map(of).map(unproved);
    let else_missing = missing.iter().filter(|why| !rows.iter().any(|row| row.title == why.what));
    Proof {
        begun: true,
        complete: missing.is_empty(),
        by: record.who.as_ref().map(|who| who.name.clone()),
        last: rows.iter().filter_map(|row| row.at).max().map(|at| at.to_string()),
        sheet: record.issues.last().map(|issue| issue.at.to_string()),
        good: of(Standing::Good).count(),
        missing: else_missing.map(|why| format!("{}: {}; {}.", why.what, why.why, why.next)).collect(),
        open: open.collect(),
    }
}

fn told(at: Timestamp, zone: &jiff::tz::TimeZone) -> String {
    at.to_zoned(zone.clone()).strftime("%-d %B %Y, %H:%M").to_string()
}

#[derive(Template)]
#[template(path = "proof.html")]
struct Page {
    frame: Frame,
    heading: &'static str,
    proof: Proof,
    last: Option<String>,
    sheet: Option<String>,
    has_sheet: bool,
    /// The command that begins it.
    command: String,
}

/// How the proof stands, and how to begin.
pub(super) async fn page(State(site): State<Shared>, visitor: Visitor) -> Result<Html<String>, Trouble> {
    let (proof, has_sheet) =
        site.apart(|config| Ok((proof(config)?, beside(&config.file, "html").is_file()))).await?;
    let zone = &site.home().timezone;
    let local = |at: &Option<String>| at.as_ref().and_then(|at| at.parse().ok()).map(|at| told(at, zone));
    let page = Page {
        heading: match (proof.begun, proof.complete) {
            (false, _) => "Nothing was proved yet",
            (true, true) => "Every point and load is proved",
            (true, false) => "Not everything is proved",
        },
        last: local(&proof.last),
        sheet: local(&proof.sheet),
        has_sheet,
        command: format!("overspill commission {} --page 0.0.0.0:8181", site.config.file.display()),
        frame: Frame::new(&site, Here::Proof, visitor),
        proof,
    };
    super::rendered(&page)
}

/// The hand-over sheet.
pub(super) async fn sheet(State(site): State<Shared>) -> Result<Response, Trouble> {
    let html = site
        .apart(|config| {
            let none = |_| Trouble::missing("There is no hand-over sheet yet.");
            std::fs::read_to_string(beside(&config.file, "html")).map_err(none)
        })
        .await?;
    Ok(as_sheet(html))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::commission::sample;

    fn config() -> Config {
        let text = include_str!("../../../examples/wren/home.toml");
        crate::config::parse(text, std::path::Path::new("home.toml")).unwrap()
    }

    #[test]
    fn what_is_proved_is_complete_until_the_home_file_changes() {
        let record = sample::record();
        let (fingerprint, steps) = (record.home_file.clone(), record.tests.len());
        let proof = stands(record.clone(), &fingerprint, &config());
        assert!(proof.complete && proof.open.is_empty() && proof.missing.is_empty());
        assert_eq!(proof.good, steps);
        let other = stands(record, &record::fingerprint(b"another"), &config());
        assert!(!other.complete);
        assert!(other.open.iter().all(|step| step.verdict == "lapsed"), "{:?}", other.open);
        assert_eq!(other.good + other.open.len(), steps);
    }

    #[test]
    fn what_is_open_says_why_and_what_completes_it() {
        let record = sample::open();
        let fingerprint = record.home_file.clone();
        let proof = stands(record, &fingerprint, &config());
        assert!(!proof.complete && !proof.open.is_empty());
        assert!(proof.open.iter().all(|step| !step.words.is_empty() && !step.next.is_empty()));
    }
}
