//! When the word of a detector that only warns is listened to.

use idlegate_guard::time::Span;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Watch {
    pub during: WatchWhile,
    /// It must say busy for so long without a break.
    pub lasting: Span,
}

/// How the machine must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum WatchWhile {
    /// Its outlet is not off.
    On,
    Off,
    Busy,
    /// On, and known to be idle.
    Idle,
    Always,
}

impl Watch {
    /// Unless the rules say otherwise.
    pub const UNLESS_SET: Watch = Watch { during: WatchWhile::Always, lasting: Span::ZERO };
}

impl WatchWhile {
    pub const ALL: [WatchWhile; 5] =
        [WatchWhile::On, WatchWhile::Off, WatchWhile::Busy, WatchWhile::Idle, WatchWhile::Always];

    /// The word used in rules.
    pub const fn word(self) -> &'static str {
        match self {
            WatchWhile::On => "on",
            WatchWhile::Off => "off",
            WatchWhile::Busy => "busy",
            WatchWhile::Idle => "idle",
            WatchWhile::Always => "always",
        }
    }
}
