//! What went over the broker while somebody did something by hand: every value, by its topic and its place in the
//! payload.

use std::collections::{BTreeMap, VecDeque};
use std::fmt;

use serde::{Deserialize, Serialize};

use idlegate_engine::intake::{self, SenmlValue, resolve_senml};
use idlegate_guard::time::Moment;
use idlegate_plan::ValuePath;
use idlegate_plan::event::Message;
use idlegate_plan::text::tame;

/// A broker may carry more than anybody looks at; what comes after that many places is passed over.
const PLACES_MAX: usize = 5_000;
/// Of one place; the oldest go first.
const SEEN_MAX: usize = 2_000;
/// A payload with more values than this is no status and no button.
const LEAVES_MAX: usize = 64;
/// Longer texts are neither a state nor a gesture.
const VALUE_CHARS_MAX: usize = 256;

/// Where a value is found, as the rules say it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct FieldPlace {
    pub topic: String,
    /// RFC 6901.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// RFC 8428: the record with this resolved name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub senml: Option<String>,
}

impl FieldPlace {
    pub fn whole(topic: &str) -> FieldPlace {
        FieldPlace { topic: topic.to_owned(), pointer: None, senml: None }
    }

    /// As a person types it: a topic, and maybe a pointer behind it.
    pub fn typed(text: &str) -> Option<FieldPlace> {
        let text = text.trim();
        let (topic, pointer) = match text.split_once(" /") {
            Some((topic, pointer)) => (topic.trim_end(), Some(format!("/{pointer}"))),
            None => (text, None),
        };
        let fit = !topic.is_empty() && !topic.contains(['#', '+', '\0']);
        fit.then(|| FieldPlace { topic: topic.to_owned(), pointer, senml: None })
    }

    pub fn path(&self) -> ValuePath {
        match (&self.pointer, &self.senml) {
            (Some(pointer), _) => ValuePath::JsonPointer(pointer.clone()),
            (None, Some(name)) => ValuePath::SenmlName(name.clone()),
            (None, None) => ValuePath::Whole,
        }
    }

    /// The last word of it, which tells best what it is.
    pub(super) fn last_word(&self) -> &str {
        let inside = self.pointer.as_deref().or(self.senml.as_deref()).unwrap_or(&self.topic);
        inside.rsplit(['/', ':', '.']).next().unwrap_or(inside)
    }
}

impl fmt::Display for FieldPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&tame(&self.topic, 120))?;
        match self.pointer.as_deref().or(self.senml.as_deref()) {
            Some(inside) => write!(f, " {}", tame(inside, 80)),
            None => Ok(()),
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    pub at: Moment,
    pub value: String,
    /// The broker keeps it for whoever comes later.
    pub retained: bool,
    /// It came live, whatever its flag says.
    pub live: bool,
}

impl Seen {
    /// It counts as stored only for the flag that its sender put on it.
    pub fn flagged(&self) -> bool {
        self.retained && self.live
    }
}

/// A stretch of time, without its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    pub from: Moment,
    pub until: Moment,
}

impl Window {
    pub fn contains(&self, at: Moment) -> bool {
        self.from <= at && at < self.until
    }
}

#[derive(Clone, Debug, Default)]
pub struct Log {
    places: BTreeMap<FieldPlace, Track>,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    pub(super) seen: VecDeque<Seen>,
    /// Whether the value is a whole structured payload, of which the parts have places of their own.
    pub(super) structured: bool,
    /// As SenML says it.
    pub(super) unit: Option<String>,
}

impl Log {
    /// A payload that is no text tells nothing that rules could read.
    pub fn take(&mut self, now: Moment, message: &Message) {
        let Ok(text) = std::str::from_utf8(&message.payload) else { return };
        let live = !message.retained || message.proved;
        let seen = |value: &str| Seen { at: now, value: value.to_owned(), retained: message.retained, live };
        let structure = serde_json::from_str::<serde_json::Value>(text).ok();
        let structure = structure.filter(|json| json.is_object() || json.is_array());
        let whole = text.trim();
        if !whole.is_empty() && whole.chars().nth(VALUE_CHARS_MAX).is_none() {
            self.put(FieldPlace::whole(&message.topic), seen(whole), structure.is_some(), None);
        }
        let Some(structure) = structure else { return };
        if let Some(records) = structure.is_array().then(|| resolve_senml(text).ok()).flatten() {
            for record in records.into_iter().take(LEAVES_MAX) {
                let value = match record.value {
                    Some(SenmlValue::Number(number)) => number.to_string(),
                    Some(SenmlValue::Text(text)) => text,
                    Some(SenmlValue::Bool(bool)) => bool.to_string(),
                    Some(SenmlValue::Data(_)) | None => continue,
                };
                let place = FieldPlace { senml: Some(record.name), ..FieldPlace::whole(&message.topic) };
                self.put(place, seen(&value), false, record.unit);
            }
            return;
        }
        let mut leaves = Vec::new();
        gather(&structure, &mut String::new(), &mut leaves);
        for (pointer, value) in leaves {
            let place = FieldPlace { pointer: Some(pointer), ..FieldPlace::whole(&message.topic) };
            self.put(place, seen(&value), false, None);
        }
    }

    fn put(&mut self, place: FieldPlace, seen: Seen, structured: bool, unit: Option<String>) {
        if self.places.len() >= PLACES_MAX && !self.places.contains_key(&place) {
            return;
        }
        let track = self.places.entry(place).or_default();
        if track.seen.len() >= SEEN_MAX {
            track.seen.pop_front();
        }
        track.seen.push_back(seen);
        track.structured = structured;
        track.unit = unit.or(track.unit.take());
    }

    pub(super) fn tracks(&self) -> impl Iterator<Item = (&FieldPlace, &Track)> {
        self.places.iter()
    }

    pub fn latest(&self, place: &FieldPlace) -> Option<&Seen> {
        self.places.get(place)?.seen.back()
    }

    /// Everything that was seen there, oldest first.
    pub fn seen(&self, place: &FieldPlace) -> impl Iterator<Item = &Seen> {
        self.places.get(place).into_iter().flat_map(|track| &track.seen)
    }

    /// The words that differ from what stood there before this moment, with what stands there now. Not numbers: those
    /// change all the time.
    pub fn new_words(&self, from: Moment) -> impl Iterator<Item = (&FieldPlace, &str)> {
        let tracks = self.places.iter().filter(|(_, track)| !track.structured);
        tracks.filter_map(move |(place, track)| {
            let now = track.seen.back().filter(|now| now.live && now.at >= from)?;
            let before = track.seen.iter().rev().find(|seen| seen.at < from);
            let is_flag = matches!(now.value.as_str(), "0" | "1");
            let number = intake::reads_as_number(&now.value) && !is_flag;
            let news = !number && before.is_none_or(|before| before.value != now.value);
            news.then_some((place, now.value.as_str()))
        })
    }

    /// Pointers to what is inside a structured payload that came on this topic.
    pub fn inside(&self, topic: &str) -> Vec<&FieldPlace> {
        let whole = FieldPlace::whole(topic);
        self.places.keys().filter(|place| place.topic == topic && **place != whole).collect()
    }

    pub fn topics(&self) -> usize {
        let mut topics: Vec<&str> = self.places.keys().map(|place| place.topic.as_str()).collect();
        topics.dedup();
        topics.len()
    }
}

impl Track {
    /// What came in the window.
    pub(super) fn during(&self, window: Window) -> impl Iterator<Item = &Seen> {
        self.seen.iter().filter(move |seen| window.contains(seen.at))
    }

    /// What it was at a moment.
    pub(super) fn at(&self, moment: Moment) -> Option<&Seen> {
        self.seen.iter().rev().find(|seen| seen.at <= moment)
    }
}

/// Every value in the structure with its pointer, as the rules would read it there.
fn gather(json: &serde_json::Value, pointer: &mut String, leaves: &mut Vec<(String, String)>) {
    use serde_json::Value as Json;
    let mut inside = |step: &str, json: &Json| {
        let length = pointer.len();
        pointer.push('/');
        pointer.push_str(&step.replace('~', "~0").replace('/', "~1"));
        gather(json, pointer, leaves);
        pointer.truncate(length);
    };
    let value = match json {
        Json::Object(members) => return members.iter().for_each(|(name, member)| inside(name, member)),
        Json::Array(items) => {
            return items.iter().enumerate().for_each(|(index, item)| inside(&index.to_string(), item));
        }
        Json::String(text) => text.trim().to_owned(),
        Json::Number(number) => number.to_string(),
        Json::Bool(bool) => bool.to_string(),
        Json::Null => return,
    };
    if leaves.len() < LEAVES_MAX && value.chars().nth(VALUE_CHARS_MAX).is_none() {
        leaves.push((pointer.clone(), value));
    }
}
