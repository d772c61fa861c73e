//! Topic filters of MQTT 5: which topics they match, which filters make others superfluous.
//!
//! Our own, since the client library's matcher panics on topics that begin with a character of several bytes.
//! All functions are total: no topic and no filter from outside can make them panic.

use std::fmt;
use std::sync::Arc;

use super::Kind;

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

/// The smallest set that matches the same topics: every filter that another one covers is left out.
///
/// A filter that stays takes over the stronger kind of those it replaces: [`Kind::State`] before
/// [`Kind::Input`], so that no outlet state is missed. A stored message then arrives on an input's topic as
/// well, marked as retained, and is dropped there because of that mark. Two filters may still share some topics
/// without one covering the other (`a/+/c` and `a/b/+`); the connection sorts out those copies by the
/// subscription's number. State filters come first, since the first to match a topic is the one that counts.
pub fn normalise(wanted: &[(Filter, Kind)]) -> Vec<(Filter, Kind)> {
    let mut kept: Vec<(Filter, Kind)> = Vec::new();
    for (filter, kind) in wanted {
        let mut kind = *kind;
        if let Some((_, of_wide)) = kept.iter_mut().find(|(wide, _)| covers(wide.as_str(), filter.as_str())) {
            *of_wide = (*of_wide).max(kind);
            continue;
        }
        kept.retain(|(other, of_other)| {
            let superfluous = covers(filter.as_str(), other.as_str());
            if superfluous {
                kind = kind.max(*of_other);
            }
            !superfluous
        });
        kept.push((filter.clone(), kind));
    }
    kept.sort_by(|(a, of_a), (b, of_b)| of_b.cmp(of_a).then(a.cmp(b)));
    kept
}
