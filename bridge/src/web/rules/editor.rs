//! The editor: a text is checked as often as one likes, and put in force only when it is without mistakes.

use askama::Template;
use axum::extract::{Form, Path, Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use jiff::Timestamp;
use serde::Deserialize;
use tokio::sync::Mutex;

use super::compare::{Compared, compared};
use super::files::{FileName, Kind, NO_FILE, mark};
use super::saving::{Saved, Wanted, as_before, save, text_of};
use super::trial::{Change, Trial, tried};
use super::word::{self, Word, daemons_word};
use super::{Line, failed, named, numbered, versions};
use crate::web::access::Visitor;
use crate::web::frame::{Frame, Here};
use crate::web::rendered;
use crate::web::site::Shared;
use crate::web::speech::{in_address, sentence};
use crate::web::trouble::Trouble;

/// What a new rule begins with.
const NEW_RULE: &str = "// What this rule is for, in a sentence.\nfn decide(home) {\n    \n}\n";

/// Trials and changes, one at a time: a trial takes the computer for a while, and two changes must not cross.
static ONE_AT_A_TIME: Mutex<()> = Mutex::const_new(());

/// Waits for the turn to change rules.
pub(crate) async fn one_at_a_time() -> tokio::sync::MutexGuard<'static, ()> {
    ONE_AT_A_TIME.lock().await
}

#[derive(Template)]
#[template(path = "edit.html")]
struct EditPage {
    frame: Frame,
    file: FileName,
    text: String,
    /// The mark of what the file held when this began.
    instead_of: String,
    /// There is no such file yet.
    new: bool,
    trial: Option<Trial>,
    /// What was written with its mistakes, where it has any.
    lines: Vec<Line>,
    /// Why nothing was saved.
    refused: Option<String>,
    /// What differs from what the file holds now, where somebody else changed it.
    moved: Option<Vec<Compared>>,
    script: &'static str,
}

/// With which text to begin.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web) struct Begin {
    from: String,
}

/// The fields of the editor.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web) struct Sent {
    text: String,
    instead_of: String,
    /// `check` or `save`.
    action: String,
    despite_tests: String,
}

/// What a new file is and how it is called.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web) struct New {
    kind: String,
    name: String,
}

#[derive(Template)]
#[template(path = "new-rule.html")]
struct NewPage {
    frame: Frame,
    kind: String,
    name: String,
    refused: Option<String>,
}

/// The form for a new file, and the way on to the editor.
pub(in crate::web) async fn begin(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(new): Query<New>,
) -> Result<Response, Trouble> {
    let kind = match new.kind.as_str() {
        "library" => Kind::Library,
        "test" => Kind::Test,
        _ => Kind::Rule,
    };
    let found = if new.name.is_empty() { None } else { Some(FileName::new(kind, new.name.trim())) };
    let refused = match found {
        Some(Ok(file)) => {
            return Ok(Redirect::to(&format!("/rules/{}/edit", in_address(&file.address()))).into_response());
        }
        Some(Err(why)) => Some(sentence(&why)),
        None => None,
    };
    let status = if refused.is_some() { StatusCode::BAD_REQUEST } else { StatusCode::OK };
    let frame = Frame::new(&site, Here::Rules, visitor);
    let page = rendered(&NewPage { frame, kind: new.kind, name: new.name, refused })?;
    Ok((status, page).into_response())
}

/// The editor with what the file holds, or with an earlier version of it.
pub(in crate::web) async fn edit(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(address): Path<String>,
    Query(begin): Query<Begin>,
) -> Result<Html<String>, Trouble> {
    let file = named(&address)?;
    let read = file.clone();
    let (current, version) = site
        .apart(move |config| {
            let folder = &config.rules.folder;
            let current = read.read(folder).map_err(failed)?;
            let version = match begin.from.as_str() {
                "" => None,
                stamp => versions::read(folder, &read, stamp).map_err(failed)?,
            };
            Ok((current, version))
        })
        .await?;
    let shown = version.as_deref().or(current.as_deref());
    let text = match shown {
        Some(bytes) => text_of(bytes).map_err(failed)?,
        None if file.is_rule() => NEW_RULE.to_owned(),
        None => String::new(),
    };
    page(&site, visitor, &file, Shown { text, mark: mark(current.as_deref()), ..Shown::default() })
}

#[derive(Default)]
struct Shown {
    text: String,
    mark: String,
    trial: Option<Trial>,
    refused: Option<String>,
    moved: Option<Vec<Compared>>,
}

fn page(site: &Shared, visitor: Visitor, file: &FileName, shown: Shown) -> Result<Html<String>, Trouble> {
    let Shown { text, mark, trial, refused, moved } = shown;
    let wrong = trial.as_ref().filter(|trial| !trial.is_good());
    let lines = wrong.map(|trial| numbered(file, &text, &trial.mistakes)).unwrap_or_default();
    rendered(&EditPage {
        frame: Frame::new(site, Here::Rules, visitor),
        new: mark == NO_FILE,
        file: file.clone(),
        text,
        instead_of: mark,
        trial,
        lines,
        refused,
        moved,
        script: crate::web::assets::editor_path(),
    })
}

/// What the editor sends: to be checked, or to be put in force.
pub(in crate::web) async fn send(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(address): Path<String>,
    Form(sent): Form<Sent>,
) -> Result<Response, Trouble> {
    let file = named(&address)?;
    let read = file.clone();
    let former = site.apart(move |config| read.read(&config.rules.folder).map_err(failed)).await?;
    let text = as_before(&sent.text, former.as_deref());
    let mut shown = Shown { text: text.clone(), mark: sent.instead_of.clone(), ..Shown::default() };
    if sent.action != "save" {
        match try_out(&site, Change { file: file.clone(), text: Some(text) }).await {
            Ok(trial) => shown.trial = Some(trial),
            Err(why) => shown.refused = Some(sentence(why.words())),
        }
        return Ok(page(&site, visitor, &file, shown)?.into_response());
    }
    let wanted = Wanted {
        file: file.clone(),
        bytes: Some(text.into_bytes()),
        instead_of: sent.instead_of,
        despite_tests: sent.despite_tests == "yes",
        by: visitor.by(),
        how: "changed",
    };
    let (saved, word) = put_in_force(&site, wanted).await?;
    match saved {
        Saved::Done(_) | Saved::Same => {
            return Ok(to_file(&file, word_of(&file, &saved, word)).into_response());
        }
        Saved::Mistakes(trial) => {
            shown.refused = Some("Nothing was saved: it has mistakes.".to_owned());
            shown.trial = Some(trial);
        }
        Saved::TestsFail(trial) => {
            shown.refused = Some("Nothing was saved: rule tests fail.".to_owned());
            shown.trial = Some(trial);
        }
        Saved::Moved(now) => {
            let theirs = now.as_deref().map(String::from_utf8_lossy).unwrap_or_default();
            shown.mark = mark(now.as_deref());
            shown.refused = Some(match now {
                Some(_) => "Nothing was saved: somebody else changed the file since you began.".to_owned(),
                None => "Nothing was saved: somebody else removed the file since you began.".to_owned(),
            });
            shown.moved = Some(compared(&theirs, &shown.text));
        }
    }
    Ok((StatusCode::CONFLICT, page(&site, visitor, &file, shown)?).into_response())
}

fn word_of(file: &FileName, saved: &Saved, word: Word) -> &'static str {
    match (saved, file.kind) {
        (Saved::Same, _) => "same",
        (_, Kind::Test) => "tests",
        _ => word.word(),
    }
}

fn to_file(file: &FileName, word: &str) -> Redirect {
    Redirect::to(&format!("/rules/{}?said={word}", in_address(&file.address())))
}

/// Tries a change, in its turn.
///
/// # Errors
/// When the text is too large or no text, or the rules can't be read.
pub(crate) async fn try_out(site: &Shared, change: Change) -> Result<Trial, Trouble> {
    if let Some(text) = &change.text {
        text_of(text.as_bytes()).map_err(Trouble::wrong)?;
    }
    let _turn = one_at_a_time().await;
    site.apart(move |config| tried(config, &change).map_err(failed)).await
}

/// Puts a change in force, in its turn, and waits for what the daemon says to it.
///
/// # Errors
/// When it may not be made from the page, or a file can't be read or written.
pub(crate) async fn put_in_force(site: &Shared, wanted: Wanted) -> Result<(Saved, Word), Trouble> {
    if let Some(bytes) = &wanted.bytes {
        text_of(bytes).map_err(Trouble::wrong)?;
    }
    let _turn = one_at_a_time().await;
    let before = word::heard(&site.facts.borrow());
    let of_daemon = wanted.file.kind != Kind::Test;
    let saved = site
        .apart(move |config| {
            save(config, &wanted, Timestamp::now()).map_err(|why| Trouble::refused(sentence(&why)))
        })
        .await?;
    let word = match &saved {
        Saved::Done(_) if of_daemon => daemons_word(site, &before).await,
        _ => Word::NotYet,
    };
    Ok((saved, word))
}

/// What is sent to remove a file.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web) struct Remove {
    instead_of: String,
    despite_tests: String,
}

/// Takes a file away; it stays among the versions.
pub(in crate::web) async fn remove(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(address): Path<String>,
    Form(sent): Form<Remove>,
) -> Result<Response, Trouble> {
    let file = named(&address)?;
    let wanted = Wanted {
        file: file.clone(),
        bytes: None,
        instead_of: sent.instead_of,
        despite_tests: sent.despite_tests == "yes",
        by: visitor.by(),
        how: "removed",
    };
    let (saved, word) = put_in_force(&site, wanted).await?;
    match saved {
        Saved::Done(_) | Saved::Same => {
            Ok(Redirect::to(&format!("/rules?said={}", word_of(&file, &saved, word))).into_response())
        }
        other => Err(Trouble::refused(why_not(&file, &other))),
    }
}

/// Why something was not saved, in words.
pub(crate) fn why_not(file: &FileName, saved: &Saved) -> String {
    match saved {
        Saved::Mistakes(trial) => {
            let told: Vec<String> =
                trial.mistakes.iter().map(|m| format!("{}: {}", m.place(), m.message)).collect();
            format!("Nothing was changed: it would bring mistakes. {}.", told.join(". "))
        }
        Saved::TestsFail(trial) => {
            let failed = trial.tests.iter().filter(|test| !test.passed).map(|test| test.name.as_str());
            format!(
                "Nothing was changed: these rule tests would fail: {}.",
                failed.collect::<Vec<_>>().join(", ")
            )
        }
        Saved::Moved(_) => {
            format!("Nothing was changed: somebody else changed {file} since this page was made.")
        }
        Saved::Done(_) | Saved::Same => String::new(),
    }
}
