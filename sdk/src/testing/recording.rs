//! Readings kept in memory, in the order the host would show them.

use std::fmt;
use std::io::Read as _;
use std::path::Path;

use super::csv;
use crate::{Detector, Millis, Reading, Value};

/// Readings of one machine, ready to be run through a detector.
///
/// It holds what the host would pass on. A reading older than the one before it on the same signal is left out and
/// counted, and so is a number that is not finite.
///
/// ```
/// use idlegate_detector::testing::Recording;
///
/// let recording = Recording::of_numbers([(0, 12.0), (1_000, 118.0), (2_000, f64::NAN)]);
/// assert_eq!((recording.readings().len(), recording.left_out()), (2, 1));
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recording {
    readings: Vec<Reading>,
    left_out: usize,
}

/// A recording that cannot be read.
///
/// ```
/// # use idlegate_detector::*;
/// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
/// # struct Mill;
/// # impl Detector for Mill {
/// #     type Settings = NoSettings;
/// #     const DESCRIPTION: Description = Description {
/// #         name: "mill", version: "1.0.0", purpose: "",
/// #         signals: &[Signal::number("power", "W", ""), Signal::text("status", "").optional()],
/// #     };
/// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Mill) }
/// #     fn observe(&mut self, _: &Reading) {}
/// #     fn assess(&mut self, _: Millis) -> Assessment { Assessment::unknown("always in doubt") }
/// # }
/// use idlegate_detector::testing::Recording;
///
/// let error = Recording::from_csv::<Mill>("seconds,power\n0,12\nsoon,118\n").expect_err("soon is not a number");
/// assert_eq!(error.to_string(), "line 3: has no time that can be read");
/// ```
#[derive(Debug)]
pub struct RecordingError {
    place: String,
    fault: String,
}

impl RecordingError {
    pub(super) fn line(line: usize, fault: &str) -> Self {
        RecordingError { place: format!("line {line}"), fault: fault.to_owned() }
    }

    fn file(path: &Path, fault: impl fmt::Display) -> Self {
        RecordingError { place: path.display().to_string(), fault: fault.to_string() }
    }
}

impl fmt::Display for RecordingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.fault)
    }
}

impl std::error::Error for RecordingError {}

impl Recording {
    /// Takes readings of any signals, in the order in which they were received.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading, testing::Recording};
    ///
    /// let recording = Recording::of([
    ///     Reading::text(0, Millis(2_000), "cutting"),
    ///     Reading::text(0, Millis(1_000), "ready"),
    ///     Reading::number(1, Millis(1_000), f64::NAN),
    /// ]);
    /// assert_eq!(recording.readings().len(), 1);
    /// assert_eq!(recording.left_out(), 2);
    /// ```
    pub fn of(readings: impl IntoIterator<Item = Reading>) -> Self {
        let mut recording = Recording::default();
        let mut latest: Vec<(u32, Millis)> = Vec::new();
        for reading in readings {
            let finite = !matches!(reading.value, Value::Number(number) if !number.is_finite());
            let known = latest.iter_mut().find(|(signal, _)| *signal == reading.signal);
            let in_order = known.as_ref().is_none_or(|(_, at)| reading.at >= *at);
            if !finite || !in_order {
                recording.left_out += 1;
                continue;
            }
            match known {
                Some((_, at)) => *at = reading.at,
                None => latest.push((reading.signal, reading.at)),
            }
            recording.readings.push(reading);
        }
        // Signals may be mixed in any order; a stable sort keeps the readings of each in theirs.
        recording.readings.sort_by_key(|reading| reading.at);
        recording
    }

    /// Readings of a detector's first signal, as pairs of milliseconds and number.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading, testing::Recording};
    ///
    /// let recording = Recording::of_numbers([(0, 12.0), (1_000, 118.0)]);
    /// assert_eq!(recording.readings()[1], Reading::number(0, Millis(1_000), 118.0));
    /// ```
    pub fn of_numbers(readings: impl IntoIterator<Item = (u64, f64)>) -> Self {
        Recording::of(readings.into_iter().map(|(at, number)| Reading::number(0, Millis(at), number)))
    }

    /// Reads CSV for a detector. The heading's first column is `time` (RFC 3339 in UTC; becomes milliseconds since 1970),
    /// `seconds` or `minutes`. Each further column is one of the detector's signals, by its name; `watts`, `volts`,
    /// `amperes` and `celsius` are its only signal in that unit. So does `idlegate detector try`. An empty cell is no reading.
    ///
    /// ```
    /// # use idlegate_detector::*;
    /// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
    /// # struct Mill;
    /// # impl Detector for Mill {
    /// #     type Settings = NoSettings;
    /// #     const DESCRIPTION: Description = Description {
    /// #         name: "mill", version: "1.0.0", purpose: "",
    /// #         signals: &[Signal::number("power", "W", ""), Signal::text("status", "").optional()],
    /// #     };
    /// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Mill) }
    /// #     fn observe(&mut self, _: &Reading) {}
    /// #     fn assess(&mut self, _: Millis) -> Assessment { Assessment::unknown("always in doubt") }
    /// # }
    /// # fn main() -> Result<(), idlegate_detector::testing::RecordingError> {
    /// use idlegate_detector::{Millis, Reading, testing::Recording};
    ///
    /// let recording = Recording::from_csv::<Mill>("seconds,status,power\n0,ready,12\n1.5,cutting,\n")?;
    /// assert_eq!(recording.readings()[2], Reading::text(1, Millis(1_500), "cutting"));
    /// # Ok(())
    /// # }
    /// ```
    ///
    /// # Errors
    /// When a line cannot be read, a column is no signal of the detector, or a signal that it needs has no column; the error
    /// names the line.
    pub fn from_csv<D: Detector>(text: &str) -> Result<Self, RecordingError> {
        csv::readings(text, D::DESCRIPTION.signals).map(Recording::of)
    }

    /// Reads a CSV file, with the feature `gzip` also a `.gz`.
    ///
    /// ```
    /// # use idlegate_detector::*;
    /// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
    /// # struct Mill;
    /// # impl Detector for Mill {
    /// #     type Settings = NoSettings;
    /// #     const DESCRIPTION: Description = Description {
    /// #         name: "mill", version: "1.0.0", purpose: "",
    /// #         signals: &[Signal::number("power", "W", ""), Signal::text("status", "").optional()],
    /// #     };
    /// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Mill) }
    /// #     fn observe(&mut self, _: &Reading) {}
    /// #     fn assess(&mut self, _: Millis) -> Assessment { Assessment::unknown("always in doubt") }
    /// # }
    /// # fn main() -> Result<(), Box<dyn std::error::Error>> {
    /// use idlegate_detector::testing::Recording;
    ///
    /// # let file = std::env::temp_dir().join(format!("idlegate-sdk-example-{}.csv", std::process::id()));
    /// # std::fs::write(&file, "seconds,watts\n0,12\n1,118\n")?;
    /// let recording = Recording::load::<Mill>(&file)?;
    /// # std::fs::remove_file(&file)?;
    /// assert_eq!(recording.readings().len(), 2);
    /// # Ok(())
    /// # }
    /// ```
    ///
    /// # Errors
    /// When the file cannot be opened or its text cannot be read; the error names the file.
    pub fn load<D: Detector>(path: impl AsRef<Path>) -> Result<Self, RecordingError> {
        let path = path.as_ref();
        let mut file = std::fs::File::open(path).map_err(|error| RecordingError::file(path, error))?;
        let mut text = String::new();
        let read = if path.extension().is_some_and(|extension| extension == "gz") {
            read_gzip(file, &mut text)
        } else {
            file.read_to_string(&mut text)
        };
        read.map_err(|error| RecordingError::file(path, error))?;
        Recording::from_csv::<D>(&text).map_err(|error| RecordingError::file(path, error))
    }

    /// The readings in the order of their times.
    ///
    /// ```
    /// use idlegate_detector::{Millis, testing::Recording};
    ///
    /// let recording = Recording::of_numbers([(0, 12.0), (1_000, 118.0)]);
    /// assert_eq!(recording.readings()[0].at, Millis(0));
    /// ```
    pub fn readings(&self) -> &[Reading] {
        &self.readings
    }

    /// How many readings the host would not have passed on.
    ///
    /// ```
    /// use idlegate_detector::testing::Recording;
    ///
    /// assert_eq!(Recording::of_numbers([(1_000, 118.0), (0, 12.0)]).left_out(), 1);
    /// ```
    pub fn left_out(&self) -> usize {
        self.left_out
    }
}

#[cfg(feature = "gzip")]
fn read_gzip(file: std::fs::File, text: &mut String) -> std::io::Result<usize> {
    flate2::read::GzDecoder::new(file).read_to_string(text)
}

#[cfg(not(feature = "gzip"))]
fn read_gzip(_: std::fs::File, _: &mut String) -> std::io::Result<usize> {
    Err(std::io::Error::other("is compressed: switch on the feature `gzip` of idlegate-detector"))
}
