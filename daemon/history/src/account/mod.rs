//! The account of a decision for a tired person: who asked, what was read, what each detector said, which rule decided,
//! what followed. Told from the journal's records alone, so it can be told at any time afterwards; the text of the
//! rules of then comes from the history of the rules.

mod episode;
mod now;
mod rules;
#[cfg(test)]
mod tests;
mod then;
mod words;

pub use episode::{Episode, Which, episodes};
pub use now::forecast;
pub use then::{RulesThen, rules_then, then_words};
pub use words::words;
