//! Rules for programs. A file is named as in addresses: `car`, `lib:sums`, `test:car`.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::Refusal;
use crate::web::access::Visitor;
use crate::web::rules::files::mark;
use crate::web::rules::now::{Noted, RulesNow, Source};
use crate::web::rules::saving::{Saved, Wanted};
use crate::web::rules::trial::{Change, Trial};
use crate::web::rules::versions::{self, Version};
use crate::web::rules::{self, Compared, Word, put_in_force, try_out};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// A text to be checked.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct Text {
    /// What the file would hold.
    text: String,
}

/// A text to be put in force.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct NewText {
    /// What the file shall hold.
    text: String,
    /// The mark of what it holds now, as it was read; `none` where there is no such file yet.
    instead_of: String,
    /// Also where rule tests fail.
    #[serde(default)]
    despite_tests: bool,
}

/// What is to be replaced.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct Instead {
    /// The mark of what the file holds now; `none` where it is not there.
    instead_of: String,
    /// Also where rule tests fail.
    #[serde(default)]
    despite_tests: bool,
}

/// What became of a change.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Outcome {
    /// Whether it is on the disk.
    saved: bool,
    /// Why not, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
    /// What the running program did with it: `taken`, `former` (it keeps the former rules), `not-yet`.
    #[serde(skip_serializing_if = "Option::is_none")]
    daemon: Option<&'static str>,
    /// What the check found.
    #[serde(skip_serializing_if = "Option::is_none")]
    trial: Option<Trial>,
    /// The mark of what the file holds now, where somebody else changed it.
    #[serde(skip_serializing_if = "Option::is_none")]
    now: Option<String>,
}

/// An earlier version with what it held.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Earlier {
    #[serde(flatten)]
    version: Version,
    /// What it held.
    text: String,
    /// What changed from it to what the file holds now.
    differences: Vec<Compared>,
}

/// All rules, and every file of their folder.
#[utoipa::path(get, path = "/api/rules", tag = "rules", responses((status = 200, body = RulesNow)))]
pub(crate) async fn list(State(site): State<Shared>) -> Result<Json<RulesNow>, Trouble> {
    Ok(Json(rules::all(&site).await?))
}

/// One file with its text, its mark and its mistakes.
#[utoipa::path(get, path = "/api/rules/{file}", tag = "rules", params(("file" = String, Path, description = "The file")),
    responses((status = 200, body = Source), (status = 404, body = Refusal)))]
pub(crate) async fn one(
    State(site): State<Shared>,
    Path(file): Path<String>,
) -> Result<Json<Source>, Trouble> {
    Ok(Json(rules::source(&site, &rules::named(&file)?).await?))
}

/// What was told about a rule, the newest first.
#[utoipa::path(get, path = "/api/rules/{file}/log", tag = "rules", params(("file" = String, Path, description = "The rule")),
    responses((status = 200, body = [Noted]), (status = 404, body = Refusal)))]
pub(crate) async fn log(
    State(site): State<Shared>,
    Path(file): Path<String>,
) -> Result<Json<Vec<Noted>>, Trouble> {
    Ok(Json(rules::log(&site, &rules::named(&file)?).await?))
}

/// Checks a text: compiled, tried on made-up days, and through the home's rule tests. Nothing is written.
#[utoipa::path(post, path = "/api/rules/{file}/check", tag = "rules", request_body = Text,
    params(("file" = String, Path, description = "The file")),
    responses((status = 200, body = Trial), (status = 400, body = Refusal)))]
pub(crate) async fn check(
    State(site): State<Shared>,
    Path(file): Path<String>,
    Json(text): Json<Text>,
) -> Result<Json<Trial>, Trouble> {
    let file = rules::named(&file)?;
    Ok(Json(try_out(&site, Change { file, text: Some(text.text) }).await?))
}

/// Puts a text in force, if it is without mistakes and the file is still what it was.
#[utoipa::path(post, path = "/api/rules/{file}", tag = "rules", request_body = NewText,
    params(("file" = String, Path, description = "The file")),
    responses((status = 200, body = Outcome), (status = 409, body = Outcome)))]
pub(crate) async fn save(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(file): Path<String>,
    Json(new): Json<NewText>,
) -> Result<Response, Trouble> {
    let NewText { text, instead_of, despite_tests } = new;
    let bytes = Some(text.into_bytes());
    change(&site, &visitor, &file, bytes, (instead_of, despite_tests), "changed").await
}

/// Takes a file away; its text stays among the versions.
#[utoipa::path(post, path = "/api/rules/{file}/remove", tag = "rules", request_body = Instead,
    params(("file" = String, Path, description = "The file")),
    responses((status = 200, body = Outcome), (status = 409, body = Outcome)))]
pub(crate) async fn remove(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(file): Path<String>,
    Json(instead): Json<Instead>,
) -> Result<Response, Trouble> {
    change(&site, &visitor, &file, None, (instead.instead_of, instead.despite_tests), "removed").await
}

/// The earlier versions of a file, the newest first.
#[utoipa::path(get, path = "/api/rules/{file}/versions", tag = "rules",
    params(("file" = String, Path, description = "The file")), responses((status = 200, body = [Version])))]
pub(crate) async fn versions(
    State(site): State<Shared>,
    Path(file): Path<String>,
) -> Result<Json<Vec<Version>>, Trouble> {
    let file = rules::named(&file)?;
    Ok(Json(site.apart(move |config| Ok(versions::all(&config.rules.folder, &file))).await?))
}

/// An earlier version, and what changed since.
#[utoipa::path(get, path = "/api/rules/{file}/versions/{stamp}", tag = "rules",
    params(("file" = String, Path, description = "The file"), ("stamp" = String, Path, description = "The version")),
    responses((status = 200, body = Earlier), (status = 404, body = Refusal)))]
pub(crate) async fn version(
    State(site): State<Shared>,
    Path((file, stamp)): Path<(String, String)>,
) -> Result<Json<Earlier>, Trouble> {
    let (version, bytes, now) = rules::both(&site, &rules::named(&file)?, &stamp).await?;
    let differences = rules::differences(&bytes, now.as_deref());
    Ok(Json(Earlier { version, text: String::from_utf8_lossy(&bytes).into_owned(), differences }))
}

/// Puts an earlier version back, byte for byte, if it is without mistakes today.
#[utoipa::path(post, path = "/api/rules/{file}/versions/{stamp}/back", tag = "rules", request_body = Instead,
    params(("file" = String, Path, description = "The file"), ("stamp" = String, Path, description = "The version")),
    responses((status = 200, body = Outcome), (status = 404, body = Refusal), (status = 409, body = Outcome)))]
pub(crate) async fn put_back(
    State(site): State<Shared>,
    visitor: Visitor,
    Path((file, stamp)): Path<(String, String)>,
    Json(instead): Json<Instead>,
) -> Result<Response, Trouble> {
    let (_, bytes, _) = rules::both(&site, &rules::named(&file)?, &stamp).await?;
    change(&site, &visitor, &file, Some(bytes), (instead.instead_of, instead.despite_tests), "put back").await
}

async fn change(
    site: &Shared,
    visitor: &Visitor,
    file: &str,
    bytes: Option<Vec<u8>>,
    (instead_of, despite_tests): (String, bool),
    how: &'static str,
) -> Result<Response, Trouble> {
    let file = rules::named(file)?;
    let wanted = Wanted { file: file.clone(), bytes, instead_of, despite_tests, by: visitor.by(), how };
    let (saved, word) = put_in_force(site, wanted).await?;
    let error = match &saved {
        Saved::Done(_) | Saved::Same => None,
        refused => Some(rules::why_not(&file, refused)),
    };
    let status = if error.is_none() { StatusCode::OK } else { StatusCode::CONFLICT };
    let daemon = matches!(saved, Saved::Done(_)).then(|| Word::word(word));
    let now = match &saved {
        Saved::Moved(now) => Some(mark(now.as_deref())),
        _ => None,
    };
    let trial = match saved {
        Saved::Done(trial) | Saved::Mistakes(trial) | Saved::TestsFail(trial) => Some(trial),
        Saved::Same | Saved::Moved(_) => None,
    };
    Ok((status, Json(Outcome { saved: error.is_none(), error, daemon, trial, now })).into_response())
}
