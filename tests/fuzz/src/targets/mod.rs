//! What is tried, by name.

mod detector;
mod engine;
mod payload;
mod recording;
mod rules;

pub(crate) type Target = fn(&[u8]);

/// In the order in which they are run.
pub(crate) const ALL: [(&str, Target); 6] = [
    ("rules", rules::rules),
    ("payload", payload::payload),
    ("carried", payload::handover),
    ("recording", recording::recording),
    ("detector", detector::detector),
    ("engine", engine::engine),
];
