//! The household's rules: what each does, its source, a careful way to change it, and the way back.
//!
//! | to find | open |
//! |---|---|
//! | names of files, and why none leads out of the folder | `files.rs` |
//! | what a rule does now | `now.rs` |
//! | source in colours | `colour.rs` |
//! | a change tried in memory | `trial.rs` |
//! | a change put in force, or refused | `saving.rs` |
//! | earlier versions | `versions.rs`, their pages `past.rs` |
//! | the editor | `editor.rs` |

mod colour;
mod compare;
mod editor;
pub(crate) mod files;
pub(crate) mod now;
mod past;
pub(crate) mod saving;
#[cfg(test)]
mod tests;
pub(crate) mod trial;
pub(crate) mod versions;
mod word;

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::Shared;
use super::speech;
use super::trouble::Trouble;
use colour::Piece;
pub(crate) use compare::Compared;
pub(super) use editor::{begin, edit, remove, send};
pub(crate) use editor::{one_at_a_time, put_in_force, try_out, why_not};
use files::FileName;
use now::{Noted, RulesNow, Source};
pub(super) use past::{both, compared, differences, list as versions_page, put_back};
use trial::Mistake;
pub(crate) use word::{Word, daemons_word, heard};

/// Notes of the past shown beside a rule.
const NOTES: usize = 30;

#[derive(Template)]
#[template(path = "rules.html")]
struct RulesPage {
    frame: Frame,
    now: RulesNow,
    shadows: usize,
    said: Option<&'static str>,
}

#[derive(Template)]
#[template(path = "rule.html")]
struct RulePage {
    frame: Frame,
    file: FileName,
    source: Source,
    lines: Vec<Line>,
    log: Vec<Noted>,
    versions: usize,
    said: Option<&'static str>,
}

/// One line of a source.
pub(crate) struct Line {
    pub(crate) number: usize,
    pub(crate) pieces: Vec<Piece>,
    /// What is wrong in it.
    pub(crate) wrong: Vec<String>,
}

/// What was just done.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Said {
    said: String,
}

/// The file that an address names.
pub(super) fn named(address: &str) -> Result<FileName, Trouble> {
    FileName::of_address(address).map_err(|why| Trouble::missing(format!("There is no such file: {why}.")))
}

pub(super) fn failed(why: String) -> Trouble {
    Trouble::fault(super::speech::sentence(&why))
}

fn absent(file: &FileName) -> Trouble {
    Trouble::missing(format!("There is no {file} in the rules' folder."))
}

/// All rules as they stand.
pub(super) async fn all(site: &Shared) -> Result<RulesNow, Trouble> {
    let facts = site.facts.borrow().clone();
    site.apart(move |config| now::all(config, &facts).map_err(failed)).await
}

/// One file as it stands.
pub(super) async fn source(site: &Shared, file: &FileName) -> Result<Source, Trouble> {
    let (facts, file) = (site.facts.borrow().clone(), file.clone());
    site.apart(move |config| now::source(config, &facts, &file).map_err(failed)?.ok_or_else(|| absent(&file)))
        .await
}

/// What was told about a rule; nothing where there is no journal yet.
pub(super) async fn log(site: &Shared, file: &FileName) -> Result<Vec<Noted>, Trouble> {
    let name = file.name.clone();
    if !file.is_rule() {
        return Ok(Vec::new());
    }
    let read = site.read(move |journal, config| now::log(journal, &config.home, &name, NOTES)).await;
    Ok(read.unwrap_or_default())
}

/// All rules.
pub(super) async fn list(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(said): Query<Said>,
) -> Result<Html<String>, Trouble> {
    let now = all(&site).await?;
    let (shadows, said) = (site.config.shadows.len(), word::words(&said.said));
    super::rendered(&RulesPage { frame: Frame::new(&site, Here::Rules, visitor), now, shadows, said })
}

/// One rule, library file or test file.
pub(super) async fn one(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(address): Path<String>,
    Query(said): Query<Said>,
) -> Result<Html<String>, Trouble> {
    let file = named(&address)?;
    let source = source(&site, &file).await?;
    let log = log(&site, &file).await?;
    let past = file.clone();
    let versions = site.apart(move |config| Ok(versions::all(&config.rules.folder, &past).len())).await?;
    let failed_at =
        source.rule.as_ref().filter(|rule| rule.state == Some("failed") || rule.state == Some("suspended"));
    let failed_at = failed_at.and_then(|rule| Some((rule.line?, rule.message.clone()?)));
    let mut lines = numbered(&file, &source.text, &source.mistakes);
    if let Some((line, why)) = failed_at
        && let Some(line) = lines.get_mut(line.saturating_sub(1)).filter(|line| line.wrong.is_empty())
    {
        line.wrong.push(format!("it failed here: {why}"));
    }
    super::rendered(&RulePage {
        frame: Frame::new(&site, Here::Rules, visitor),
        file,
        source,
        lines,
        log,
        versions,
        said: word::words(&said.said),
    })
}

/// The lines of a source, each with the mistakes in it. What has no line stands at the first.
pub(super) fn numbered(file: &FileName, text: &str, mistakes: &[Mistake]) -> Vec<Line> {
    let lines = colour::lines(file.kind, text);
    let count = lines.len();
    let here = |mistake: &&Mistake, number: usize| {
        mistake.file == file.path() && mistake.line.unwrap_or(1).clamp(1, count) == number
    };
    let told = |mistake: &Mistake| {
        let column = mistake.column.map_or(String::new(), |n| format!("column {n}: "));
        let when = mistake
            .when
            .as_ref()
            .map_or(String::new(), |when| format!(" It fails {}", speech::stopped(when)));
        let help = mistake
            .help
            .as_ref()
            .map_or(String::new(), |help| format!(" To mend it: {}", speech::stopped(help)));
        format!("{column}{}.{when}{help}", mistake.message.trim_end_matches('.'))
    };
    let line = |(n, pieces)| Line {
        number: n + 1,
        pieces,
        wrong: mistakes.iter().filter(|m| here(m, n + 1)).map(told).collect(),
    };
    lines.into_iter().enumerate().map(line).collect()
}
