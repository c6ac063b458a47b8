//! The sitting as JSON under `/api/sitting`, described at `/api/openapi.json` (OpenAPI 3.1).

use axum::Json;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use overspill_rules::commission::procedure::Ask;
use serde::Serialize;
use utoipa::{OpenApi, ToSchema};

use super::fields::on_page;
use super::serve::Shared;
use crate::commission::board::{Correction, Shown, Stage};
use crate::web::trouble::Trouble;
use overspill_rules::time::WallTime;

/// The document: what can be asked of this page by programs.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "Overspill, commissioning",
        description = "The commissioning under way. It is looked at here; what changes it stands on the page alone, \
                       since somebody has to be at the installation."
    ),
    paths(sitting)
)]
struct Document;

/// The document.
pub(super) async fn document() -> Result<Response, Trouble> {
    let text = Document::openapi().to_json();
    let text = text.map_err(|_| Trouble::fault("the document could not be put together"))?;
    Ok(([(CONTENT_TYPE, "application/json")], text).into_response())
}

/// A sitting, as it stands.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Sitting {
    /// Rises with whatever is asked or awaited anew.
    turn: u64,
    /// `begins`, `asks`, `taken`, `waits`, `rests` or `ended`.
    stage: &'static str,
    step: Option<AtWork>,
    question: Option<Asked>,
    /// What is awaited.
    waits: Option<Waits>,
    points: Vec<Point>,
    steps: Vec<Step>,
    /// Whether a correction of the home file is proposed.
    corrects: bool,
}

/// The step at work.
#[derive(Debug, Serialize, ToSchema)]
struct AtWork {
    id: String,
    title: String,
    place: usize,
    of: usize,
}

/// What is asked.
#[derive(Debug, Serialize, ToSchema)]
struct Asked {
    key: String,
    words: String,
    /// `done`, `text`, `number`, `choice`, `yes-no` or `date`.
    kind: &'static str,
}

/// What is awaited.
#[derive(Debug, Serialize, ToSchema)]
struct Waits {
    words: String,
    /// At most so many seconds more.
    at_most_s: f64,
}

/// How a point reads.
#[derive(Debug, Serialize, ToSchema)]
struct Point {
    id: String,
    watts: Option<f64>,
    age_s: Option<f64>,
    is_old: bool,
}

/// How a step stands.
#[derive(Debug, Serialize, ToSchema)]
struct Step {
    id: String,
    title: String,
    verdict: &'static str,
    words: String,
    next: String,
}

/// The sitting as it stands.
#[utoipa::path(
    get,
    path = "/api/sitting",
    responses(
        (status = 200, description = "The sitting as it stands", body = Sitting),
        (status = 401, description = "Not let in yet: the code of the terminal was not typed"),
    )
)]
pub(super) async fn sitting(State(site): State<Shared>) -> Json<Sitting> {
    Json(told(&site.board.shown(), site.clock.wall()))
}

fn told(shown: &Shown, now: WallTime) -> Sitting {
    let seconds = |ms: i64| ms.max(0) as f64 / 1000.0;
    let stage = match shown.stage {
        Stage::Begins => "begins",
        Stage::Asks(_) => "asks",
        Stage::Taken => "taken",
        Stage::Waits { .. } => "waits",
        Stage::Rests => "rests",
        Stage::Ended => "ended",
    };
    let question = match &shown.stage {
        Stage::Asks(question) => Some(Asked {
            key: question.key.clone(),
            words: on_page(&question.words),
            kind: kind(&question.ask),
        }),
        _ => None,
    };
    let waits = match &shown.stage {
        Stage::Waits { until, words } => {
            Some(Waits { words: on_page(words), at_most_s: seconds((*until - now).0) })
        }
        _ => None,
    };
    let point = |look: &crate::commission::board::Look| Point {
        id: look.id.clone(),
        watts: look.lately.last().map(|sample| sample.watts),
        age_s: look.lately.last().map(|sample| seconds((now - sample.at).0)),
        is_old: look.is_old,
    };
    let step = |row: &crate::commission::board::Row| Step {
        id: row.id.clone(),
        title: row.title.clone(),
        verdict: row.standing.words(),
        words: on_page(&row.words),
        next: on_page(&row.next),
    };
    Sitting {
        turn: shown.turn,
        stage,
        step: shown.step.as_ref().map(|(place, of, step)| AtWork {
            id: step.id.clone(),
            title: step.title.clone(),
            place: *place,
            of: *of,
        }),
        question,
        waits,
        points: shown.looks.iter().map(point).collect(),
        steps: shown.rows.iter().map(step).collect(),
        corrects: matches!(shown.correction, Correction::Proposed(_)),
    }
}

fn kind(ask: &Ask) -> &'static str {
    match ask {
        Ask::Done => "done",
        Ask::Text { .. } => "text",
        Ask::Number { .. } => "number",
        Ask::Choice(_) => "choice",
        Ask::YesNo => "yes-no",
        Ask::Date { .. } => "date",
    }
}
