//! Recordings: what signals said, on disk, to replay and to calibrate from.
//!
//! Two formats are read, plain or compressed with gzip, told apart by their content: CSV with a heading such as
//! `time,watts`, and SenML JSON (RFC 8428) with one pack per line. The second is also written. Points come in the order
//! of the file, one at a time, and a recording may be longer than memory. Real recordings have their faults: these are
//! counted, not mended, and nothing is left out without being counted.

mod csv;
#[cfg(test)]
mod energy_tests;
mod error;
mod kept;
mod kept_folder;
mod lines;
mod oddities;
mod point;
mod reader;
mod senml_lines;
mod writer;

pub use error::{LineFault, RecordingError};
pub use kept::KeptReader;
pub use kept_folder::{KeptBounds, KeptFolder};
pub use oddities::{Oddities, Oddity};
pub use point::Point;
pub(crate) use point::{SIGN_ALIVE, SIGN_GONE, of_sign, sign_name};
pub use reader::{Format, RecordingReader};
pub use writer::{WriteError, Writer};
