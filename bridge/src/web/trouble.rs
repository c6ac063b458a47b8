//! How refusals and mistakes reach people: as a page, or as JSON below `/api`, always in words and never more than the
//! words.

use askama::Template;
use axum::Json;
use axum::extract::{Request, State};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};
use serde_json::json;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::Shared;
use crate::store::StoreError;

/// Why a request was not answered as asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Trouble {
    status: StatusCode,
    words: String,
}

impl Trouble {
    /// The request itself is wrong: what, and how to mend it.
    pub(crate) fn wrong(words: impl Into<String>) -> Trouble {
        Trouble { status: StatusCode::BAD_REQUEST, words: words.into() }
    }

    /// There is no such thing.
    pub(crate) fn missing(words: impl Into<String>) -> Trouble {
        Trouble { status: StatusCode::NOT_FOUND, words: words.into() }
    }

    /// It was understood and not done: what the home says against it.
    pub(crate) fn refused(words: impl Into<String>) -> Trouble {
        Trouble { status: StatusCode::CONFLICT, words: words.into() }
    }

    /// It could not be done, which is not the visitor's doing.
    pub(crate) fn fault(words: impl Into<String>) -> Trouble {
        Trouble { status: StatusCode::INTERNAL_SERVER_ERROR, words: words.into() }
    }

    /// With another status.
    pub(crate) fn with(status: StatusCode, words: impl Into<String>) -> Trouble {
        Trouble { status, words: words.into() }
    }

    /// The words.
    pub(crate) fn words(&self) -> &str {
        &self.words
    }
}

impl From<StoreError> for Trouble {
    fn from(why: StoreError) -> Trouble {
        match why {
            StoreError::Missing { .. } => Trouble::missing("nothing has been recorded yet"),
            why => Trouble::fault(why.to_string()),
        }
    }
}

impl IntoResponse for Trouble {
    /// Plain text that [`dressed`] makes a page or JSON of.
    fn into_response(self) -> Response {
        let mut response = (self.status, self.words.clone()).into_response();
        response.extensions_mut().insert(self);
        response
    }
}

#[derive(Template)]
#[template(path = "trouble.html")]
struct TroublePage {
    frame: Frame,
    heading: &'static str,
    words: String,
}

/// Whether what is at this path is for programs, which want to be told plainly and never sent to a login.
pub(crate) fn is_for_program(path: &str) -> bool {
    path.starts_with("/api/") || matches!(path, "/api" | "/live" | "/metrics")
}

/// Makes a page, or JSON, of every answer that is a refusal and does not say so itself: a view that shows its form again
/// beside the words does.
pub(crate) async fn dressed(State(site): State<Shared>, request: Request, next: Next) -> Response {
    let for_program = is_for_program(request.uri().path());
    let response = next.run(request).await;
    let status = response.status();
    if !(status.is_client_error() || status.is_server_error()) || says_itself(&response) {
        return response;
    }
    let visitor = response.extensions().get::<Visitor>().cloned().unwrap_or_else(Visitor::nobody);
    let words = match response.extensions().get::<Trouble>() {
        Some(trouble) => trouble.words.clone(),
        None => usual_words(status).to_owned(),
    };
    let headers = kept(response);
    if for_program {
        return (status, headers, Json(json!({ "error": words }))).into_response();
    }
    let frame = Frame::new(&site, Here::Nowhere, visitor);
    let page = TroublePage { frame, heading: heading(status), words };
    (status, headers, Html(page.render().unwrap_or_default())).into_response()
}

/// Marks an answer whose plain text is meant as it is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct AsItIs;

/// Whether a refusal is a page or JSON already, or meant as it is.
fn says_itself(response: &Response) -> bool {
    let kind = response.headers().get(CONTENT_TYPE).map_or(&b""[..], HeaderValue::as_bytes);
    let dressed = kind.starts_with(b"text/html") || kind.starts_with(b"application/json");
    let meant = response.extensions().get::<AsItIs>().is_some();
    meant || (dressed && response.extensions().get::<Trouble>().is_none())
}

/// What a refusal says beside its words: when to come again, how to log in.
fn kept(response: Response) -> HeaderMap {
    let mut headers = response.into_parts().0.headers;
    headers.remove(CONTENT_TYPE);
    headers.remove(CONTENT_LENGTH);
    headers
}

fn heading(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "Not here",
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => "Not allowed",
        StatusCode::CONFLICT => "Not done",
        StatusCode::MISDIRECTED_REQUEST => "Not from there",
        StatusCode::TOO_MANY_REQUESTS => "Not now",
        status if status.is_server_error() => "This went wrong",
        _ => "Not understood",
    }
}

/// For refusals that do not come from here.
pub(super) fn usual_words(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "There is no page at this address.",
        StatusCode::METHOD_NOT_ALLOWED => "This address does not take that kind of request.",
        StatusCode::PAYLOAD_TOO_LARGE => "That is more than this page takes at once.",
        StatusCode::UNSUPPORTED_MEDIA_TYPE => "That is not the kind of content this address takes.",
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY => {
            "The request could not be read; something in it is missing or of the wrong kind."
        }
        _ => "The request could not be answered.",
    }
}
