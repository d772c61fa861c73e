//! Firings.
