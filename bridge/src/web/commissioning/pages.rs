//! What is looked at.

use askama::Template;
use axum::Json;
use axum::extract::{Extension, Request, State};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde_json::json;
use sha2::{Digest, Sha256};

use super::guard::Visitor;
use super::serve::Shared;
use super::show::{self, Frame, Refused};
use crate::web::rendered;
use crate::web::trouble::{Trouble, usual_words};

type Page = Result<Html<String>, Trouble>;

/// The step at work.
pub(super) async fn now(State(site): State<Shared>, Extension(visitor): Extension<Visitor>) -> Page {
    current(&site, &visitor, Refused::default())
}

/// The same, with what was refused.
pub(super) fn current(site: &Shared, visitor: &Visitor, refused: Refused) -> Page {
    let page = show::page(site, visitor, &site.board.shown(), refused);
    page.map(Html).map_err(|_| Trouble::fault("this page could not be put together"))
}

/// All steps.
pub(super) async fn steps(State(site): State<Shared>, Extension(visitor): Extension<Visitor>) -> Page {
    rendered(&show::steps_page(&site, &visitor, &site.board.shown()))
}

/// The proposed correction.
pub(super) async fn correction(State(site): State<Shared>, Extension(visitor): Extension<Visitor>) -> Page {
    match show::correction_page(&site, &visitor, &site.board.shown()) {
        Some(page) => rendered(&page),
        None => Err(Trouble::missing("No correction of the home file is proposed.")),
    }
}

/// The sheet that was issued last, as it will be printed.
pub(super) async fn sheet(State(site): State<Shared>) -> Result<Response, Trouble> {
    let missing = |_| Trouble::missing("No sheet was issued yet.");
    let html = tokio::fs::read_to_string(&site.sheet).await.map_err(missing)?;
    Ok(as_sheet(html))
}

/// A sheet as an answer. It brings its own style, and nothing else may run in it.
pub(in crate::web) fn as_sheet(html: String) -> Response {
    let style =
        html.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>")).map(|(style, _)| style);
    let digest = base64(&Sha256::digest(style.unwrap_or_default().as_bytes()));
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{digest}'; img-src data:; form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
    );
    let mut response = Html(html).into_response();
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        response.headers_mut().insert("content-security-policy", policy);
    }
    response
}

/// As browsers want the digest of a style (RFC 4648 section 4).
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let letter = |bits: u32| LETTERS.get((bits & 63) as usize).copied().map_or('=', char::from);
    let mut text = String::new();
    for part in bytes.chunks(3) {
        let at = |i: usize| u32::from(part.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        let letters = [bits >> 18, bits >> 12, bits >> 6, bits].map(letter);
        text.extend(letters.iter().take(part.len() + 1));
        text.extend(std::iter::repeat_n('=', 3 - part.len()));
    }
    text
}

/// Where the code is typed.
#[derive(Template)]
#[template(path = "commission_code.html")]
pub(super) struct CodePage {
    pub(super) frame: Frame,
    pub(super) unfit: Option<String>,
}

/// The way in.
pub(super) async fn code(
    State(site): State<Shared>,
    visitor: Option<Extension<Visitor>>,
) -> Result<Response, Trouble> {
    if visitor.is_some() {
        return Ok(Redirect::to("/").into_response());
    }
    let page = CodePage { frame: Frame::new(&site, None), unfit: None };
    Ok(rendered(&page)?.into_response())
}

#[derive(Template)]
#[template(path = "commission_trouble.html")]
struct TroublePage {
    frame: Frame,
    words: String,
}

/// Makes a page, or JSON, of every answer that is a refusal and no page yet.
pub(super) async fn dressed(State(site): State<Shared>, request: Request, next: Next) -> Response {
    let for_program = request.uri().path().starts_with("/api/");
    let response = next.run(request).await;
    let status = response.status();
    let is_page =
        response.headers().get("content-type").is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    if is_page || !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    let words = match response.extensions().get::<Trouble>() {
        Some(trouble) => trouble.words().to_owned(),
        None => usual_words(status).to_owned(),
    };
    if for_program {
        return (status, Json(json!({ "error": words }))).into_response();
    }
    let page = TroublePage { frame: Frame::new(&site, None), words };
    (status, Html(page.render().unwrap_or_default())).into_response()
}

/// A page with another status.
pub(super) fn with(status: StatusCode, page: Page) -> Response {
    (status, page).into_response()
}

#[cfg(test)]
mod tests {
    use super::base64;

    #[test]
    fn base64_is_that_of_the_rfc() {
        // RFC 4648 section 10.
        let vectors = [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")];
        for (plain, coded) in vectors {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
