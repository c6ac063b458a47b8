//! From the bytes of a message to a number, a flag or a request. Pure: scale, unit and sign are put right elsewhere.

mod decoder;
mod json;
mod number;
mod override_request;
mod pointer;
mod price_list;
mod setting_request;
#[cfg(test)]
mod tests;
mod time;
mod wish;

pub use decoder::{Decoded, Decoder, Extract, Parsed, decode_flag};
pub use override_request::override_request;
pub use pointer::Pointer;
pub use price_list::{price_file, price_list};
pub use setting_request::setting_request;
