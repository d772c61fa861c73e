//! From effects to messages and words: what goes to the broker, and what people hear.

mod answers;
pub mod blind;
mod groups;
pub mod handover;
pub(crate) mod handover_ids;
mod job_words;
pub mod messages;
pub mod seal;
mod sentence;
pub mod sentences;
pub mod standing;
mod template;
