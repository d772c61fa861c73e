//! What came of each item of a machine's drill, kept beside the notes of its commissioning.

use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::fingerprint::Fingerprints;
use crate::commission::{DrillOutcome, Item, NOTES_FOLDER, Tried};
use idlegate_os::files;

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Drills {
    /// Of each item the last try, a skipped one included.
    pub tries: Vec<LastTry>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastTry {
    pub tried: Tried,
    #[serde(default)]
    pub by: String,
    /// Nothing was switched then, so it shows little.
    #[serde(default)]
    pub shadow: bool,
    /// The outlet, detectors and rules under which it was tried.
    pub under: Fingerprints,
}

impl Drills {
    pub fn last(&self, item: Item) -> Option<&LastTry> {
        self.tries.iter().find(|last| last.tried.item == item)
    }

    /// Whoever skips an item takes nothing back, and gains nothing.
    pub fn put(&mut self, last: LastTry) {
        if last.tried.outcome == DrillOutcome::NotTried && self.last(last.tried.item).is_some() {
            return;
        }
        self.tries.retain(|before| before.tried.item != last.tried.item);
        self.tries.push(last);
    }

    /// Who has tried just these.
    pub fn signed(&mut self, tried: &[Tried], by: &str) {
        for last in self.tries.iter_mut().filter(|last| tried.contains(&last.tried)) {
            by.clone_into(&mut last.by);
        }
    }
}

/// The drills of one machine and where they are kept.
#[derive(Debug)]
pub struct DrillBook {
    pub drills: Drills,
    folder: PathBuf,
    machine: String,
}

#[derive(Debug, thiserror::Error)]
pub enum DrillBookError {
    #[error("cannot read the drills in {file}: {cause}")]
    Read { file: String, cause: io::Error },
    #[error("the drills in {file} are damaged ({cause}); move the file away, and every drill is due again")]
    Damaged { file: String, cause: serde_json::Error },
}

impl DrillBook {
    /// An empty one where no drill was ever done.
    pub fn open(rules: &Path, machine: &str) -> Result<DrillBook, DrillBookError> {
        let folder = rules.join(NOTES_FOLDER);
        let book = DrillBook { drills: Drills::default(), folder, machine: machine.to_owned() };
        let path = book.path("drills.json");
        let file = || path.display().to_string();
        let drills = match std::fs::read_to_string(&path) {
            Ok(text) => serde_json::from_str(&text)
                .map_err(|cause| DrillBookError::Damaged { file: file(), cause })?,
            Err(cause) if cause.kind() == io::ErrorKind::NotFound => Drills::default(),
            Err(cause) => return Err(DrillBookError::Read { file: file(), cause }),
        };
        Ok(DrillBook { drills, ..book })
    }

    pub fn save(&self) -> io::Result<()> {
        std::fs::create_dir_all(&self.folder)?;
        let text = serde_json::to_string_pretty(&self.drills)?;
        files::replace(&self.path("drills.json"), &format!("{text}\n"))
    }

    /// The page of one drill, to print and to sign.
    pub fn record(&self, day: &str) -> PathBuf {
        self.path(&format!("drill-{day}.md"))
    }

    fn path(&self, rest: &str) -> PathBuf {
        self.folder.join(format!("{}.{rest}", self.machine))
    }
}
