//! The database that everything is forwarded to.

use std::time::Duration;

use crate::config::block::Block;
use crate::config::influx::{InfluxConfig, InfluxUrl, read_url};
use crate::config::secret::SecretSource;

use super::Build;

impl Build<'_, '_> {
    pub(super) fn influx(&mut self) -> Option<InfluxConfig> {
        let block = self.root.block("influxdb")?;
        let url = block.text("url").and_then(|text| read_url(text).ok());
        let token = self.token(block);
        self.token_fits(block, url.as_ref());
        let every = block.duration("every")?;
        Some(InfluxConfig {
            url: url?,
            org: block.text("org")?.to_owned(),
            bucket: block.text("bucket")?.to_owned(),
            token,
            ca_file: block.text("ca_file").map(|f| self.path(f)),
            every: Duration::from_millis(u64::try_from(every.0).unwrap_or(0)),
        })
    }

    fn token(&mut self, block: &Block) -> Option<SecretSource> {
        if block.is_written("token_file") && block.is_written("token_env") {
            self.found
                .error("two-ways", block.key_place("token_env"), "two places for one token")
                .label("the second")
                .also(block.key_place("token_file"), "the first")
                .help("keep one of them");
        }
        let file = block.text("token_file").map(|f| SecretSource::File(self.path(f)));
        file.or_else(|| block.text("token_env").map(|e| SecretSource::Env(e.to_owned())))
    }

    fn token_fits(&mut self, block: &Block, url: Option<&InfluxUrl>) {
        let Some(url) = url else { return };
        if block.is_written("ca_file") && !url.tls {
            self.found
                .error("unused-key", block.key_place("ca_file"), "`ca_file` is for encrypted connections")
                .label("this one is not")
                .help("write url = \"https://..\", or leave `ca_file` out");
        }
        let has_token = ["token_file", "token_env"].iter().any(|key| block.is_written(key));
        if has_token && !url.tls && !url.is_loopback() {
            self.found
                .warning("plain-token", block.place("url"), "the token crosses the network unencrypted")
                .label("not encrypted")
                .help("write https:// where the database can do it");
        }
        if !has_token && !block.is_written("token") {
            self.found
                .warning("no-token", block.header.clone(), "InfluxDB 2 lets nobody write without a token")
                .label("`token_file` or `token_env` is missing")
                .help("leave it so only for another database that takes the same write API without one");
        }
    }
}
