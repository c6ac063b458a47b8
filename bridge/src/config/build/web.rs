//! The page, who may log in to it, and which programs may ask it.

use std::net::SocketAddr;

use crate::config::block::{At, Block};
use crate::config::secret::{Secret, SecretSource};
use crate::config::web::{HashSource, PageRole, WebConfig, WebToken, WebUser};

use super::Build;

/// The ways to say where the hash of a password is.
const HASH_KEYS: [&str; 3] = ["password_hash", "password_hash_file", "password_hash_env"];

/// The ways to say where a token is.
const TOKEN_KEYS: [&str; 2] = ["token_file", "token_env"];

impl Build<'_, '_> {
    pub(super) fn web(&mut self) -> WebConfig {
        let root = self.root;
        let users = root.named("user").iter().filter_map(|named| self.web_user(named)).collect();
        let tokens = root.named("token").iter().filter_map(|named| self.web_token(named)).collect();
        let Some(block) = root.block("web") else {
            return WebConfig { users, tokens, ..WebConfig::default() };
        };
        let listen: Option<SocketAddr> = block.text("listen").and_then(|text| text.parse().ok());
        let behind_https = block.flag("behind_https").unwrap_or(false);
        self.open_page(block, listen, behind_https);
        WebConfig { listen, written: block.is_written("listen"), behind_https, users, tokens }
    }

    fn web_user(&mut self, (name, block): &(At<String>, Block)) -> Option<WebUser> {
        self.one_of(block, &HASH_KEYS, "the password's hash");
        let written = HASH_KEYS.iter().any(|key| block.is_written(key));
        if !written && !block.is_written("password") {
            self.found
                .error("missing-key", block.header.clone(), format!("the user `{}` has no password", name.value))
                .label("`password_hash` is missing")
                .help("there is no default password: run `overspill password` and write what it prints, password_hash = \"$argon2id$..\"; or name a file or a variable that holds it, `password_hash_file` or `password_hash_env`");
        }
        let file = || block.text("password_hash_file").map(|f| SecretSource::File(self.path(f)));
        let env = || block.text("password_hash_env").map(|e| SecretSource::Env(e.to_owned()));
        let hash = match block.text("password_hash") {
            Some(hash) => HashSource::Written(Secret::new(hash.to_owned())),
            None => HashSource::Elsewhere(file().or_else(env)?),
        };
        Some(WebUser { name: name.value.clone(), role: PageRole::of(block.text("role")?)?, hash })
    }

    fn web_token(&mut self, (name, block): &(At<String>, Block)) -> Option<WebToken> {
        self.one_of(block, &TOKEN_KEYS, "the token");
        let written = TOKEN_KEYS.iter().any(|key| block.is_written(key));
        if !written && !block.is_written("token") {
            self.found
                .error("missing-key", block.header.clone(), format!("nothing says where the token `{}` is", name.value))
                .label("`token_file` or `token_env` is missing")
                .help("write at least 32 random characters into a file of their own, readable by the daemon's user alone, and name it here");
        }
        let file = block.text("token_file").map(|f| SecretSource::File(self.path(f)));
        let source = file.or_else(|| block.text("token_env").map(|e| SecretSource::Env(e.to_owned())))?;
        Some(WebToken { name: name.value.clone(), role: PageRole::of(block.text("role")?)?, source })
    }

    /// Tells where `what` is said in more than one way.
    fn one_of(&mut self, block: &Block, keys: &[&str], what: &str) {
        let mut written = keys.iter().filter(|key| block.is_written(key));
        if let (Some(first), Some(second)) = (written.next(), written.next()) {
            self.found
                .error("two-ways", block.key_place(second), format!("two places for {what}"))
                .label("the second")
                .also(block.key_place(first), "the first")
                .help("keep one of them");
        }
    }

    /// Beyond loopback somebody has to log in, and nobody between should be able to listen.
    fn open_page(&mut self, block: &Block, listen: Option<SocketAddr>, behind_https: bool) {
        let Some(listen) = listen else { return };
        let nobody = self.root.named("user").is_empty();
        if nobody && behind_https {
            self.found
                .error(
                    "open-page",
                    block.key_place("behind_https"),
                    "the page would be open to whoever reaches the proxy",
                )
                .label("no users")
                .note("whoever reaches it could override loads and change rules")
                .help(
                    "say who may log in: a section `[user.NAME]` for each, which `overspill password` prints",
                );
        } else if nobody && !listen.ip().is_loopback() {
            self.found
                .error("open-page", block.place("listen"), "the page would be open to the whole network")
                .label("not loopback, and no users")
                .note("whoever reaches it could override loads and change rules")
                .help("write 127.0.0.1, or say who may log in: a section `[user.NAME]` for each, which `overspill password` prints");
        } else if !behind_https && !listen.ip().is_loopback() {
            self.found
                .warning("plain-page", block.place("listen"), "passwords cross the network unencrypted")
                .label("http, not https")
                .help("where others use the network too, put a proxy that speaks https before the page: write listen = \"127.0.0.1:8180\", behind_https = true, and let it pass the Host header on");
        }
    }
}
