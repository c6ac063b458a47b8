//! Finds the place of an error for which the engine gives none.
//!
//! An evaluation that is cut short (too many steps, data too large, a request that can't be) leaves every function with
//! the place of the call, and `decide` has none. Since an evaluation can be repeated exactly, it is repeated with a
//! debugger that notes each step: the last one is the place. Only failures pay for it.

use std::sync::{Arc, Mutex, PoisonError};

use rhai::debugger::{DebuggerCommand, DebuggerEvent};
use rhai::{Engine, Position};

/// Where a debugged evaluation was last: the file as the engine names it, and the place.
#[derive(Debug, Clone, Default)]
pub(super) struct LastPlace(Arc<Mutex<(String, Position)>>);

impl LastPlace {
    /// Makes `engine` note every step.
    #[allow(deprecated)] // Marked so by the engine because its debugger may change; the engine's version is pinned.
    pub(super) fn watch(engine: &mut Engine) -> LastPlace {
        let last = LastPlace::default();
        let noted = last.clone();
        engine.register_debugger(
            |_, debugger| debugger,
            move |_, event, _, source, position| {
                // On its way out through the functions an error passes their ends, which are no places of its own.
                if matches!(event, DebuggerEvent::Step) && !position.is_none() {
                    let mut place = noted.0.lock().unwrap_or_else(PoisonError::into_inner);
                    *place = (source.unwrap_or_default().to_owned(), position);
                }
                Ok(DebuggerCommand::StepInto)
            },
        );
        last
    }

    /// The file and the place, where any was noted.
    pub(super) fn found(&self) -> Option<(String, Position)> {
        let place = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        (!place.1.is_none()).then(|| place.clone())
    }
}
