//! Readings: from numbers as received to values with an own time, fresh or not.

mod history;
mod meter;
mod slope;

pub(crate) use history::History;
pub(crate) use meter::{Arrival, Counted, Meter, Taken, implausible, own_time};
