//! `idlegate check`.

use std::path::Path;

use super::exit_code::Exit;
use crate::detectors::Execution;
use crate::rules::{self, check::Outcome};
use crate::service::Modules;

pub(super) fn check(dir: &Path, json: bool) -> anyhow::Result<Exit> {
    // A look at the rules runs each detector for an instant; compiling it to machine code would take longer.
    let modules = Modules::new(Execution::Interpreted, None)?;
    let outcome = rules::check::check(dir, &modules, json, &mut std::io::stdout().lock())?;
    Ok(match outcome {
        Outcome::Usable => Exit::Good,
        Outcome::Broken => Exit::Rules,
    })
}

pub(super) fn explain(code: &str) -> anyhow::Result<Exit> {
    match rules::explain(code) {
        Some(explanation) => {
            println!("{code}: {explanation}");
            Ok(Exit::Good)
        }
        None => {
            let words: Vec<_> = rules::Code::ALL.iter().map(|code| code.word()).collect();
            eprintln!("idlegate: no problem has the code {code:?}; there are {}", words.join(", "));
            Ok(Exit::Usage)
        }
    }
}

/// Some editors take it from a comment at the top of the file: `#:schema ./machine.schema.json`.
pub(super) fn schema(file: &str) -> anyhow::Result<Exit> {
    match rules::schema::schema(file) {
        Some(schema) => {
            println!("{schema:#}");
            Ok(Exit::Good)
        }
        None => Ok(Exit::Usage),
    }
}
