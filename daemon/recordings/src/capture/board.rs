//! Topics as they come: last value, what changed, how often.

use std::collections::BTreeMap;

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::text::{counted, tame};

/// A broker may carry more topics than anybody looks at; the board stops growing here and says so.
const TOPICS_MAX: usize = 5_000;
/// Of a longer payload only so much is kept to be looked at.
const PAYLOAD_BYTES_MAX: usize = 16 * 1024;
/// Longer payloads are cut for showing.
const SHOWN_CHARS: usize = 160;
const TOPIC_CHARS: usize = 200;

#[derive(Clone, Debug, Default)]
pub struct Board {
    topics: BTreeMap<String, TopicLine>,
    /// Messages on topics for which there was no room.
    beyond: u64,
}

/// One topic.
#[derive(Clone, Debug, PartialEq)]
pub struct TopicLine {
    pub topic: String,
    /// As it can be shown in one line: tamed and bounded.
    pub value: String,
    /// What it was before it changed last.
    pub before: Option<String>,
    pub changed_at: Moment,
    pub count: u64,
    pub retained: bool,
    payload: Vec<u8>,
    first_at: Moment,
    latest_at: Moment,
}

impl TopicLine {
    /// The usual pause between two messages, once there were two.
    pub fn interval(&self) -> Option<Span> {
        let pauses = self.count.checked_sub(1).filter(|pauses| *pauses > 0)?;
        Some(Span(self.latest_at.since(self.first_at).0 / pauses))
    }
}

impl TopicLine {
    /// The whole of the newest payload, and the pointer to each value in it if it is JSON, a line each.
    pub fn whole(&self) -> Vec<String> {
        let Ok(text) = std::str::from_utf8(&self.payload) else { return vec![self.value.clone()] };
        let json = serde_json::from_str::<serde_json::Value>(text).ok();
        let structure = json.filter(|json| json.is_object() || json.is_array());
        let Some(json) = structure else {
            return text.lines().map(|line| tame(line, TOPIC_CHARS)).collect();
        };
        let pretty = format!("{json:#}");
        let mut lines: Vec<String> = pretty.lines().map(untouched).collect();
        lines.extend([String::new(), "pointers:".to_owned()]);
        let mut pointers = Vec::new();
        gather(&json, "", &mut pointers);
        lines.extend(pointers);
        lines
    }
}

/// A line of JSON as it stands, with its indentation.
fn untouched(line: &str) -> String {
    let indented = line.len() - line.trim_start().len();
    format!("{}{}", " ".repeat(indented), tame(line, TOPIC_CHARS))
}

/// RFC 6901.
fn gather(json: &serde_json::Value, pointer: &str, lines: &mut Vec<String>) {
    match json {
        serde_json::Value::Object(members) => members.iter().for_each(|(name, member)| {
            gather(member, &format!("{pointer}/{}", name.replace('~', "~0").replace('/', "~1")), lines);
        }),
        serde_json::Value::Array(items) => items.iter().enumerate().for_each(|(index, item)| {
            gather(item, &format!("{pointer}/{index}"), lines);
        }),
        value => {
            lines.push(format!("  {}  {}", tame(pointer, TOPIC_CHARS), tame(&value.to_string(), SHOWN_CHARS)))
        }
    }
}

impl Board {
    /// Takes a message in; true when its topic is new or its value another one.
    pub fn take(&mut self, now: Moment, topic: &str, payload: &[u8], retained: bool) -> bool {
        let value = shown(payload);
        let kept = payload[..payload.len().min(PAYLOAD_BYTES_MAX)].to_vec();
        if let Some(line) = self.topics.get_mut(topic) {
            let changed = line.value != value;
            if changed {
                line.before = Some(std::mem::replace(&mut line.value, value));
                line.changed_at = now;
            }
            (line.count, line.latest_at, line.retained) = (line.count + 1, now, retained);
            line.payload = kept;
            return changed;
        }
        if self.topics.len() >= TOPICS_MAX {
            self.beyond += 1;
            return false;
        }
        let topic = topic.to_owned();
        let line = TopicLine {
            topic: tame(&topic, TOPIC_CHARS),
            value,
            before: None,
            changed_at: now,
            count: 1,
            retained,
            payload: kept,
            first_at: now,
            latest_at: now,
        };
        self.topics.insert(topic, line);
        true
    }

    /// In order of topic; those that have the text in their topic or value, whatever its case.
    pub fn lines<'a>(&'a self, search: &'a str) -> impl Iterator<Item = &'a TopicLine> + 'a {
        let wanted = search.to_lowercase();
        self.topics.values().filter(move |line| {
            wanted.is_empty()
                || line.topic.to_lowercase().contains(&wanted)
                || line.value.to_lowercase().contains(&wanted)
        })
    }

    pub fn line(&self, topic: &str) -> Option<&TopicLine> {
        self.topics.get(topic)
    }

    pub fn topics(&self) -> usize {
        self.topics.len()
    }

    pub fn beyond(&self) -> u64 {
        self.beyond
    }
}

/// Text as it is, JSON on one line, and of anything else how long it is.
fn shown(payload: &[u8]) -> String {
    let Ok(text) = std::str::from_utf8(payload) else {
        return format!("({}, not text)", counted(payload.len(), "byte"));
    };
    match serde_json::from_str::<serde_json::Value>(text) {
        Ok(json @ (serde_json::Value::Object(_) | serde_json::Value::Array(_))) => {
            tame(&json.to_string(), SHOWN_CHARS)
        }
        Ok(_) | Err(_) => tame(text, SHOWN_CHARS),
    }
}
