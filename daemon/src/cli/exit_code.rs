//! Exit codes: part of the interface, so that scripts can tell what happened. The larger ones are those of BSD's
//! `sysexits.h`.

use std::process::ExitCode;

/// As `--help` shows them.
pub(super) const EXIT_CODES: &str = "\
Exit codes:
  0   done, and the answer is yes
  1   done, and the answer is no (a request was not acted on, or only in shadow mode; a check failed)
  64  the command line is wrong
  69  no answer from the broker or from Idlegate
  70  something went wrong inside Idlegate
  78  the rules cannot be used";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Done, and the answer is yes.
    Good,
    /// Done, and the answer is no: a request that was not acted on, a demo that did not go as it must.
    No,
    /// The command line is wrong. Also what the argument parser uses.
    Usage,
    /// The broker or Idlegate did not answer.
    Unavailable,
    /// Something inside went wrong.
    Internal,
    /// The rules cannot be used.
    Rules,
}

impl Exit {
    pub const fn number(self) -> u8 {
        match self {
            Exit::Good => 0,
            Exit::No => 1,
            Exit::Usage => 64,
            Exit::Unavailable => 69,
            Exit::Internal => 70,
            Exit::Rules => 78,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit.number())
    }
}
