//! The household's settings: what each is, who made it so and until when, and a form with the right field.

mod now;
#[cfg(test)]
mod tests;

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use overspill_rules::home::{Setting, SettingId, Takes};
use overspill_rules::input::{Input, SettingRequest};
use overspill_rules::payload::setting_request;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::Shared;
use super::speech;
use super::trouble::Trouble;
pub(crate) use now::SettingNow;

/// How long a change may last, with the words for it; the empty one is as the home file says.
const LASTS: [(&str, &str); 6] = [
    ("2h", "2 hours"),
    ("12h", "12 hours"),
    ("1d", "a day"),
    ("3d", "3 days"),
    ("7d", "a week"),
    ("30d", "30 days"),
];

#[derive(Template)]
#[template(path = "settings.html")]
struct SettingsPage {
    frame: Frame,
    settings: Vec<Row>,
    lasts: [(&'static str, &'static str); 6],
}

/// A setting with what was filled in for it.
struct Row {
    now: SettingNow,
    /// What the field shows.
    field: String,
    /// For how long, as it was chosen.
    lasts: String,
    /// Why the change was refused.
    refused: Option<String>,
    /// It was just changed.
    done: bool,
}

/// The fields of a change, as they come.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Change {
    value: String,
    lasts: String,
    back: String,
}

/// Which setting was just changed.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Done {
    done: String,
}

/// All settings.
pub(super) async fn list(
    State(site): State<Shared>,
    visitor: Visitor,
    axum::extract::Query(done): axum::extract::Query<Done>,
) -> Result<Html<String>, Trouble> {
    page(&site, visitor, &done.done, None)
}

/// All settings as they stand.
pub(super) fn all(site: &Shared) -> Vec<SettingNow> {
    now::all(site.home(), &site.facts.borrow(), site.now())
}

/// The setting of this name.
pub(super) fn named(site: &Shared, id: &str) -> Result<SettingId, Trouble> {
    let found = site.home().setting_named(id);
    found.ok_or_else(|| Trouble::missing(format!("This home has no setting called `{id}`.")))
}

fn page(
    site: &Shared,
    visitor: Visitor,
    done: &str,
    refused: Option<(&str, Change, String)>,
) -> Result<Html<String>, Trouble> {
    let row = |now: SettingNow| {
        let mine = refused.as_ref().filter(|(id, ..)| *id == now.id);
        Row {
            field: mine.map_or_else(|| now.field(), |(_, change, _)| change.value.clone()),
            lasts: mine.map_or_else(String::new, |(_, change, _)| change.lasts.clone()),
            refused: mine.map(|(.., why)| speech::sentence(why)),
            done: now.id == done,
            now,
        }
    };
    let settings = all(site).into_iter().map(row).collect();
    super::rendered(&SettingsPage {
        frame: Frame::new(site, Here::Settings, visitor),
        settings,
        lasts: LASTS,
    })
}

/// Changes a setting, or returns it to its default.
pub(super) async fn change(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(id): Path<String>,
    Form(change): Form<Change>,
) -> Result<Response, Trouble> {
    let setting = named(&site, &id)?;
    let wanted = request(site.home().setting(setting), setting, &change, &visitor.by());
    let done = match wanted {
        Ok(wanted) => site.asker.ask(Input::Setting(wanted)).await,
        Err(why) => Err(why),
    };
    match done {
        Ok(()) => {
            let id = speech::in_address(&id);
            Ok(Redirect::to(&format!("/settings?done={id}#{id}")).into_response())
        }
        Err(why) => {
            let page = page(&site, visitor, "", Some((&id, change, why)))?;
            Ok((StatusCode::CONFLICT, page).into_response())
        }
    }
}

fn request(setting: &Setting, id: SettingId, change: &Change, by: &str) -> Result<SettingRequest, String> {
    let mut wanted = Map::new();
    wanted.insert("by".to_owned(), by.into());
    let back = change.back == "yes";
    wanted.insert("value".to_owned(), if back { Value::Null } else { value(setting, &change.value)? });
    if !back && !change.lasts.is_empty() {
        wanted.insert("for".to_owned(), change.lasts.as_str().into());
    }
    setting_request(id, json!(wanted).to_string().as_bytes(), false)
}

/// What a field says, as the setting takes it.
fn value(setting: &Setting, text: &str) -> Result<Value, String> {
    let text = text.trim();
    match &setting.takes {
        Takes::Number { .. } => {
            let read = text.replace(',', ".").parse::<f64>().ok().filter(|n| n.is_finite());
            read.map(Value::from)
                .ok_or_else(|| format!("\"{text}\" is no number; it takes {}", setting.takes))
        }
        Takes::Flag => match text {
            "yes" => Ok(true.into()),
            "no" => Ok(false.into()),
            other => Err(format!("\"{other}\" is neither yes nor no")),
        },
        // Some browsers send seconds too.
        Takes::Time => Ok(text.get(..5).filter(|_| text.len() == 8).unwrap_or(text).into()),
        Takes::Choice(_) => Ok(text.into()),
    }
}
