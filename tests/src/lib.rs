//! What no unit test can show: real broker, published values, simulated plants.

pub mod bench;
pub mod client;
pub mod commission;
pub mod journal;
pub mod servers;
pub mod writes;
