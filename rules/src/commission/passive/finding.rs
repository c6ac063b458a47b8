//! What recorded readings prove, and what they leave open.

use crate::home::PointId;
use crate::time::{Span, WallTime};

use super::super::suspect::Suspect;

/// What is held of one point from recorded readings alone.
#[derive(Debug, Clone, PartialEq)]
pub enum Held {
    /// No single fault that recorded readings can show explains them; see [`Finding::proven`] for what that means.
    Good,
    /// Something is wrong with it: one of these, the simplest first.
    Wrong(Vec<Suspect>),
    /// Not proven yet: these still fit, good among them or not.
    Open(Vec<Suspect>),
}

/// Something that is proven of a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Proven {
    /// Which way power flows.
    Direction,
    /// That the jaw is round its own conductor, and that alone.
    Conductor,
    /// That its scale and that of another point agree. A scale that all share can't be proved by readings alone.
    ScaleWith {
        /// The other point.
        point: PointId,
        /// Watts here for each watt there, by size: at least and at most.
        ratio: (f64, f64),
        /// Steps it rests on.
        steps: usize,
    },
}

/// What is wanting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// The home's coordinates, without which nobody knows when it is dark.
    Coordinates,
    /// So much more time in the dark with readings.
    Dark(Span),
    /// So many more steps of a point to be seen in another.
    Steps {
        /// The point that moves.
        of: PointId,
        /// The point that answers.
        seen_in: PointId,
        /// How many were used.
        used: usize,
        /// How many more, alike in size.
        more: usize,
    },
    /// Readings at all.
    Readings(PointId),
    /// A step switched on purpose, since these readings can't tell.
    Switching,
}

/// One point and what is held of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Which point.
    pub point: PointId,
    /// How long it was known in all.
    pub known: Span,
    /// What is held.
    pub held: Held,
    /// What is proven.
    pub proven: Vec<Proven>,
}

/// By how much one point moved with another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// The point that moved.
    pub of: PointId,
    /// The point that answered.
    pub seen_in: PointId,
    /// Watts for each watt, in the middle, at least and at most; the true one lies between these.
    pub slope: (f64, f64, f64),
    /// Steps it rests on.
    pub steps: usize,
}

/// All that recorded readings say of a home's points.
#[derive(Debug, Clone, PartialEq)]
pub struct PassiveReport {
    /// The first and the last time that counts.
    pub span: Option<(WallTime, WallTime)>,
    /// How long the slots are into which readings were put together.
    pub slot: Span,
    /// How much of it was dark; `None` without coordinates.
    pub dark: Option<Span>,
    /// In the order of the site's clamps.
    pub findings: Vec<Finding>,
    /// What moved with what.
    pub answers: Vec<Answer>,
    /// How long the house was said to make power, of how long all its meters were known.
    pub below_zero: (Span, Span),
    /// Whether nothing need be wrong.
    pub may_be_good: bool,
    /// The simplest explanations of what is wrong, each with all points that it touches; none where nothing need be wrong, or
    /// nothing that is known explains it.
    pub explanations: Vec<Vec<(PointId, Suspect)>>,
    /// What is wanting.
    pub needs: Vec<Need>,
}

impl PassiveReport {
    /// Whether something is surely wrong, though perhaps not with which point.
    pub fn is_wrong(&self) -> bool {
        !self.may_be_good && !self.explanations.is_empty()
    }

    /// Whether everything is good.
    pub fn is_good(&self) -> bool {
        !self.findings.is_empty() && self.findings.iter().all(|f| f.held == Held::Good)
    }
}
