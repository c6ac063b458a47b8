//! Shadows: candidate rules beside the live ones, put in force or taken back.

use askama::Template;
use axum::extract::{Form, Path, Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use jiff::Timestamp;
use serde::Deserialize;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::rules::{Word, daemons_word, heard, one_at_a_time};
use super::site::Shared;
use super::speech::{lasting, sentence, time};
use super::trouble::Trouble;
use crate::config::{self, Config};
use crate::shadow::{self, Refused, Row, Standing};
use crate::store::{StoreError, StoreReader};
use overspill_rules::time::{Span, WallTime};

#[derive(Template)]
#[template(path = "shadows.html")]
struct ShadowsPage {
    frame: Frame,
    shadows: Vec<Shown>,
    said: Option<&'static str>,
    refused: Option<String>,
    /// The live rules were edited since the last promotion.
    edited: bool,
}

/// One shadow as it is told.
struct Shown {
    name: String,
    /// The time that its account is about.
    span: Option<String>,
    rows: Vec<Row>,
    verdict: Option<String>,
    remark: Option<String>,
}

/// What was just done.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Said {
    said: String,
}

/// Whether to undo although the live rules were edited since.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Undo {
    force: String,
}

/// Why a promotion or its undoing was not done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct NotDone {
    pub(super) words: String,
    pub(super) edited: bool,
}

/// Every shadow with its account.
pub(super) async fn list(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(said): Query<Said>,
) -> Result<Html<String>, Trouble> {
    page(&site, visitor, words(&said.said), None).await
}

fn words(said: &str) -> Option<&'static str> {
    Some(match said {
        "promoted-taken" => "Promoted: the shadow's rules are the live rules now, and in force.",
        "promoted" => {
            "Promoted: the shadow's rules are the live rules now. The running program takes them up within seconds."
        }
        "undone-taken" => "The former rules are back, and in force.",
        "undone" => "The former rules are back. The running program takes them up within seconds.",
        _ => return None,
    })
}

/// How every shadow stands.
pub(super) async fn standings(site: &Shared) -> Result<Vec<Standing>, Trouble> {
    site.apart(|config| {
        let kept = match StoreReader::open_read_only(&config.store.path).and_then(|journal| journal.shadows())
        {
            Err(StoreError::Missing { .. }) => Default::default(),
            kept => kept?,
        };
        Ok(shadow::standings(config, &kept))
    })
    .await
}

async fn page(
    site: &Shared,
    visitor: Visitor,
    said: Option<&'static str>,
    refused: Option<NotDone>,
) -> Result<Html<String>, Trouble> {
    let (config, now) = (&site.config, site.now());
    let shadows = standings(site).await?.iter().map(|standing| shown(config, standing, now)).collect();
    let edited = refused.as_ref().is_some_and(|why| why.edited);
    super::rendered(&ShadowsPage {
        frame: Frame::new(site, Here::Rules, visitor),
        shadows,
        said,
        refused: refused.map(|why| why.words),
        edited,
    })
}

fn shown(config: &Config, standing: &Standing, now: WallTime) -> Shown {
    let (home, name) = (&config.home, standing.name.clone());
    let remark = standing.remark.as_deref().map(sentence);
    let Some((since, at, books)) = &standing.account else {
        return Shown { name, span: None, rows: Vec::new(), verdict: None, remark };
    };
    let zone = &home.timezone;
    let covered = lasting(Span(books.covered_ms));
    let span =
        format!("Since {} up to {}, {covered} with readings", time(*since, now, zone), time(*at, now, zone));
    let verdict = Some(shadow::verdict(home, &name, books));
    Shown { span: Some(span), rows: by_name(shadow::rows(home, books)), verdict, remark, name }
}

/// A line that goes on about a load says which.
fn by_name(mut rows: Vec<Row>) -> Vec<Row> {
    let mut load = String::new();
    for row in &mut rows {
        match row.what.strip_prefix("  ") {
            Some(more) => row.what = format!("{load}, {more}"),
            None => load = row.what.split(',').next().unwrap_or_default().to_owned(),
        }
    }
    rows
}

/// Puts a shadow's files in place of the live rules.
pub(super) async fn promote(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(name): Path<String>,
) -> Result<Response, Trouble> {
    let done = promoted(&site, name).await?;
    answer(&site, visitor, "promoted", done).await
}

/// Puts back what the last promotion replaced.
pub(super) async fn undo(
    State(site): State<Shared>,
    visitor: Visitor,
    Form(undo): Form<Undo>,
) -> Result<Response, Trouble> {
    let done = undone(&site, undo.force == "yes").await?;
    answer(&site, visitor, "undone", done).await
}

async fn answer(
    site: &Shared,
    visitor: Visitor,
    what: &str,
    done: Result<Word, NotDone>,
) -> Result<Response, Trouble> {
    match done {
        Ok(word) => {
            let taken = if word == Word::Taken { "-taken" } else { "" };
            Ok(Redirect::to(&format!("/shadows?said={what}{taken}")).into_response())
        }
        Err(why) => {
            let page = page(site, visitor, None, Some(why)).await?;
            Ok((StatusCode::CONFLICT, page).into_response())
        }
    }
}

/// Checks a shadow's rules and promotes them.
pub(super) async fn promoted(site: &Shared, name: String) -> Result<Result<Word, NotDone>, Trouble> {
    if let Err(why) = shadow::named(&site.config, &name) {
        return Err(Trouble::missing(sentence(&why)));
    }
    change(site, move |config| {
        let found = config::check_shadow(config, &name);
        match found.mistakes() {
            0 => shadow::promote(config, &name, Timestamp::now()).map(|_| ()),
            _ => Err(Refused::Failed(format!(
                "its rules have mistakes; nothing was done. {}",
                found.to_text(80)
            ))),
        }
    })
    .await
}

/// Undoes the last promotion.
pub(super) async fn undone(site: &Shared, force: bool) -> Result<Result<Word, NotDone>, Trouble> {
    change(site, move |config| shadow::undo(config, force, Timestamp::now()).map(|_| ())).await
}

async fn change(
    site: &Shared,
    work: impl FnOnce(&Config) -> Result<(), Refused> + Send + 'static,
) -> Result<Result<Word, NotDone>, Trouble> {
    let _turn = one_at_a_time().await;
    let before = heard(&site.facts.borrow());
    match site.apart(move |config| Ok(work(config))).await? {
        Ok(()) => Ok(Ok(daemons_word(site, &before).await)),
        Err(why) => Ok(Err(NotDone { edited: matches!(why, Refused::Edited { .. }), words: not_done(&why) })),
    }
}

fn not_done(why: &Refused) -> String {
    match why {
        Refused::Same => {
            "The shadow's files read the same as the live ones already; nothing was done.".to_owned()
        }
        Refused::NothingToUndo => "There is no promotion to undo; nothing was done.".to_owned(),
        Refused::Edited { shadow, files } => format!(
            "The live rules were edited since shadow {shadow} was promoted: {}. Nothing was done.",
            files.join(", ")
        ),
        Refused::Failed(why) => sentence(why),
    }
}
