//! The lists of words. Case and surrounding white space do not matter; nothing else is guessed.

use idlegate_detector::{Reading, SettingsError};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Meaning {
    Busy,
    Paused,
    Idle,
    Unlisted,
}

#[derive(Debug)]
pub(crate) struct Words(Vec<(String, Meaning)>);

impl Words {
    pub(crate) fn new(busy: &[String], idle: &[String], paused: &[String]) -> Result<Self, SettingsError> {
        if idle.is_empty() {
            let remedy = "give at least one word, or the machine could never be switched off";
            return Err(SettingsError::new("idle", "is empty", remedy));
        }
        let mut words = Words(Vec::new());
        for (list, meaning, given) in [
            ("busy", Meaning::Busy, busy),
            ("paused", Meaning::Paused, paused),
            ("idle", Meaning::Idle, idle),
        ] {
            for (index, word) in given.iter().enumerate() {
                words.add(word, meaning).map_err(|(fault, remedy)| {
                    SettingsError::new(format!("{list}[{index}]"), fault, remedy)
                })?;
            }
        }
        Ok(words)
    }

    fn add(&mut self, word: &str, meaning: Meaning) -> Result<(), (String, &'static str)> {
        let plain = plain(word);
        if plain.is_empty() {
            return Err(("is empty".to_owned(), "give the status as the machine spells it"));
        }
        match self.meaning(word) {
            Meaning::Unlisted => self.0.push((plain, meaning)),
            known if known == meaning => {}
            Meaning::Busy | Meaning::Paused | Meaning::Idle => {
                return Err((format!("is {word:?}, which is on another list too"), "keep it on one list"));
            }
        }
        Ok(())
    }

    pub(crate) fn meaning(&self, word: &str) -> Meaning {
        match self.0.iter().find(|(known, _)| same(known, word)) {
            Some((_, meaning)) => *meaning,
            None => Meaning::Unlisted,
        }
    }
}

fn plain(word: &str) -> String {
    word.trim().chars().flat_map(char::to_lowercase).collect()
}

/// Compares without making a new text, since this is done for every reading.
fn same(known: &str, word: &str) -> bool {
    known.chars().eq(word.trim().chars().flat_map(char::to_lowercase))
}

/// Longest part of a word that people are shown.
const SHOWN_CHARS_MAX: usize = 40;

/// The word of a reading in quotes, made harmless for terminals and short enough for a sentence.
pub(crate) fn shown(reading: &Reading) -> String {
    let word = reading.as_text().unwrap_or_default().trim();
    let mut shown = String::from("\"");
    shown.extend(word.chars().take(SHOWN_CHARS_MAX).flat_map(char::escape_debug));
    if word.chars().nth(SHOWN_CHARS_MAX).is_some() {
        shown.push('…');
    }
    shown.push('"');
    shown
}
