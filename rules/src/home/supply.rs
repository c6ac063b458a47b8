//! The supply and the circuits: what may flow where.

use super::CircuitId;

/// The home's connection to the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// 1 or 3.
    pub phases: u8,
    /// How a three-phase meter bills.
    pub netting: Netting,
    /// Nominal line to neutral voltage, in volts; used where none is measured.
    pub volts: f64,
    /// What the supply may carry, in amps per phase.
    pub rating_a: f64,
    /// What the home may send out at most, in watts, where something throttles generation there; all phases together.
    pub export_limit_w: Option<f64>,
}

/// How the meter of a three-phase supply bills.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Netting {
    /// The sum of the phases, at each instant.
    #[default]
    Sum,
    /// Each phase by itself.
    Phase,
}

/// A circuit with a rating of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Circuit {
    /// The circuit's id, as the home file names it.
    pub id: String,
    /// What it may carry, in amps per phase.
    pub rating_a: f64,
    /// The circuit that feeds it, where it is not the supply itself.
    pub within: Option<CircuitId>,
}
