//! The page.

use crate::config::web::WebConfig;

use super::Build;

impl Build<'_, '_> {
    pub(super) fn web(&mut self) -> WebConfig {
        let Some(block) = self.root.block("web") else { return WebConfig::default() };
        let listen = block.text("listen").and_then(|text| text.parse().ok());
        WebConfig { listen, written: block.is_written("listen") }
    }
}
