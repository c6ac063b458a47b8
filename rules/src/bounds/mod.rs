//! What no rule and no override lifts: it can only lower or stop.

mod answer;
mod ratings;

pub(crate) use answer::{Answer, Leave, Verdict, judge};
pub(crate) use ratings::{Ratings, Wanted};
