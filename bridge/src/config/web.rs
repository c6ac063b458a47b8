//! Where the page is served, who may log in to it, and which programs may ask it.

use std::net::{Ipv4Addr, SocketAddr};

use argon2::Params;
use argon2::password_hash::PasswordHash;

use super::grammar::{Fault, Grammar};
use super::secret::{Secret, SecretError, SecretSource};

/// Where the page is served unless the home file says otherwise: on this computer only.
pub(crate) const USUAL: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8180);

/// The fewest characters of a token: as many as 128 random bits in hexadecimal.
pub(crate) const TOKEN_CHARS: usize = 32;

/// The longest password that is looked at, in bytes.
pub(crate) const PASSWORD_BYTES: usize = 1024;

/// The most memory that a hash may ask for at a login, in KiB: a small computer has to go on controlling beside it.
const HASH_KIB: u32 = 256 * 1024;

/// The most passes that a hash may ask for.
const HASH_PASSES: u32 = 16;

/// The page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebConfig {
    /// Where it listens; `None` where the home file wants no page.
    pub listen: Option<SocketAddr>,
    /// Whether the home file says so. Where it does not, an address that is taken is no trouble.
    pub written: bool,
    /// Whether a proxy stands before it that speaks https to the viewers.
    pub behind_https: bool,
    /// Who may log in. Where this is empty the page listens on loopback only and whoever is there may do everything.
    pub users: Vec<WebUser>,
    /// Programs that may ask.
    pub tokens: Vec<WebToken>,
}

/// Somebody who may log in to the page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebUser {
    /// The name to log in with.
    pub name: String,
    /// What this user may do.
    pub role: PageRole,
    /// Where the hash of the password is.
    pub hash: HashSource,
}

/// A program that may ask the page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebToken {
    /// The program's name.
    pub name: String,
    /// What it may do.
    pub role: PageRole,
    /// Where its token is.
    pub source: SecretSource,
}

/// What a visitor of the page may do; each role may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PageRole {
    /// Nothing: nobody logged in.
    Nobody,
    /// See everything.
    View,
    /// Override loads, change settings.
    Operate,
    /// Change rules.
    Configure,
}

/// Where the hash of a password is. It is fetched when it is needed, so that it can be changed without a restart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HashSource {
    /// In the home file.
    Written(Secret),
    /// In a file of its own or in the environment.
    Elsewhere(SecretSource),
}

impl Default for WebConfig {
    fn default() -> WebConfig {
        WebConfig {
            listen: Some(USUAL),
            written: false,
            behind_https: false,
            users: Vec::new(),
            tokens: Vec::new(),
        }
    }
}

impl PageRole {
    /// The words of the home file, in the order of the roles.
    pub(crate) const WORDS: [&'static str; 3] = ["view", "operate", "configure"];

    /// The role that a word of the home file means.
    pub(crate) fn of(word: &str) -> Option<PageRole> {
        match word {
            "view" => Some(PageRole::View),
            "operate" => Some(PageRole::Operate),
            "configure" => Some(PageRole::Configure),
            _ => None,
        }
    }

    /// The word of the home file for it.
    pub(crate) fn word(self) -> &'static str {
        match self {
            PageRole::Nobody => "nobody",
            PageRole::View => "view",
            PageRole::Operate => "operate",
            PageRole::Configure => "configure",
        }
    }
}

impl HashSource {
    /// Fetches the hash.
    ///
    /// # Errors
    /// When it can't be had; the sentence names where it was looked for.
    pub fn fetch(&self) -> Result<Secret, SecretError> {
        match self {
            HashSource::Written(hash) => Ok(hash.clone()),
            HashSource::Elsewhere(source) => source.fetch(),
        }
    }
}

/// Whether `text` can be the name of a user.
pub(crate) fn is_user_name(text: &str) -> bool {
    Grammar::UserName.check(text).is_ok()
}

/// Whether `text` is a hash that a login can be checked against: argon2id in the PHC string format, within what a login
/// may cost.
pub(crate) fn check_hash(text: &str) -> Result<(), Fault> {
    let fault = |label: &str| Err(Fault { label: label.to_owned(), help: Some(HASH_HELP.to_owned()) });
    let Ok(hash) = PasswordHash::new(text) else { return fault("not in the PHC string format") };
    if hash.algorithm.as_str() != "argon2id" {
        return fault("argon2id is the one that is taken");
    }
    let Ok(params) = Params::try_from(&hash) else { return fault("its parameters can't be used") };
    if params.m_cost() > HASH_KIB || params.t_cost() > HASH_PASSES {
        return fault("a login would take too much of this computer");
    }
    match hash.hash.is_some() && hash.salt.is_some() {
        true => Ok(()),
        false => fault("a part of it is missing"),
    }
}

const HASH_HELP: &str = "run `overspill password` and copy what it prints, $argon2id$ and all";

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const GOOD: &str =
        "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$2kVz1U0Ykq1Q8gF3yq2hYw5mJ8v0n1b3c4d5e6f7g8g";

    #[test]
    fn a_hash_is_argon2id_and_whole_and_within_what_a_login_may_cost() {
        assert_eq!(check_hash(GOOD), Ok(()));
        for (text, label) in [
            ("hunter2hunter2", "PHC"),
            ("$argon2i$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$2kVz1U0Ykq1Q8gF3yq2hYw", "argon2id"),
            ("$2b$12$abcdefghijklmnopqrstuuKJ2Q1", ""),
            ("$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0", "missing"),
            (
                "$argon2id$v=19$m=4194304,t=2,p=1$c2FsdHNhbHRzYWx0$2kVz1U0Ykq1Q8gF3yq2hYw",
                "too much of this computer",
            ),
            (
                "$argon2id$v=19$m=19456,t=900,p=1$c2FsdHNhbHRzYWx0$2kVz1U0Ykq1Q8gF3yq2hYw",
                "too much of this computer",
            ),
        ] {
            assert!(check_hash(text).unwrap_err().label.contains(label), "{text}");
        }
    }

    #[test]
    fn words_and_roles_go_both_ways() {
        for word in PageRole::WORDS {
            assert_eq!(PageRole::of(word).unwrap().word(), word);
        }
        assert!(PageRole::Nobody < PageRole::View && PageRole::Operate < PageRole::Configure);
    }
}
