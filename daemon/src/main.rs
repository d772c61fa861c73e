//! The program: everything it does is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    match idlegate_detectors::asked() {
        Some(compiled) => compiled,
        None => idlegate::cli::main().into(),
    }
}
