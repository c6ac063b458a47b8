//! The plant bench: simulated loads, meters and weather against the real controller, in virtual time.
//!
//! Each case is a home, a day and something that may be wrong with it. What matters is counted by the bench itself, from
//! what truly flowed: how much of the spare power the loads caught, how much they bought, how often they were switched.
//! An oracle that knows every second tells how much could have been caught.

pub mod cases;
pub mod day;
pub mod homes;
pub mod oracle;
pub mod plants;
pub mod reference;
pub mod run;
pub mod table;
