//! The same as JSON, for programs.

pub(crate) mod loads;
pub(crate) mod rules;
pub(crate) mod settings;
pub(crate) mod shadows;

use serde::Serialize;
use utoipa::ToSchema;

/// Why something was not done.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Refusal {
    /// In words.
    pub(crate) error: String,
}

/// Something was done.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Done {
    /// Always true.
    pub(crate) done: bool,
}

impl Done {
    pub(crate) const YES: Done = Done { done: true };
}
