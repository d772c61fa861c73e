//! What every proof command takes on its command line: in which form it runs, and where its figures go.

use std::path::PathBuf;

use anyhow::{Context, Result};
use serde_json::Value as Json;

#[derive(Clone, Debug, clap::Args)]
pub struct Form {
    /// What the test command runs
    #[arg(long)]
    pub short: bool,
    /// The figures, for a machine to read
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

impl Form {
    pub fn either<T>(&self, short: T, whole: T) -> T {
        if self.short { short } else { whole }
    }

    /// Writes the figures, if they are wanted.
    pub fn write(&self, figures: &Json) -> Result<()> {
        let Some(file) = &self.json else { return Ok(()) };
        std::fs::write(file, format!("{figures:#}\n"))
            .with_context(|| format!("cannot write {}", file.display()))
    }
}
