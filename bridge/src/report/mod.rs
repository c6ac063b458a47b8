//! `overspill report`: what the journal holds of a span, worked out by the core and shown in four forms.

mod chart;
mod csv;
mod gather;
pub(crate) mod html;
mod json;
mod past;
mod prices;
mod svg;
mod text;
mod words;

pub use csv::csv;
pub use gather::{Gathered, Wanted, gather};
pub use html::html;
pub use json::json;
pub use past::Past;
pub(crate) use svg::escaped;
pub use text::text;
