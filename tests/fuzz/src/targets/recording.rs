//! Recordings: CSV, SenML lines, gzip of either.

use std::io::Cursor;

use idlegate_recordings::recording::RecordingReader;

/// More than this says nothing new.
const POINTS_MAX: usize = 10_000;

pub(crate) fn recording(data: &[u8]) {
    let Ok(reader) = RecordingReader::new("fuzz".to_owned(), Cursor::new(data.to_vec())) else { return };
    for point in reader.take(POINTS_MAX) {
        match point {
            Ok(point) => assert!(!format!("{point:?}").contains("NaN"), "{point:?}"),
            Err(error) => {
                assert!(!error.to_string().is_empty());
                break;
            }
        }
    }
}
