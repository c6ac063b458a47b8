//! `overspill report`: what the journal holds of a span, worked out by the core and shown in four forms.

mod chart;
mod csv;
mod gather;
pub(crate) mod html;
mod json;
mod past;
mod prices;
pub(crate) mod svg;
mod text;
pub(crate) mod words;

pub use csv::csv;
pub(crate) use gather::history;
pub use gather::{Gathered, Wanted, gather};
pub use html::html;
pub use json::json;
pub use past::Past;
pub(crate) use svg::escaped;
pub use text::text;
