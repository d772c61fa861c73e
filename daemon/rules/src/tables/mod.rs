//! The keys of every rules file: the one place where a key is added, described and bounded.

mod guard;
mod inputs;
mod jobs;
mod machine;
mod shop;

use super::form::{Form, Key, key, needed};
use idlegate_guard::time::Span;

pub(crate) use inputs::INPUTS;
pub(crate) use machine::MACHINE;
pub(crate) use shop::SHOP;

const HOUR: Span = Span::secs(3_600);
const DAY: Span = Span::secs(86_400);
const NONE: Span = Span::ZERO;
/// Nobody who pressed so long ago still stands there and means it.
pub(crate) const WINDOW_MAX: Span = Span::secs(300);

const TOPIC: Key =
    needed("topic", Form::Filter, "Topic to read it from, without wildcards: it must have one sender.");
const POINTER: Key =
    key("pointer", Form::Pointer, "JSON Pointer (RFC 6901) to the value. Default: the whole payload.");
const SENML: Key = key("senml", Form::Text, "Name of the SenML record (RFC 8428) that holds the value.");
