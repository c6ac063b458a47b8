//! What one step does next.

use crate::home::LoadId;
use crate::time::{Span, WallTime};

use super::question::{Answer, Question};
use super::result::Made;
use super::world::World;

/// What a load shall do, sent as an override.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Want {
    /// Draw what its bounds allow.
    On,
    /// Draw nothing.
    Off,
    /// What the rules say.
    Auto,
}

/// An override to send.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Order {
    /// For which load.
    pub load: LoadId,
    /// What it shall do.
    pub want: Want,
    /// For how long at most.
    pub lasts: Span,
}

/// What a step does next.
#[derive(Debug)]
pub(super) enum Move {
    /// It asks.
    Ask(Question),
    /// It waits until then at the latest, for what the words say.
    Wait(WallTime, String),
    /// It sends an override.
    Order(Order),
    /// It tells something.
    Say(String),
    /// It is over.
    Finish(Made),
}

/// One step at work.
pub(super) trait Machine: Send {
    /// What comes next. Called again whenever something may have changed.
    fn next(&mut self, world: &mut World) -> Move;

    /// Takes the answer to what was asked last.
    fn answer(&mut self, world: &mut World, answer: Answer);

    /// The questions that it will ask as far as that is known before it begins, in their order.
    fn asks(&self) -> Vec<Question> {
        Vec::new()
    }

    /// Loads that it may have left with an override.
    fn holds(&self) -> Vec<LoadId> {
        Vec::new()
    }

    /// What hands may have left switched if it is left now, as an order to put that right.
    fn left_switched(&self) -> Option<String> {
        None
    }
}
