//! What is known of the users' passwords and the programs' tokens. It is fetched when it is needed and a few seconds old,
//! away from the loop, so that a changed hash or token counts without a restart and a slow disk holds up nothing.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Mutex as Turns;

use super::random;
use crate::config::{HashSource, Secret, SecretSource, WebConfig, check_hash};

/// For how long what was fetched counts.
const FRESH_FOR: Duration = Duration::from_secs(5);

/// What was fetched.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// The hash of each user's password, in the order of the home file; `None` where it can't be had.
    pub(super) hashes: Vec<Option<Secret>>,
    /// What stands for each hash.
    pub(super) marks: Vec<Option<[u8; 32]>>,
    /// What stands for each token.
    pub(super) tokens: Vec<Option<[u8; 32]>>,
}

/// Where it is fetched from, and what was fetched last.
pub(super) struct Book {
    users: Vec<(String, HashSource)>,
    tokens: Vec<(String, SecretSource)>,
    last: Turns<Option<(Instant, Arc<Known>)>>,
    /// What was complained of, so that it is said once.
    said: Mutex<BTreeSet<String>>,
}

impl Book {
    pub(super) fn new(web: &WebConfig) -> Book {
        Book {
            users: web.users.iter().map(|user| (user.name.clone(), user.hash.clone())).collect(),
            tokens: web.tokens.iter().map(|token| (token.name.clone(), token.source.clone())).collect(),
            last: Turns::new(None),
            said: Mutex::default(),
        }
    }

    /// What is known now.
    pub(super) async fn known(&self) -> Arc<Known> {
        let mut last = self.last.lock().await;
        if let Some((at, known)) = &*last
            && at.elapsed() < FRESH_FOR
        {
            return Arc::clone(known);
        }
        let (users, tokens) = (self.users.clone(), self.tokens.clone());
        let fetched = tokio::task::spawn_blocking(move || fetch(&users, &tokens)).await;
        let (known, troubles) = fetched.unwrap_or_default();
        self.tell(troubles);
        let known = Arc::new(known);
        *last = Some((Instant::now(), Arc::clone(&known)));
        known
    }

    fn tell(&self, troubles: BTreeSet<String>) {
        let mut said = self.said.lock().unwrap_or_else(PoisonError::into_inner);
        for trouble in troubles.difference(&said) {
            tracing::warn!("{trouble}");
        }
        *said = troubles;
    }

    /// Fetches afresh the next time.
    #[cfg(test)]
    pub(super) async fn forget(&self) {
        *self.last.lock().await = None;
    }
}

/// What can be had, and what is wrong with the rest.
fn fetch(users: &[(String, HashSource)], tokens: &[(String, SecretSource)]) -> (Known, BTreeSet<String>) {
    let mut troubles = BTreeSet::new();
    let hashes: Vec<Option<Secret>> =
        users.iter().map(|(name, source)| kept(hash(source), name, "user", &mut troubles)).collect();
    let tokens = tokens
        .iter()
        .map(|(name, source)| {
            let token = kept(token(source), name, "token", &mut troubles)?;
            Some(random::digest(token.reveal()))
        })
        .collect();
    let marks = hashes.iter().map(|hash| hash.as_ref().map(|hash| random::digest(hash.reveal()))).collect();
    (Known { hashes, marks, tokens }, troubles)
}

fn kept(
    found: Result<Secret, String>,
    name: &str,
    kind: &str,
    troubles: &mut BTreeSet<String>,
) -> Option<Secret> {
    found.map_err(|why| troubles.insert(format!("[{kind}.{name}] can't be used for the page: {why}"))).ok()
}

fn hash(source: &HashSource) -> Result<Secret, String> {
    let hash = source.fetch().map_err(|why| why.to_string())?;
    match check_hash(hash.reveal()) {
        Ok(()) => Ok(hash),
        Err(fault) => Err(format!("the hash of the password is unfit: {}", fault.label)),
    }
}

fn token(source: &SecretSource) -> Result<Secret, String> {
    let token = source.fetch().map_err(|why| why.to_string())?;
    match token.reveal().chars().count() >= crate::config::TOKEN_CHARS {
        true => Ok(token),
        false => Err(format!("the token has fewer than {} characters", crate::config::TOKEN_CHARS)),
    }
}
