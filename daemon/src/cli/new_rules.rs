//! `idlegate new-rules`.

use std::path::PathBuf;

use super::exit_code::Exit;
use super::output::{print_error, print_line};
use idlegate_rules::starter;

/// Write a small rules folder with comments, to start from.
#[derive(Debug, clap::Args)]
pub(super) struct NewRulesArgs {
    /// A folder that does not exist yet, or is empty.
    dir: PathBuf,
}

impl NewRulesArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let dir = &self.dir;
        match starter::write(dir) {
            Ok(files) => {
                for file in files {
                    print_line!("{}", file.display());
                }
                print_line!("next: edit them, then run  idlegate check {}", dir.display());
                Ok(Exit::Good)
            }
            Err(error) => {
                print_error!("idlegate: {}: {error}", dir.display());
                Ok(Exit::No)
            }
        }
    }
}
