//! Loads: what each does and why, what it may, what it did, and how people overrule it.

mod bounds;
mod past;
mod state;
#[cfg(test)]
mod tests;
mod wish;

use std::sync::Arc;

use askama::Template;
use axum::extract::{Form, Path, Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use overspill_rules::home::{Kind, LoadId};
use overspill_rules::input::Input;
use serde::Deserialize;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::Shared;
use super::speech;
use super::trouble::Trouble;
use past::Today;
pub(crate) use past::{Decisions, From, did};
pub(crate) use state::LoadNow;
use wish::{LASTS, UNTIL, Wish};

#[derive(Template)]
#[template(path = "loads.html")]
struct LoadsPage {
    frame: Frame,
    loads: Vec<LoadNow>,
}

/// Everything about one load.
#[derive(Template)]
#[template(path = "load.html")]
struct LoadPage {
    frame: Frame,
    load: LoadNow,
    today: Option<Today>,
    past: Decisions,
    /// Whether the decisions shown are the newest ones.
    newest: bool,
    /// The day up to which decisions are shown, where one was asked for.
    until: String,
    form: ChangeForm,
    /// What was just done.
    done: Option<&'static str>,
    /// Why the journal has nothing to show.
    no_past: Option<String>,
}

/// The form of a change, with what was filled in and what was refused.
struct ChangeForm {
    wish: Wish,
    lasts: [(&'static str, &'static str); 5],
    /// What the amount is called, with its unit and bounds; empty where the load takes none.
    amount: String,
    least: f64,
    most: f64,
    step: f64,
    /// Why the change was refused.
    refused: Option<String>,
    /// The name given for out of service, and why that was refused.
    service_by: String,
    service_refused: Option<String>,
}

/// Which decisions to show, and what was just done.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Asked {
    before: Option<i64>,
    until: String,
    done: String,
}

/// Who takes a load out of service or puts it back.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Service {
    out: String,
    by: String,
}

/// All loads, in turn.
pub(super) async fn list(State(site): State<Shared>, visitor: Visitor) -> Result<Html<String>, Trouble> {
    let loads = now(&site);
    super::rendered(&LoadsPage { frame: Frame::new(&site, Here::Loads, visitor), loads })
}

/// All loads as they stand.
pub(super) fn now(site: &Shared) -> Vec<LoadNow> {
    state::all(site.home(), &site.facts.borrow(), site.now())
}

/// One load as it stands.
pub(super) fn one_now(site: &Shared, id: LoadId) -> LoadNow {
    state::one(site.home(), &site.facts.borrow(), id, site.now())
}

/// The load of this name.
pub(super) fn named(site: &Shared, id: &str) -> Result<LoadId, Trouble> {
    site.home()
        .load_named(id)
        .ok_or_else(|| Trouble::missing(format!("This home has no load called `{id}`.")))
}

/// One load.
pub(super) async fn one(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Trouble> {
    let id = named(&site, &id)?;
    let form = ChangeForm::new(&site, id, &visitor);
    page(&site, visitor, id, &asked, form).await
}

/// A page of decisions from the journal.
pub(super) async fn decisions(site: &Shared, id: LoadId, from: From) -> Result<Decisions, Trouble> {
    site.read(move |journal, config| past::decisions(journal, &config.home, id, from)).await
}

/// The end of the day of this date.
///
/// # Errors
/// When it is no date.
pub(super) fn end_of_day(
    site: &Shared,
    text: &str,
) -> Result<Option<overspill_rules::time::WallTime>, Trouble> {
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = || Trouble::wrong(format!("`{text}` is no date: write one such as 2026-06-01."));
    let date: jiff::civil::Date = text.parse().map_err(|_| wrong())?;
    let next =
        date.tomorrow().map_err(|_| wrong())?.to_zoned(site.home().timezone.clone()).map_err(|_| wrong())?;
    Ok(Some(overspill_rules::time::WallTime(next.timestamp().as_millisecond())))
}

async fn page(
    site: &Shared,
    visitor: Visitor,
    id: LoadId,
    asked: &Asked,
    form: ChangeForm,
) -> Result<Html<String>, Trouble> {
    let from = From { before: asked.before, until: end_of_day(site, &asked.until)? };
    let wall = site.now();
    let past = site
        .read(move |journal, config| {
            Ok((
                past::today(journal, &config.home, id, wall)?,
                past::decisions(journal, &config.home, id, from)?,
            ))
        })
        .await;
    let nothing = || Decisions { decisions: Vec::new(), older: None };
    let (today, past, no_past) = match past {
        Ok((today, past)) => (today, past, None),
        Err(why) => (None, nothing(), Some(speech::sentence(why.words()))),
    };
    super::rendered(&LoadPage {
        frame: Frame::new(site, Here::Loads, visitor),
        load: one_now(site, id),
        today,
        past,
        newest: from == From::default(),
        until: asked.until.clone(),
        form,
        done: done_words(&asked.done),
        no_past,
    })
}

fn done_words(done: &str) -> Option<&'static str> {
    match done {
        "on" => {
            Some("The override holds: it runs until that ends, as soon as and as far as its bounds let it.")
        }
        "off" => Some("The override holds: it is kept off until that ends."),
        "auto" => Some("The rules decide again."),
        "out" => Some("It is out of service."),
        "back" => Some("It is back in service."),
        _ => None,
    }
}

impl ChangeForm {
    fn new(site: &Shared, id: LoadId, visitor: &Visitor) -> ChangeForm {
        let (load, volts) = (site.home().load(id), site.home().supply.volts);
        let (amount, least, most, step) = match load.kind {
            Kind::ChargePoint { floor_a, ceiling_a } => {
                (format!("Amps, from {floor_a} to {ceiling_a}"), floor_a, ceiling_a, 1.0)
            }
            Kind::Modulated { ceiling_w, .. } => {
                let least = load.floor_w(volts).max(overspill_rules::limits::MODULATED_GRAIN_W);
                (format!("Watts, from {least} to {ceiling_w}"), least, ceiling_w, 1.0)
            }
            Kind::Switch { rating_w } => (String::new(), 0.0, rating_w, 1.0),
        };
        ChangeForm {
            wish: Wish::usual(),
            lasts: LASTS,
            amount,
            least,
            most,
            step,
            refused: None,
            service_by: visitor.name.clone().unwrap_or_default(),
            service_refused: None,
        }
    }

    fn is_until(&self) -> bool {
        self.wish.lasts == UNTIL
    }
}

/// A change: run, keep off, or back to the rules.
pub(super) async fn change(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    Form(wish): Form<Wish>,
) -> Result<Response, Trouble> {
    let load = named(&site, &id)?;
    let request = wish.request(site.home(), load, &visitor.by(), site.now());
    let done = match request {
        Ok(request) => site.asker.ask(Input::Override(request)).await,
        Err(why) => Err(why),
    };
    match done {
        Ok(()) => {
            Ok(Redirect::to(&format!("/loads/{}?done={}", speech::in_address(&id), done_word(&wish.want)))
                .into_response())
        }
        Err(why) => {
            let mut form = ChangeForm::new(&site, load, &visitor);
            (form.wish, form.refused) = (wish, Some(speech::sentence(&why)));
            let page = page(&site, visitor, load, &Asked::default(), form).await?;
            Ok((StatusCode::CONFLICT, page).into_response())
        }
    }
}

fn done_word(want: &str) -> &'static str {
    match want {
        "on" => "on",
        "off" => "off",
        _ => "auto",
    }
}

/// Out of service, or back.
pub(super) async fn service(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    Form(service): Form<Service>,
) -> Result<Response, Trouble> {
    let load = named(&site, &id)?;
    let out = service.out == "yes";
    match serve(&site, load, out, visitor.name.as_deref().unwrap_or(&service.by)).await {
        Ok(()) => {
            let word = if out { "out" } else { "back" };
            Ok(Redirect::to(&format!("/loads/{}?done={word}", speech::in_address(&id))).into_response())
        }
        Err(why) => {
            let mut form = ChangeForm::new(&site, load, &visitor);
            (form.service_by, form.service_refused) = (service.by, Some(speech::sentence(&why)));
            let page = page(&site, visitor, load, &Asked::default(), form).await?;
            Ok((StatusCode::CONFLICT, page).into_response())
        }
    }
}

/// Characters of a name.
const NAME_CHARS: usize = 100;

/// Asks the daemon to take a load out of service, or to put it back.
///
/// # Errors
/// Why it was refused, in a sentence.
pub(super) async fn serve(
    site: &Arc<super::site::Site>,
    load: LoadId,
    out: bool,
    by: &str,
) -> Result<(), String> {
    let by = by.trim();
    if by.is_empty() {
        return Err("a name is needed: whoever reads it later must know whom to ask".to_owned());
    }
    if by.chars().count() > NAME_CHARS || by.chars().any(char::is_control) {
        return Err(format!("the name must be plain text of at most {NAME_CHARS} letters"));
    }
    site.asker.ask(Input::OutOfService { load, out, by: by.to_owned() }).await
}
