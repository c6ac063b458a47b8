//! Who may use the page. On this computer everybody who sits at it; from elsewhere whoever typed the code that the
//! terminal shows. Every change must come from a page of ours, and bring the proof that it does.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::header::{COOKIE, HeaderValue};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::code::{Code, NotIn};
use super::serve::Shared;
use crate::web::access::guard::{given_proof, taken};
use crate::web::access::{origin, random};
use crate::web::trouble::Trouble;

/// The cookie's name. A browser sends the cookies of a host to all its ports, so it is no other page's.
const COOKIE_NAME: &str = "overspill-commissioning";

/// A phone is let in for a long working day.
const LASTS: Duration = Duration::from_secs(14 * 3600);

/// Phones at one time; another one takes the place of the first.
const MOST: usize = 16;

/// The most that a form may carry: an answer is a line. And how soon it must be there.
const BODY: (usize, Duration) = (16 * 1024, Duration::from_secs(10));

type Digest = [u8; 32];

/// Who looks at the page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Visitor {
    /// What every form carries back, as proof that it came from a page of ours.
    pub(super) proof: String,
}

/// Who is let in.
pub(super) struct Guard {
    /// The proof of whoever sits at this computer, where the page is shown on it alone.
    here: Option<String>,
    code: Mutex<Code>,
    phones: Mutex<BTreeMap<Digest, (Instant, String)>>,
}

impl Guard {
    /// For this computer alone, or for phones too.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(here_alone: bool) -> Result<Guard, String> {
        let here = if here_alone { Some(random::word()?) } else { None };
        let code = Mutex::new(Code::new(Instant::now())?);
        Ok(Guard { here, code, phones: Mutex::default() })
    }

    /// The code for the next phone; `None` where none is needed.
    pub(super) fn code(&self) -> Option<String> {
        self.here.is_none().then(|| self.locked_code().words())
    }

    fn locked_code(&self) -> MutexGuard<'_, Code> {
        self.code.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets a phone in that typed the code: the cookie that it keeps.
    ///
    /// # Errors
    /// When the code is wrong, or was tried too often.
    pub(super) fn let_in(&self, typed: &str, now: Instant) -> Result<HeaderValue, NotIn> {
        self.locked_code().try_one(typed, now)?;
        let (Ok(id), Ok(proof)) = (random::word(), random::word()) else { return Err(NotIn::Wrong) };
        let mut phones = self.phones.lock().unwrap_or_else(PoisonError::into_inner);
        phones.retain(|_, (since, _)| now.saturating_duration_since(*since) < LASTS);
        while phones.len() >= MOST {
            let first = phones.iter().min_by_key(|(_, (since, _))| *since).map(|(mark, _)| *mark);
            let Some(first) = first else { break };
            phones.remove(&first);
        }
        phones.insert(random::digest(&id), (now, proof));
        let cookie =
            format!("{COOKIE_NAME}={id}; Path=/; HttpOnly; SameSite=Strict; Max-Age={}", LASTS.as_secs());
        HeaderValue::from_str(&cookie).map_err(|_| NotIn::Wrong)
    }

    /// Who a request comes from; `None` for a stranger.
    fn visitor(&self, headers: &HeaderMap, now: Instant) -> Option<Visitor> {
        if let Some(proof) = &self.here {
            return Some(Visitor { proof: proof.clone() });
        }
        let mark = random::digest(cookie(headers)?);
        let phones = self.phones.lock().unwrap_or_else(PoisonError::into_inner);
        let (since, proof) = phones.get(&mark)?;
        let lasts = now.saturating_duration_since(*since) < LASTS;
        lasts.then(|| Visitor { proof: proof.clone() })
    }
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let lines = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE_NAME).map(|(_, id)| id)
}

/// Turns away strangers, and whatever other pages send. What changes something is taken whole, and brings the proof of its
/// visitor; only a code brings none.
pub(super) async fn guarded(State(site): State<Shared>, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    let authority = origin::authority(&parts.uri, &parts.headers);
    if site.guard.here.is_some() && !authority.as_ref().is_some_and(origin::is_this_computer) {
        return Trouble::with(StatusCode::MISDIRECTED_REQUEST, NOT_THIS_COMPUTER).into_response();
    }
    let is_ours = || authority.as_ref().is_some_and(|at| origin::is_ours(at, &parts.headers, false));
    let looks = parts.method.is_safe();
    if origin::is_foreign_load(&parts.method, &parts.headers) || (!looks && !is_ours()) {
        return Trouble::with(StatusCode::FORBIDDEN, FOREIGN).into_response();
    }
    let path = parts.uri.path().to_owned();
    let visitor = site.guard.visitor(&parts.headers, Instant::now());
    let is_open = path == "/code" || super::serve::is_asset(&path);
    if visitor.is_none() && !is_open {
        let is_page = looks && !path.starts_with("/api/") && path != "/live";
        let no_code = Trouble::with(StatusCode::UNAUTHORIZED, NO_CODE);
        return if is_page { Redirect::to("/code").into_response() } else { no_code.into_response() };
    }
    let body = match if looks { Ok(Default::default()) } else { taken(&parts.headers, body, BODY).await } {
        Ok(body) => body,
        Err(why) => return why.into_response(),
    };
    if let Some(visitor) = visitor {
        let same = |given: String| random::same(&random::digest(&given), &random::digest(&visitor.proof));
        if !looks && path != "/code" && !given_proof(&parts.headers, &body).is_some_and(same) {
            return Trouble::with(StatusCode::FORBIDDEN, NO_PROOF).into_response();
        }
        parts.extensions.insert(visitor);
    }
    next.run(Request::from_parts(parts, Body::from(body))).await
}

const NOT_THIS_COMPUTER: &str = "This page is shown on the computer it runs on alone, at 127.0.0.1 or localhost. To use it on a phone, begin the commissioning with --page 0.0.0.0:8181.";
const FOREIGN: &str = "This comes from a page of another site, so it was not taken.";
const NO_CODE: &str = "This phone is not let in yet: type the code that the terminal shows.";
const NO_PROOF: &str = "This form was made before the program was started again. Nothing was taken; begin from the page as it is now.";
