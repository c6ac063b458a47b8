//! The login and the logout.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordVerifier};
use askama::Template;
use axum::Extension;
use axum::body::Body;
use axum::extract::{Form, FromRequest, Query, Request, State};
use axum::http::StatusCode;
use axum::http::header::{LOCATION, RETRY_AFTER, SET_COOKIE};
use axum::response::{IntoResponse, Response};
use overspill_rules::time::Span;
use serde::Deserialize;

use super::enter::Caller;
use super::guard::{comes_from_here, taken};
use super::sittings::{LONGEST, Mark};
use super::{Access, Pass, Visitor, random};
use crate::config::{PASSWORD_BYTES, Secret};
use crate::web::frame::{Frame, Here};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// The most that a login may carry: nobody has proved to be anybody yet.
const LOGIN_BYTES: usize = 4 * 1024;

/// The longest way back after a login.
const NEXT_BYTES: usize = 1024;

/// Stands for the password of a user who does not exist, where no user has one that could; its parameters are those of
/// `overspill password`.
const NOBODYS: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5J3Mgc2FsdA$2kVz1U0Ykq1Q8gF3yq2hYw5mJ8v0n1b3c4d5e6f7g8g";

#[derive(Template)]
#[template(path = "login.html")]
struct LoginPage {
    frame: Frame,
    name: String,
    next: String,
    trouble: Option<String>,
}

/// Where to go after the login.
#[derive(Debug, Deserialize)]
pub(crate) struct Way {
    #[serde(default)]
    next: String,
}

/// What the form of the login carries.
#[derive(Deserialize)]
pub(crate) struct Login {
    #[serde(default)]
    name: String,
    #[serde(default)]
    password: String,
    #[serde(default)]
    next: String,
}

/// The form of the login.
pub(crate) async fn login_page(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(way): Query<Way>,
) -> Response {
    let next = local(&way.next);
    if visitor.may_view() {
        return see(&next);
    }
    form(&site, StatusCode::OK, String::new(), next, None)
}

/// Checks name and password, and begins a sitting.
pub(crate) async fn log_in(State(site): State<Shared>, request: Request) -> Response {
    match try_to_log_in(&site, request).await {
        Ok(response) => response,
        Err(trouble) => trouble.into_response(),
    }
}

async fn try_to_log_in(site: &Shared, request: Request) -> Result<Response, Trouble> {
    let access = &site.access;
    if access.is_open() {
        return Ok(see("/"));
    }
    let (parts, body) = request.into_parts();
    if !comes_from_here(site, &parts) {
        return Err(Trouble::with(StatusCode::FORBIDDEN, FOREIGN));
    }
    let address = access.address(parts.extensions.get::<Caller>(), &parts.headers);
    let former = access.sitting_id(&parts.headers).map(Mark::of);
    let body = taken(&parts.headers, body, (LOGIN_BYTES, access.body_within)).await?;
    let whole = Request::from_parts(parts, Body::from(body));
    let Ok(Form(login)) = Form::<Login>::from_request(whole, site).await else {
        return Err(Trouble::wrong("The login could not be read."));
    };
    let next = local(&login.next);
    match access.check(&login, address).await {
        Checked::Right { user, mark } => {
            let begun = access.sittings().begin(user, mark, Instant::now());
            let id = begun.map_err(Trouble::fault)?;
            if let Some(former) = former {
                access.sittings().end(&former);
            }
            tracing::info!("{} logged in to the page from {address}.", login.name);
            Ok(([(SET_COOKIE, access.cookie(&id, LONGEST))], see(&next)).into_response())
        }
        Checked::Wrong => {
            // Not the name: people type passwords there.
            tracing::warn!("A login to the page from {address} failed.");
            let words = "The name or the password is wrong.".to_owned();
            Ok(form(site, StatusCode::FORBIDDEN, login.name, next, Some(words)))
        }
        Checked::Wait(wait) => {
            let seconds = wait.as_secs().max(1);
            let span = Span::seconds(i64::try_from(seconds).unwrap_or(i64::MAX));
            let words = format!("There were too many logins that failed. Wait {span}, then try again.");
            let page = form(site, StatusCode::TOO_MANY_REQUESTS, login.name, next, Some(words));
            Ok(([(RETRY_AFTER, seconds.to_string())], page).into_response())
        }
    }
}

const FOREIGN: &str = "This login was not sent by a page from here. If a proxy stands before this page, it has to pass \
                       the Host header on.";

/// Ends the sitting.
pub(crate) async fn log_out(State(site): State<Shared>, Extension(pass): Extension<Pass>) -> Response {
    if let Pass::Sitting(mark) = pass {
        site.access.sittings().end(&mark);
    }
    let gone = site.access.cookie("", Duration::ZERO);
    ([(SET_COOKIE, gone)], see("/login")).into_response()
}

/// How a login turned out.
enum Checked {
    Right { user: usize, mark: [u8; 32] },
    Wrong,
    Wait(Duration),
}

impl Access {
    /// The one place where passwords are checked: a few wait, one is checked at a time, away from the loop, and one of a
    /// user who does not exist takes as long as any other.
    async fn check(&self, login: &Login, address: IpAddr) -> Checked {
        let Ok(_place) = Arc::clone(&self.checks_waiting).try_acquire_owned() else {
            return Checked::Wait(Duration::from_secs(2));
        };
        if let Err(wait) = self.attempts().begin(address, Instant::now()) {
            return Checked::Wait(wait);
        }
        let known = self.book.known().await;
        let user = self.web.users.iter().position(|user| user.name == login.name);
        let hash = user.and_then(|user| known.hashes.get(user)?.clone());
        let stands_in = known.hashes.iter().flatten().next().cloned();
        let compared = hash.clone().or(stands_in).unwrap_or_else(|| Secret::new(NOBODYS.to_owned()));
        let password = Secret::new(login.password.clone());
        let turn = Arc::clone(&self.checks).acquire_owned().await;
        let fits = tokio::task::spawn_blocking(move || {
            let _turn = turn;
            fits(&password, &compared)
        });
        match (fits.await.unwrap_or(false), user, hash) {
            (true, Some(user), Some(hash)) => {
                self.attempts().succeeded(address);
                Checked::Right { user, mark: random::digest(hash.reveal()) }
            }
            _ => Checked::Wrong,
        }
    }

    /// The cookie of a sitting. `Lax`, since a link in a message should lead to the page and not to the login; nothing
    /// is changed by following a link.
    fn cookie(&self, id: &str, lasts: Duration) -> String {
        let secure = if self.web.behind_https { "; Secure" } else { "" };
        format!("{}={id}; Path=/; Max-Age={}; HttpOnly; SameSite=Lax{secure}", self.cookie, lasts.as_secs())
    }
}

fn fits(password: &Secret, hash: &Secret) -> bool {
    let Ok(hash) = PasswordHash::new(hash.reveal()) else { return false };
    let password = password.reveal().as_bytes();
    password.len() <= PASSWORD_BYTES && Argon2::default().verify_password(password, &hash).is_ok()
}

fn form(site: &Shared, status: StatusCode, name: String, next: String, trouble: Option<String>) -> Response {
    let frame = Frame::new(site, Here::Nowhere, Visitor::nobody());
    let page = LoginPage { frame, name, next, trouble };
    match crate::web::rendered(&page) {
        Ok(page) => (status, page).into_response(),
        Err(trouble) => trouble.into_response(),
    }
}

fn see(path: &str) -> Response {
    (StatusCode::SEE_OTHER, [(LOCATION, path.to_owned())]).into_response()
}

/// The way back, where it is one of this page.
fn local(next: &str) -> String {
    let fine = next.starts_with('/')
        && !next.starts_with("//")
        && next.len() <= NEXT_BYTES
        && next.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\');
    if fine { next.to_owned() } else { "/".to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_back_leads_nowhere_else() {
        for next in ["/", "/history?from=2026-01-01"] {
            assert_eq!(local(next), next);
        }
        for next in
            ["", "//evil.example", "/\\evil.example", "https://evil.example", "/x\r\nset-cookie: a=b", "x"]
        {
            assert_eq!(local(next), "/", "{next}");
        }
    }

    #[test]
    fn the_hash_that_stands_for_nobody_can_be_checked_against() {
        assert_eq!(crate::config::check_hash(NOBODYS), Ok(()));
        assert!(!fits(&Secret::new("x".to_owned()), &Secret::new(NOBODYS.to_owned())));
    }
}
