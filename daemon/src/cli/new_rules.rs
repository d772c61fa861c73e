//! `idlegate new-rules`.

use std::path::Path;

use super::exit_code::Exit;
use crate::rules::starter;

pub(super) fn write(dir: &Path) -> anyhow::Result<Exit> {
    match starter::write(dir) {
        Ok(files) => {
            for file in files {
                println!("{}", file.display());
            }
            println!("next: edit them, then run  idlegate check {}", dir.display());
            Ok(Exit::Good)
        }
        Err(error) => {
            eprintln!("idlegate: {}: {error}", dir.display());
            Ok(Exit::No)
        }
    }
}
