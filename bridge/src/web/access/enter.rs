//! The first door: what comes from other pages is turned away, and who asks is found out.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::Instant;

use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::sittings::Mark;
use super::{Access, Pass, Role, Visitor, origin, random};
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// The other end of the connection that a request came by.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Caller(pub(crate) SocketAddr);

/// Turns away what comes from other pages, and tells all that follows who asks. The answer carries the visitor too, for
/// the page that a refusal becomes.
pub(crate) async fn enter(State(site): State<Shared>, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    let access = &site.access;
    let authority = origin::authority(&parts.uri, &parts.headers);
    if access.is_open() && !authority.as_ref().is_some_and(origin::is_this_computer) {
        return Trouble::with(StatusCode::MISDIRECTED_REQUEST, NOT_THIS_COMPUTER).into_response();
    }
    if origin::is_foreign_load(&parts.method, &parts.headers) {
        return Trouble::with(StatusCode::FORBIDDEN, FOREIGN_LOAD).into_response();
    }
    let (visitor, pass) = access.who(&parts.headers).await;
    parts.extensions.insert(visitor.clone());
    parts.extensions.insert(pass);
    let mut response = next.run(Request::from_parts(parts, body)).await;
    response.extensions_mut().insert(visitor);
    response
}

const NOT_THIS_COMPUTER: &str = "This page has no users, so it is shown on the computer it runs on alone, at localhost \
                                 or 127.0.0.1. To see it from elsewhere, say in the home file who may log in: a section \
                                 [user.NAME] for each, which `overspill password` prints.";

const FOREIGN_LOAD: &str = "This comes from a page of another site.";

impl Access {
    async fn who(&self, headers: &HeaderMap) -> (Visitor, Pass) {
        if let Some(token) = bearer(headers) {
            return self.program(token).await;
        }
        if self.is_open() {
            let visitor = Visitor { name: None, role: Role::Configure, proof: self.proof_here.clone() };
            return (visitor, Pass::Here);
        }
        let found = match self.sitting_id(headers) {
            Some(id) => self.user(Mark::of(id)).await,
            None => None,
        };
        found.unwrap_or((Visitor::nobody(), Pass::Missing))
    }

    /// The secret id of the sitting that a request comes from.
    pub(super) fn sitting_id<'h>(&self, headers: &'h HeaderMap) -> Option<&'h str> {
        let cookies = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut pairs =
            cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
        pairs.find(|(name, _)| *name == self.cookie).map(|(_, id)| id)
    }

    async fn user(&self, mark: Mark) -> Option<(Visitor, Pass)> {
        let sitting = self.sittings().find(&mark, Instant::now())?;
        let user = self.web.users.get(sitting.user)?;
        let known = self.book.known().await;
        // Whoever changes a password wants those out who came in by the old one.
        if known.marks.get(sitting.user).copied().flatten() != Some(sitting.opened_by) {
            self.sittings().end(&mark);
            return None;
        }
        let visitor = Visitor { name: Some(user.name.clone()), role: user.role, proof: sitting.proof };
        Some((visitor, Pass::Sitting(mark)))
    }

    async fn program(&self, token: &str) -> (Visitor, Pass) {
        let given = random::digest(token);
        let known = self.book.known().await;
        // All of them are compared, so that the time does not tell which was near.
        let mut found = None;
        for (program, digest) in self.web.tokens.iter().zip(&known.tokens) {
            if digest.is_some_and(|digest| random::same(&digest, &given)) {
                found = Some(program);
            }
        }
        match found {
            Some(program) => {
                let name = Some(program.name.clone());
                (Visitor { name, role: program.role, proof: String::new() }, Pass::Token)
            }
            None => (Visitor::nobody(), Pass::WrongToken),
        }
    }

    /// The address that a request comes from.
    pub(super) fn address(&self, caller: Option<&Caller>, headers: &HeaderMap) -> IpAddr {
        let connection = caller.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |caller| caller.0.ip());
        origin::address(connection, headers, self.web.behind_https)
    }
}

/// The token of a program (RFC 6750 section 2.1).
fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, token) = headers.get(AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token.trim())
}
