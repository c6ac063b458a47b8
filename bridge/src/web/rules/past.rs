//! Pages of earlier versions: what there was, how it differs, and the way back.

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::compare::{Compared, compared as compare};
use super::editor::{put_in_force, why_not};
use super::files::{FileName, mark};
use super::saving::{Saved, Wanted};
use super::trial::Trial;
use super::versions::{self, KEPT, Version};
use super::{failed, named};
use crate::web::access::Visitor;
use crate::web::frame::{Frame, Here};
use crate::web::rendered;
use crate::web::site::Shared;
use crate::web::speech::{self, in_address};
use crate::web::trouble::Trouble;

#[derive(Template)]
#[template(path = "versions.html")]
struct VersionsPage {
    frame: Frame,
    file: FileName,
    versions: Vec<Shown>,
    there: bool,
    kept: usize,
}

/// A version as it is listed.
struct Shown {
    version: Version,
    time: String,
}

#[derive(Template)]
#[template(path = "version.html")]
struct VersionPage {
    frame: Frame,
    file: FileName,
    version: Shown,
    lines: Vec<Compared>,
    /// The mark of what the file holds now.
    now: String,
    there: bool,
    refused: Option<String>,
    trial: Option<Trial>,
}

fn shown(site: &Shared, version: Version) -> Shown {
    let at: Option<jiff::Timestamp> = version.replaced.parse().ok();
    let at = at.map(|at| overspill_rules::time::WallTime(at.as_millisecond()));
    Shown { time: speech::exact(at, &site.home().timezone), version }
}

/// The earlier versions of a file.
pub(in crate::web) async fn list(
    State(site): State<Shared>,
    visitor: Visitor,
    Path(address): Path<String>,
) -> Result<Html<String>, Trouble> {
    let file = named(&address)?;
    let read = file.clone();
    let (versions, there) = site
        .apart(move |config| {
            let folder = &config.rules.folder;
            Ok((versions::all(folder, &read), read.read(folder).map_err(failed)?.is_some()))
        })
        .await?;
    if versions.is_empty() && !there {
        return Err(super::absent(&file));
    }
    let versions = versions.into_iter().map(|version| shown(&site, version)).collect();
    rendered(&VersionsPage {
        frame: Frame::new(&site, Here::Rules, visitor),
        file,
        versions,
        there,
        kept: KEPT,
    })
}

/// A version, what it holds, and what the file holds now.
pub(in crate::web) type Both = (Version, Vec<u8>, Option<Vec<u8>>);

/// Reads a version and what the file holds now.
pub(in crate::web) async fn both(site: &Shared, file: &FileName, stamp: &str) -> Result<Both, Trouble> {
    let (read, stamp) = (file.clone(), stamp.to_owned());
    site.apart(move |config| {
        let folder = &config.rules.folder;
        let bytes = versions::read(folder, &read, &stamp).map_err(failed)?;
        let version = versions::all(folder, &read).into_iter().find(|version| version.stamp == stamp);
        let missing = || Trouble::missing(format!("There is no such version of {read}."));
        let (version, bytes) = version.zip(bytes).ok_or_else(missing)?;
        Ok((version, bytes, read.read(folder).map_err(failed)?))
    })
    .await
}

/// What changed between a version and what the file holds now.
pub(in crate::web) fn differences(version: &[u8], now: Option<&[u8]>) -> Vec<Compared> {
    compare(&String::from_utf8_lossy(version), &String::from_utf8_lossy(now.unwrap_or_default()))
}

async fn page(
    site: &Shared,
    visitor: Visitor,
    file: FileName,
    stamp: &str,
    (refused, trial): (Option<String>, Option<Trial>),
) -> Result<Html<String>, Trouble> {
    let (version, bytes, current) = both(site, &file, stamp).await?;
    rendered(&VersionPage {
        frame: Frame::new(site, Here::Rules, visitor),
        lines: differences(&bytes, current.as_deref()),
        now: mark(current.as_deref()),
        there: current.is_some(),
        version: shown(site, version),
        file,
        refused,
        trial,
    })
}

/// One version beside what the file holds now.
pub(in crate::web) async fn compared(
    State(site): State<Shared>,
    visitor: Visitor,
    Path((address, stamp)): Path<(String, String)>,
) -> Result<Html<String>, Trouble> {
    let file = named(&address)?;
    page(&site, visitor, file, &stamp, (None, None)).await
}

/// What is sent to put a version back.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web) struct Back {
    instead_of: String,
    despite_tests: String,
}

/// Puts a version back, byte for byte, if it is without mistakes today.
pub(in crate::web) async fn put_back(
    State(site): State<Shared>,
    visitor: Visitor,
    Path((address, stamp)): Path<(String, String)>,
    Form(back): Form<Back>,
) -> Result<Response, Trouble> {
    let file = named(&address)?;
    let (_, bytes, _) = both(&site, &file, &stamp).await?;
    let wanted = Wanted {
        file: file.clone(),
        bytes: Some(bytes),
        instead_of: back.instead_of,
        despite_tests: back.despite_tests == "yes",
        by: visitor.by(),
        how: "put back",
    };
    let (saved, word) = put_in_force(&site, wanted).await?;
    let trial = match saved {
        Saved::Done(_) | Saved::Same => {
            let word = if saved == Saved::Same { "same" } else { word.word() };
            return Ok(
                Redirect::to(&format!("/rules/{}?said={word}", in_address(&file.address()))).into_response()
            );
        }
        Saved::Mistakes(ref trial) | Saved::TestsFail(ref trial) => Some(trial.clone()),
        Saved::Moved(_) => None,
    };
    let refused = Some(why_not(&file, &saved));
    let page = page(&site, visitor, file, &stamp, (refused, trial)).await?;
    Ok((StatusCode::CONFLICT, page).into_response())
}
