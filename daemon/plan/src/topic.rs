//! Topics and topic filters of MQTT 5, pure: which topics a filter matches, which other filters it covers.
//!
//! Our own, since the client library's matcher panics on topics that begin with a character of several bytes.
//! All functions are total: no topic and no filter from outside can make them panic.

use std::fmt;
use std::sync::Arc;

/// Longer topics are not ours: the standard allows 65,535 bytes, a log line does not.
pub const TOPIC_BYTES_MAX: usize = 1_024;

/// A topic filter that the broker can be asked for.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Filter(Arc<str>);

/// Why a text is not a [`Filter`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadFilter {
    #[error("is empty")]
    Empty,
    #[error("is longer than {TOPIC_BYTES_MAX} bytes")]
    TooLong,
    #[error("contains a NUL character")]
    Nul,
    #[error("has a wildcard that does not fill its level")]
    PartOfLevel,
    #[error("has a # that is not at its end")]
    HashInside,
    #[error("is a shared subscription, of which each subscriber sees only a part")]
    Shared,
}

impl Filter {
    pub fn new(text: &str) -> Result<Filter, BadFilter> {
        if text.is_empty() {
            return Err(BadFilter::Empty);
        }
        if text.len() > TOPIC_BYTES_MAX {
            return Err(BadFilter::TooLong);
        }
        if text.contains('\0') {
            return Err(BadFilter::Nul);
        }
        // Part of the presses would go to another subscriber, and a guard must see them all.
        if text == "$share" || text.starts_with("$share/") {
            return Err(BadFilter::Shared);
        }
        let mut levels = text.split('/').peekable();
        while let Some(level) = levels.next() {
            if level.len() > 1 && level.contains(['+', '#']) {
                return Err(BadFilter::PartOfLevel);
            }
            if level == "#" && levels.peek().is_some() {
                return Err(BadFilter::HashInside);
            }
        }
        Ok(Filter(text.into()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Filter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Filter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&self.0, f)
    }
}

/// A topic that may be published to or arrive: not empty, bounded, without wildcards and NUL.
pub fn is_topic(text: &str) -> bool {
    !text.is_empty() && text.len() <= TOPIC_BYTES_MAX && !text.contains(['\0', '+', '#'])
}

/// Whether the filter matches the topic, by OASIS MQTT 5.0 section 4.7.
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topic_levels = topic.split('/');
    for level in filter.split('/') {
        if level == "#" {
            return true;
        }
        match topic_levels.next() {
            Some(of_topic) if level == "+" || level == of_topic => {}
            Some(_) | None => return false,
        }
        // "sport/#" matches "sport", too: the # includes its parent level.
    }
    topic_levels.next().is_none()
}

/// Whether every topic that `narrow` matches is matched by `wide`, too.
pub fn covers(wide: &str, narrow: &str) -> bool {
    if narrow.starts_with('$') && wide.starts_with(['+', '#']) {
        return false;
    }
    let mut wide_levels = wide.split('/');
    let mut narrow_levels = narrow.split('/');
    loop {
        match (wide_levels.next(), narrow_levels.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(level)) if level != "#" => {}
            (Some(one), Some(other)) if one == other => {}
            (Some(_), _) | (None, Some(_)) => return false,
        }
    }
}

/// Whether a filter can match more than one topic.
pub fn has_wildcard(filter: &str) -> bool {
    filter.contains(['+', '#'])
}
