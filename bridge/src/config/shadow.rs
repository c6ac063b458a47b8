//! Candidate rules that run beside the live ones.

use std::path::{Path, PathBuf};

use overspill_rules::limits::SHADOWS;

use super::block::Block;
use super::diagnostic::Diagnostics;

/// One set of candidate rules: files laid over the live rules by name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShadowConfig {
    /// Its name.
    pub name: String,
    /// The folder of its files.
    pub folder: PathBuf,
    /// Live rules that it leaves out.
    pub without: Vec<String>,
}

/// The shadows of a home file, in its order; paths are relative to `folder`.
pub(super) fn shadows(root: &Block, folder: &Path) -> Vec<ShadowConfig> {
    let each = root.named("shadow").iter().filter_map(|(name, block)| {
        let without = block.texts("without").unwrap_or(&[]);
        Some(ShadowConfig {
            name: name.value.clone(),
            folder: folder.join(block.text("folder")?),
            without: without.iter().map(|rule| rule.value.clone()).collect(),
        })
    });
    each.collect()
}

/// What can be told without looking at the disk.
pub(super) fn check(root: &Block, found: &mut Diagnostics) {
    let shadows = root.named("shadow");
    if let Some((first_over, _)) = shadows.get(SHADOWS) {
        found
            .error("too-many", first_over.place.clone(), format!("a home has at most {SHADOWS} shadows"))
            .label("one too many")
            .help("each is run beside the live rules and costs as much as they do");
    }
}
