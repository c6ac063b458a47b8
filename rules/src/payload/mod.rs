//! From the bytes of a message to a number, a flag or a request. Pure: scale, unit and sign are put right elsewhere.

mod decoder;
mod json;
mod number;
mod override_request;
mod pointer;
#[cfg(test)]
mod tests;
mod time;

pub use decoder::{Decoded, Decoder, Extract, Parsed, decode_flag};
pub use override_request::override_request;
pub use pointer::Pointer;
