//! x
pub mod store;
