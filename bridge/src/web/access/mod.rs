//! Who may do what.
//!
//! A request passes three doors. The first ([`enter`]) turns away what comes from other pages, and finds out who asks: a
//! user with a sitting, a program with a token, or, where the home file names no users, whoever sits at this computer.
//! The second ([`guard`]) stands before every group of routes and asks for its role, and where something is to be changed
//! for the proof that the request was made by a page of ours. The third is the answer's: headers that tell the browser
//! how little it may do with it ([`headers`]).
//!
//! | to find | open |
//! |---|---|
//! | who a request comes from | `enter.rs` |
//! | roles and proof before a route | `guard.rs` |
//! | names and addresses that a request carries | `origin.rs` |
//! | who is logged in | `sittings.rs` |
//! | what is known of users and tokens | `book.rs` |
//! | the login, and how often it may be tried | `login.rs`, `attempts.rs` |

mod attempts;
mod book;
mod enter;
pub(super) mod guard;
mod headers;
mod login;
pub(super) mod origin;
pub(super) mod random;
mod sittings;
#[cfg(test)]
mod tests;

use std::convert::Infallible;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

pub(crate) use crate::config::PageRole as Role;
use crate::config::WebConfig;

use super::site::Shared;
use attempts::Attempts;
use book::Book;
use sittings::{Mark, Sittings};

pub(super) use enter::{Caller, enter};
pub(super) use guard::{BODY_BYTES, guard};
pub(super) use headers::guarded;
pub(super) use login::{log_in, log_out, login_page};

/// Pages that are kept fresh at one time.
const SEATS: usize = 128;

/// Passwords that are checked at one time: each takes a core and 19 MiB for a moment.
const CHECKS_AT_ONCE: usize = 1;

/// Logins that may wait for their check; more are told to come back.
const CHECKS_WAITING: usize = 8;

/// Who looks at a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Visitor {
    /// The name of the user, where somebody logged in.
    pub(crate) name: Option<String>,
    /// What the visitor may do.
    pub(crate) role: Role,
    /// What every form carries back, as proof that it came from this page.
    pub(crate) proof: String,
}

impl Visitor {
    /// Somebody of whom nothing is known.
    pub(crate) fn nobody() -> Visitor {
        Visitor { name: None, role: Role::Nobody, proof: String::new() }
    }

    /// Whether the visitor may do what `role` may.
    pub(crate) fn may(&self, role: Role) -> bool {
        self.role >= role
    }

    /// Whether the visitor may see the home at all.
    pub(crate) fn may_view(&self) -> bool {
        self.may(Role::View)
    }

    /// Whether the visitor may override and set.
    pub(crate) fn may_operate(&self) -> bool {
        self.may(Role::Operate)
    }

    /// Whether the visitor may change rules.
    pub(crate) fn may_configure(&self) -> bool {
        self.may(Role::Configure)
    }

    /// What the visitor may do, so that it completes "may ...".
    pub(crate) fn may_what(&self) -> &'static str {
        match self.role {
            Role::Nobody => "see nothing",
            Role::View => "look",
            Role::Operate => "look and operate",
            Role::Configure => "do everything",
        }
    }

    /// Who asked, for the record.
    pub(crate) fn by(&self) -> String {
        self.name.clone().unwrap_or_else(|| "the page".to_owned())
    }
}

impl FromRequestParts<Shared> for Visitor {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _site: &Shared) -> Result<Visitor, Infallible> {
        Ok(parts.extensions.get::<Visitor>().cloned().unwrap_or_else(Visitor::nobody))
    }
}

/// By what right a request comes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Pass {
    /// None.
    Missing,
    /// A token that is not known.
    WrongToken,
    /// The home has no users: whoever is at this computer.
    Here,
    /// A user's sitting.
    Sitting(Mark),
    /// A program's token.
    Token,
}

/// What is known of who may do what; shared by all requests.
pub(crate) struct Access {
    web: WebConfig,
    /// What a request carries has to be there within this.
    body_within: Duration,
    /// The name of the cookie. A browser sends the cookies of a host to all its ports, so it says which home it is for.
    cookie: String,
    /// The proof of visitors without a sitting.
    proof_here: String,
    book: Book,
    sittings: Mutex<Sittings>,
    attempts: Mutex<Attempts>,
    checks: Arc<Semaphore>,
    checks_waiting: Arc<Semaphore>,
    seats: Arc<Semaphore>,
}

impl Access {
    /// For the home `id`.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(web: &WebConfig, id: &str, body_within: Duration) -> Result<Access, String> {
        // `__Host-`: browsers take such a cookie from this very host by https alone (RFC 6265bis section 4.1.3.2).
        let prefix = if web.behind_https { "__Host-" } else { "" };
        Ok(Access {
            cookie: format!("{prefix}overspill-{id}"),
            proof_here: random::word()?,
            book: Book::new(web),
            sittings: Mutex::new(Sittings::default()),
            attempts: Mutex::new(Attempts::default()),
            checks: Arc::new(Semaphore::new(CHECKS_AT_ONCE)),
            checks_waiting: Arc::new(Semaphore::new(CHECKS_WAITING)),
            seats: Arc::new(Semaphore::new(SEATS)),
            body_within,
            web: web.clone(),
        })
    }

    /// Whether whoever is at this computer may do everything.
    pub(crate) fn is_open(&self) -> bool {
        self.web.users.is_empty()
    }

    /// A place for a page that is kept fresh; `None` when all are taken. Given back when it is dropped.
    pub(crate) fn seat(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.seats).try_acquire_owned().ok()
    }

    /// Pages that are kept fresh now.
    pub(crate) fn seated(&self) -> usize {
        SEATS - self.seats.available_permits()
    }

    /// Whether `pass` still holds, for an answer that goes on. A page that is kept fresh is in use.
    pub(crate) fn still_holds(&self, pass: &Pass) -> bool {
        match pass {
            Pass::Sitting(mark) => self.sittings().touch(mark, Instant::now()),
            _ => true,
        }
    }

    fn sittings(&self) -> MutexGuard<'_, Sittings> {
        self.sittings.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn attempts(&self) -> MutexGuard<'_, Attempts> {
        self.attempts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
