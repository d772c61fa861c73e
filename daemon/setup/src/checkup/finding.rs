//! What was found, and what to do about it.

use serde_json::{Value as Json, json};

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// As it should be.
    Good,
    /// Worth knowing, and nothing is wrong yet.
    Note,
    /// Something does not work, or will not when it is needed.
    Fault,
}

impl Weight {
    pub const fn word(self) -> &'static str {
        match self {
            Weight::Good => "good",
            Weight::Note => "note",
            Weight::Fault => "fault",
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    pub weight: Weight,
    /// A machine, an input, or a part of the service.
    pub about: String,
    pub found: String,
    /// Nothing where all is well.
    pub remedy: Option<String>,
}

impl Finding {
    pub fn good(about: impl Into<String>, found: impl Into<String>) -> Finding {
        Finding { weight: Weight::Good, about: about.into(), found: found.into(), remedy: None }
    }

    pub fn note(about: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Finding {
        Finding { weight: Weight::Note, remedy: Some(remedy.into()), ..Finding::good(about, found) }
    }

    pub fn fault(about: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Finding {
        Finding { weight: Weight::Fault, remedy: Some(remedy.into()), ..Finding::good(about, found) }
    }

    pub fn to_json(&self) -> Json {
        json!({ "weight": self.weight.word(), "about": self.about, "found": self.found, "remedy": self.remedy })
    }

    pub fn to_words(&self) -> String {
        let line = format!("{:<6}{}: {}", self.weight.word(), self.about, self.found);
        match &self.remedy {
            Some(remedy) => format!("{line}\n      {remedy}"),
            None => line,
        }
    }
}
