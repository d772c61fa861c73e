//! What makes a recording unreadable, with its place.

use std::io;

use idlegate_engine::intake::SenmlFault;

#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    #[error("cannot read {file}")]
    Io {
        file: String,
        #[source]
        cause: io::Error,
    },
    #[error("{file}:{line}: {fault}")]
    Line { file: String, line: u64, fault: LineFault },
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineFault {
    #[error("the recording is empty")]
    NothingThere,
    /// No recording of anything real packs so well; a file made to exhaust a reader does.
    #[error("it unpacks to more than {0} times its size, which no recording does")]
    Bomb(u64),
    #[error("a line has more than {0} bytes")]
    TooLong(usize),
    #[error("not UTF-8")]
    NotUtf8,
    #[error("{0:?} is neither a heading such as time,watts nor a SenML pack")]
    Heading(String),
    #[error("there are more than {0} columns")]
    TooManyColumns(usize),
    #[error("this line has {found} cells, but the heading has {expected}")]
    Cells { found: usize, expected: usize },
    #[error("{0:?} is not a time with Z or an offset, such as 2026-11-25T08:30:00Z")]
    NotATime(String),
    #[error("{0:?} is not a number")]
    NotANumber(String),
    #[error("{0}")]
    Senml(SenmlFault),
    #[error("the record {0:?} counts its time from \"now\", which a recording does not have")]
    RelativeTime(String),
    #[error("there are more than {0} signals")]
    TooManySignals(usize),
}
