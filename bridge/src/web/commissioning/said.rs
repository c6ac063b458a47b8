//! What a page says; whoever gets so far has brought the proof (`guard.rs`).

use std::time::{Duration, Instant};

use axum::extract::{Extension, Form, State};
use axum::http::header::{RETRY_AFTER, SET_COOKIE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use overspill_rules::commission::procedure::Said;
use serde::Deserialize;

use super::code::NotIn;
use super::guard::Visitor;
use super::pages::{CodePage, current, with};
use super::serve::{Shared, Site};
use super::show::{Frame, Refused};
use crate::commission::board::{FromPage, NotTaken};
use crate::web::rendered;
use crate::web::trouble::Trouble;

/// What comes of something said is waited for so long before the page is shown again.
const SEEN_WITHIN: Duration = Duration::from_secs(2);

/// What a form may carry.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Carried {
    /// The turn whose question is answered.
    #[serde(default)]
    turn: u64,
    /// The step that is meant.
    #[serde(default)]
    step: String,
    /// What was typed, or what the pressed button says.
    #[serde(default)]
    words: String,
    /// Present where the button was pressed that leaves the answer out.
    none: Option<String>,
    #[serde(default)]
    code: String,
}

type By = Extension<Visitor>;

/// An answer to what is asked.
pub(super) async fn answer(
    State(site): State<Shared>,
    Extension(visitor): By,
    Form(form): Form<Carried>,
) -> Response {
    let typed = if form.none.is_some() { "" } else { form.words.as_str() };
    match site.board.answer(form.turn, typed, &visitor.proof) {
        Ok(()) => seen(&site, form.turn).await,
        Err(NotTaken::Wrong(why)) => {
            let refused = Refused { why: None, typed: Some((form.words, why)) };
            with(StatusCode::BAD_REQUEST, current(&site, &visitor, refused))
        }
        Err(NotTaken::Late(why)) => late(&site, &visitor, why),
    }
}

/// What shall become of the step at work.
pub(super) async fn leave(
    State(site): State<Shared>,
    Extension(visitor): By,
    Form(form): Form<Carried>,
) -> Response {
    let Some(said) = Said::at_any_time(&form.words) else {
        return Trouble::wrong("A step is repeated, skipped or stopped, or the one before it is done again.")
            .into_response();
    };
    let turn = site.board.shown().turn;
    match site.board.leave(&form.step, said) {
        Ok(()) => seen(&site, turn).await,
        Err(NotTaken::Late(why) | NotTaken::Wrong(why)) => late(&site, &visitor, why),
    }
}

/// A step to do next.
pub(super) async fn turn(
    State(site): State<Shared>,
    Extension(visitor): By,
    Form(form): Form<Carried>,
) -> Response {
    if !site.board.shown().rows.iter().any(|row| row.id == form.step) {
        return Trouble::missing("There is no such step.").into_response();
    }
    tell(&site, &visitor, FromPage::TurnTo(form.step)).await
}

/// The correction, to be written.
pub(super) async fn apply(State(site): State<Shared>, Extension(visitor): By) -> Response {
    tell(&site, &visitor, FromPage::Apply).await
}

/// The sheet, to be issued.
pub(super) async fn issue(State(site): State<Shared>, Extension(visitor): By) -> Response {
    tell(&site, &visitor, FromPage::Issue).await
}

async fn tell(site: &Shared, visitor: &Visitor, what: FromPage) -> Response {
    let turn = site.board.shown().turn;
    match site.board.say(what) {
        Ok(()) => seen(site, turn).await,
        Err(NotTaken::Late(why) | NotTaken::Wrong(why)) => late(site, visitor, why),
    }
}

fn late(site: &Shared, visitor: &Visitor, why: String) -> Response {
    with(StatusCode::CONFLICT, current(site, visitor, Refused { why: Some(why), typed: None }))
}

/// Waits a moment until something came of it, and shows the page as it is then.
async fn seen(site: &Site, turn: u64) -> Response {
    let mut shown = site.board.follow();
    let _ = tokio::time::timeout(SEEN_WITHIN, shown.wait_for(|shown| shown.turn > turn)).await;
    Redirect::to("/").into_response()
}

/// The code of the terminal, typed into a phone.
pub(super) async fn code(
    State(site): State<Shared>,
    visitor: Option<Extension<Visitor>>,
    Form(form): Form<Carried>,
) -> Result<Response, Trouble> {
    if visitor.is_some() {
        return Ok(Redirect::to("/").into_response());
    }
    let (status, wait, why) = match site.guard.let_in(&form.code, Instant::now()) {
        Ok(cookie) => {
            let next = site.guard.code().unwrap_or_default();
            let words = format!("A phone was let in. The code for another: {next}");
            let _ = site.board.say(FromPage::Tell(words));
            return Ok(([(SET_COOKIE, cookie)], Redirect::to("/")).into_response());
        }
        Err(NotIn::Wrong) => {
            (StatusCode::FORBIDDEN, None, "This is not the code that the terminal shows last.".to_owned())
        }
        Err(NotIn::Wait(wait)) => {
            let seconds = wait.as_secs() + 1;
            (
                StatusCode::TOO_MANY_REQUESTS,
                Some(seconds),
                format!("Too many wrong codes. Wait {seconds} s, then try again."),
            )
        }
    };
    let page = CodePage { frame: Frame::new(&site, None), unfit: Some(why) };
    let mut response = (status, rendered(&page)).into_response();
    if let Some(seconds) = wait {
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from(seconds));
    }
    Ok(response)
}
