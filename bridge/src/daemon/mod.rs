//! The daemon: one home at work.
//!
//! [`Core`] is the synchronous heart: messages in, publications out, time as an argument. The live loop
//! ([`run`]) puts the MQTT link, the store, the rule folder and the clock round it; tests drive the same `Core` in
//! virtual time.

mod ask;
mod beside;
mod clock;
mod core;
mod duty;
mod facts;
mod heard;
mod price_files;
mod publications;
mod router;
mod rule_files;
mod run;
mod session;
mod start;
mod topics;
mod trouble;

pub use ask::Asker;
#[cfg(test)]
pub(crate) use ask::{Ask, asks};
pub use clock::{Belief, Doubt, HomeClock, SystemBelief};
pub use core::{Core, CoreError, Drained};
pub use duty::{Beat, Duty};
pub use facts::{Facts, LoadFacts};
pub use heard::{Heard, HeardOf};
pub use price_files::PriceFiles;
pub(crate) use publications::severity;
pub use publications::{Importance, Publication};
pub use rule_files::{RuleFiles, UNDER_WAY, read_rules};
pub use run::{RunError, RunOptions, run};
pub use topics::Topics;
