//! Commissioning: the measuring points proved, what the proof of a home leaves behind, on paper and as data, and what
//! mends its home file.

pub mod listen;
pub mod passive;
pub mod proposal;
pub mod record;
#[cfg(test)]
mod sample;
pub mod sheet;
pub mod watch;
