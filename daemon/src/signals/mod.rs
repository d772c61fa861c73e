//! Signals: the newest reading, whether it is fresh, and a bounded history.

mod state;

pub use state::SignalState;
