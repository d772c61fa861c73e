//! Topics and topic filters of MQTT, pure.

pub use crate::link::filter::{BadFilter, Filter, covers, is_topic, matches};

/// Whether a filter can match more than one topic.
pub fn has_wildcard(filter: &str) -> bool {
    filter.contains(['+', '#'])
}
