//! The second door, before every group of routes: the role, and where something is to be changed the proof that a page
//! of ours asks for it.

use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE, LOCATION, WWW_AUTHENTICATE};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tokio_stream::StreamExt;

use super::{Pass, Role, Visitor, origin, random};
use crate::web::site::Shared;
use crate::web::trouble::{Trouble, is_for_program};

/// The most that a request may carry: a rule and its tests are far smaller.
pub(crate) const BODY_BYTES: usize = 256 * 1024;

/// The header that carries the proof where no form does.
pub(crate) const PROOF_HEADER: &str = "x-overspill-proof";

/// Lets through who has the role, and of what changes something only what a page of ours or a program with a token asks.
/// A request is taken whole before anything is decided by it.
pub(crate) async fn guard(
    State((site, needed)): State<(Shared, Role)>,
    request: Request,
    next: Next,
) -> Response {
    let (parts, body) = request.into_parts();
    if let Some(refusal) = without_role(&parts, needed) {
        return refusal;
    }
    if parts.method.is_safe() {
        return next.run(Request::from_parts(parts, body)).await;
    }
    match may_change(&site, &parts, body).await {
        Ok(body) => next.run(Request::from_parts(parts, Body::from(body))).await,
        Err(trouble) => trouble.into_response(),
    }
}

/// The answer to somebody who has not the role that is needed.
fn without_role(parts: &Parts, needed: Role) -> Option<Response> {
    let nobody = Visitor::nobody();
    let visitor = parts.extensions.get::<Visitor>().unwrap_or(&nobody);
    if visitor.may(needed) {
        return None;
    }
    if visitor.may_view() {
        let words =
            format!("This takes the role \"{}\"; yours is \"{}\".", needed.word(), visitor.role.word());
        return Some(Trouble::with(StatusCode::FORBIDDEN, words).into_response());
    }
    let words = match parts.extensions.get::<Pass>() {
        Some(Pass::WrongToken) => "This token is not known here.",
        _ if is_for_program(parts.uri.path()) => {
            "This takes a token, in a header `Authorization: Bearer ..`, or a browser that is logged in."
        }
        _ if parts.method.is_safe() => return Some(to_login(&parts.uri)),
        _ => "Nothing was changed: you are not logged in any more. Log in, come back and send it again.",
    };
    let refusal = Trouble::with(StatusCode::UNAUTHORIZED, words).into_response();
    Some(([(WWW_AUTHENTICATE, "Bearer")], refusal).into_response())
}

/// To the login, and from there back.
fn to_login(uri: &Uri) -> Response {
    let back = uri.path_and_query().map_or("/", |path| path.as_str());
    let login = if back == "/" { "/login".to_owned() } else { format!("/login?next={}", escaped(back)) };
    (StatusCode::SEE_OTHER, [(LOCATION, login)]).into_response()
}

fn escaped(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    let one = |byte: u8| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") };
    text.bytes().map(one).collect()
}

async fn may_change(site: &Shared, parts: &Parts, body: Body) -> Result<Bytes, Trouble> {
    let token = parts.extensions.get::<Pass>() == Some(&Pass::Token);
    if !token && !comes_from_here(site, parts) {
        return Err(Trouble::with(StatusCode::FORBIDDEN, FOREIGN));
    }
    let body = taken(&parts.headers, body, (BODY_BYTES, site.access.body_within)).await?;
    let visitor = parts.extensions.get::<Visitor>().filter(|visitor| !visitor.proof.is_empty());
    let proved = visitor.is_some_and(|visitor| {
        given_proof(&parts.headers, &body)
            .is_some_and(|given| random::same(&random::digest(&given), &random::digest(&visitor.proof)))
    });
    match token || proved {
        true => Ok(body),
        false => Err(Trouble::with(StatusCode::FORBIDDEN, NO_PROOF)),
    }
}

const FOREIGN: &str = "Nothing was changed: this was not sent by a page from here. If a proxy stands before this page, it \
                       has to pass the Host header on.";

const NO_PROOF: &str = "Nothing was changed: the page that sent this is from before you logged in, or from before the \
                        program was started afresh. Open it again and send it once more.";

/// Whether the page that asks is from this very host.
pub(super) fn comes_from_here(site: &Shared, parts: &Parts) -> bool {
    let authority = origin::authority(&parts.uri, &parts.headers);
    authority.is_some_and(|at| origin::is_ours(&at, &parts.headers, site.config.web.behind_https))
}

/// The proof, from its header or from the form. It is hexadecimal, so a form carries it as it is.
pub(in crate::web) fn given_proof(headers: &HeaderMap, body: &Bytes) -> Option<String> {
    if let Some(proof) = headers.get(PROOF_HEADER) {
        return proof.to_str().ok().map(str::to_owned);
    }
    let is_form = headers.get(CONTENT_TYPE)?.as_bytes().starts_with(b"application/x-www-form-urlencoded");
    let pairs = body.split(|byte| *byte == b'&');
    let mut proofs = pairs.filter_map(|pair| pair.strip_prefix(b"proof="));
    let proof = proofs.next().filter(|_| is_form)?;
    std::str::from_utf8(proof).ok().map(str::to_owned)
}

/// The whole of a request's body.
///
/// # Errors
/// When it is longer than `most`, or not there `within` this time, or cut short.
pub(in crate::web) async fn taken(
    headers: &HeaderMap,
    body: Body,
    (most, within): (usize, Duration),
) -> Result<Bytes, Trouble> {
    let announced =
        headers.get(CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse::<usize>().ok());
    if announced.is_some_and(|length| length > most) {
        return Err(too_large());
    }
    let whole = async {
        let (mut stream, mut whole) = (body.into_data_stream(), Vec::new());
        while let Some(piece) = stream.next().await {
            let piece = piece.map_err(|_| Trouble::wrong("The request was cut short."))?;
            if whole.len() + piece.len() > most {
                return Err(too_large());
            }
            whole.extend_from_slice(&piece);
        }
        Ok(Bytes::from(whole))
    };
    let too_slow = |_| Trouble::with(StatusCode::REQUEST_TIMEOUT, "The request came too slowly.");
    tokio::time::timeout(within, whole).await.map_err(too_slow)?
}

fn too_large() -> Trouble {
    Trouble::with(StatusCode::PAYLOAD_TOO_LARGE, "That is more than this page takes at once.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_back_survives_the_login() {
        assert_eq!(escaped("/history?from=2026-01-01&to=ä"), "/history%3Ffrom%3D2026-01-01%26to%3D%C3%A4");
    }
}
