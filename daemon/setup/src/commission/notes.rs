//! What is known so far of a machine that is being set up: kept after every answer, so that it can be gone on with
//! another day.

use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::drill::{Item, Tried};
use super::fields::FieldPlace;
use idlegate_guard::time::Span;
use idlegate_os::files;
use idlegate_plan::event::Name;
use idlegate_plan::{Decimal, NumberSignal, Reports, Signal, SignalKind, Source};

/// Within the rules folder; the guard does not read it.
pub(crate) const NOTES_FOLDER: &str = "commissioning";

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Notes {
    pub title: Option<String>,
    pub outlet: Option<Outlet>,
    pub order: Option<Order>,
    /// Idlegate only looks on, and sends it no orders.
    #[serde(skip_serializing_if = "is_false")]
    pub watched: bool,
    /// Nobody switches it off through Idlegate.
    #[serde(skip_serializing_if = "is_false")]
    pub never_off: bool,
    /// What seems to switch it; nobody has agreed to it yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub order_guess: Option<Order>,
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

impl Notes {
    /// An off can be asked for, and so a button beside it and the whole of the drill make sense.
    pub fn can_be_switched_off(&self) -> bool {
        !self.watched && !self.never_off
    }

    /// What is tried in the drill. What switches a machine is not tried on one that is not switched.
    pub fn drill_items(&self) -> &'static [Item] {
        if self.can_be_switched_off() { &Item::FIRST } else { &Item::ONLY_SEEN }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outlet {
    pub place: FieldPlace,
    pub on: String,
    pub off: String,
    /// Where it says whether it can be reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reach: Option<Reach>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    pub place: FieldPlace,
    pub yes: String,
    pub no: String,
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
    pub place: FieldPlace,
    pub scale: f64,
    /// It writes 0,048, as somebody has said: it could be a separator of thousands as well.
    #[serde(default, skip_serializing_if = "is_false")]
    pub decimal_comma: bool,
    /// Words that it sends instead of numbers, and the watts that each stands for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub words: Vec<(String, f64)>,
    /// It puts the retain flag on everything.
    #[serde(default, skip_serializing_if = "is_false")]
    pub sender_stores: bool,
    /// It speaks only when its value changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alive: Option<Alive>,
    /// Its readings count as missing after such a silence, if not after the usual one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stale_after_secs: Option<u64>,
}

/// What shows that a meter is there while it says nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alive {
    pub place: FieldPlace,
    pub silent_max: String,
    /// What it says there when the meter is gone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gone: Option<String>,
    /// It is the outlet's own reach.
    #[serde(default, skip_serializing_if = "is_false")]
    pub reach: bool,
}

impl Meter {
    pub fn new(place: FieldPlace, scale: f64) -> Meter {
        Meter {
            place,
            scale,
            decimal_comma: false,
            words: Vec::new(),
            sender_stores: false,
            alive: None,
            stale_after_secs: None,
        }
    }

    /// As the rules will have it, so that what is measured is read as the guard will read it.
    pub fn signal(&self) -> Signal {
        Signal {
            name: Name::new("power").expect("a word in small letters is a name"),
            source: Source { filter: self.place.topic.clone(), path: self.place.path() },
            kind: SignalKind::Number(NumberSignal {
                unit: "W".to_owned(),
                scale: self.scale,
                offset: 0.0,
                decimal: if self.decimal_comma { Decimal::Comma } else { Decimal::Point },
                values: self.words.clone(),
                ..NumberSignal::default()
            }),
            stale_after: self.stale_after_secs.map_or(Span::secs(30), Span::secs),
            stuck_after: None,
            sender_stores: self.sender_stores,
            reports: Reports::Steadily,
        }
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "as serde asks")]
fn is_false(flag: &bool) -> bool {
    !flag
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
    pub place: FieldPlace,
    pub press: Vec<String>,
    pub long_press: Vec<String>,
    /// What a press asks for.
    pub request: String,
    /// It puts the retain flag on everything.
    #[serde(default, skip_serializing_if = "is_false")]
    pub sender_stores: bool,
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
        let folder = rules.join(NOTES_FOLDER);
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
