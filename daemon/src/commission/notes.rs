//! What is known so far of a machine that is being set up: kept after every answer, so that it can be gone on with another day.

use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::drill::Tried;
use super::fields::Place;
use crate::files;

/// Within the rules folder; the guard does not read it.
const FOLDER: &str = "commissioning";

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Notes {
    pub title: Option<String>,
    pub outlet: Option<Outlet>,
    pub order: Option<Order>,
    pub meter: Option<Meter>,
    /// Files in the notes' folder, or as they were named.
    pub recordings: Vec<PathBuf>,
    /// Intervals by ISO 8601.
    pub jobs: Vec<String>,
    pub quiet: Vec<String>,
    pub limits: Option<Limits>,
    pub button: Option<ButtonAnswer>,
    /// The digest of the rules with the machine in them.
    pub written: Option<String>,
    pub drill: Vec<Tried>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outlet {
    pub place: Place,
    pub on: String,
    pub off: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Order {
    pub topic: String,
    pub on: String,
    pub off: String,
    /// Whether the outlet was seen to obey both.
    pub tried: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Meter {
    pub place: Place,
    pub scale: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    pub busy_watts: f64,
    pub quiet_watts: f64,
    pub dwell: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap_max: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub idle_watts: Option<f64>,
    /// What they rest on, in a few lines.
    pub evidence: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ButtonAnswer {
    None,
    One(Button),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Button {
    /// Of the input.
    pub name: String,
    pub place: Place,
    pub press: Vec<String>,
    pub long_press: Vec<String>,
    /// What a press asks for.
    pub request: String,
}

/// The notes of one machine and where they are kept.
#[derive(Debug)]
pub struct Notebook {
    pub notes: Notes,
    folder: PathBuf,
    machine: String,
}

#[derive(Debug, thiserror::Error)]
pub enum NotebookError {
    #[error("cannot read the notes in {file}: {cause}")]
    Read { file: String, cause: io::Error },
    #[error(
        "the notes in {file} are damaged ({cause}); move the file away to start again from the beginning"
    )]
    Damaged { file: String, cause: serde_json::Error },
}

impl Notebook {
    /// Those of an earlier day, or empty ones.
    pub fn open(rules: &Path, machine: &str) -> Result<Notebook, NotebookError> {
        let folder = rules.join(FOLDER);
        let path = folder.join(format!("{machine}.json"));
        let file = || path.display().to_string();
        let notes = match std::fs::read_to_string(&path) {
            Ok(text) => {
                serde_json::from_str(&text).map_err(|cause| NotebookError::Damaged { file: file(), cause })?
            }
            Err(cause) if cause.kind() == io::ErrorKind::NotFound => Notes::default(),
            Err(cause) => return Err(NotebookError::Read { file: file(), cause }),
        };
        Ok(Notebook { notes, folder, machine: machine.to_owned() })
    }

    pub fn save(&self) -> io::Result<()> {
        std::fs::create_dir_all(&self.folder)?;
        let text = serde_json::to_string_pretty(&self.notes)?;
        files::replace(&self.path("json"), &format!("{text}\n"))
    }

    /// A file of this machine beside the notes.
    pub fn path(&self, extension: &str) -> PathBuf {
        self.folder.join(format!("{}.{extension}", self.machine))
    }

    /// One with a date in its name.
    pub fn dated(&self, day: &str, extension: &str) -> PathBuf {
        self.folder.join(format!("{}-{day}.{extension}", self.machine))
    }

    pub fn machine(&self) -> &str {
        &self.machine
    }
}
