//! Who may do what.

use std::convert::Infallible;

use axum::extract::FromRequestParts;
use axum::http::HeaderMap;
use axum::http::request::Parts;

use super::site::{Shared, Site};

/// What a visitor may do; each role may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Role {
    /// See everything.
    View,
    /// Override loads, change settings.
    Operate,
    /// Change rules.
    Configure,
}

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
    /// Whether the visitor may do what `role` may.
    pub(crate) fn may(&self, role: Role) -> bool {
        self.role >= role
    }

    /// Whether the visitor may override and set.
    pub(crate) fn may_operate(&self) -> bool {
        self.may(Role::Operate)
    }

    /// Whether the visitor may change rules.
    pub(crate) fn may_configure(&self) -> bool {
        self.may(Role::Configure)
    }

    /// Who asked, for the record.
    pub(crate) fn by(&self) -> String {
        self.name.clone().unwrap_or_else(|| "the page".to_owned())
    }
}

/// Who a request comes from.
pub(crate) fn visitor_of(_site: &Site, _headers: &HeaderMap) -> Visitor {
    Visitor { name: None, role: Role::Configure, proof: String::new() }
}

impl FromRequestParts<Shared> for Visitor {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, site: &Shared) -> Result<Visitor, Infallible> {
        Ok(visitor_of(site, &parts.headers))
    }
}
