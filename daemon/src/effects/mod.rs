//! From effects to messages and words: what goes to the broker, and what people hear.

mod answers;
pub mod carried;
mod carried_ids;
pub mod messages;
pub mod sentences;
mod template;
