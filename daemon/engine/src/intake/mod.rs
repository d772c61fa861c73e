//! From payloads to values, pure: bytes in, a value or a reason for rejecting them out.
//!
//! A doubtful payload is never a value. Whatever cannot be read in exactly one way is rejected, counted and told
//! apart, and the reading it might have been is simply missing: missing readings go stale, and stale is unknown.

mod decode;
mod number;
mod rejection;
mod request;
pub mod senml;
mod stamp;
mod units;

pub use decode::{Decoded, PAYLOAD_BYTES_MAX, decode_number, decode_numbers, decode_texts, decode_word};
pub use number::reads_as_number;
pub use rejection::{Rejection, RejectionCounts};
pub use request::{Addressee, ParsedRequest, RequestFault, parse_request};
pub use senml::{
    SenmlFault, SenmlRecord, SenmlValue, resolve as resolve_senml,
    resolve_in_time_order as resolve_senml_in_time_order,
};
pub use stamp::Stamp;
pub use units::in_unit;
