//! Commissioning: the measuring points proved.

pub mod passive;
