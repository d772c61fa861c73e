//! The settings of one guard, all of them spans and switches, all of them checked before they get here.

use crate::time::Span;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Policy {
    /// How long force-off is accepted after a held request. Half-open: at the deadline it is too late.
    pub window: Span,
    /// The same gesture from the same input sooner than this after its last appearance is the same gesture.
    pub repeat_guard: Span,
    /// A force by the input that opened the window, sooner than this, is part of the gesture that opened it.
    pub force_not_before: Span,
    /// A gesture that goes on repeating for this long is a stuck button, and people are told.
    pub stuck_after: Span,
    /// A request that may have waited longer than this is not acted on.
    pub request_max_age: Span,
    /// An emergency that may have waited longer than this is of another day: it is told, and not obeyed.
    pub emergency_max_age: Span,
    /// Readings older than this are refreshed before an off is decided, where the outlet can be asked.
    pub fresh_within: Span,
    /// How long a request waits for the readings it asked for.
    pub refresh_wait: Span,
    /// How long a request waits for detectors to look at readings that are already here.
    pub assess_wait: Span,
    /// The outlet has a refresh topic.
    pub can_refresh: bool,
    /// The outlet must report an order's effect within this, else the order is sent again.
    pub confirm_within: Span,
    /// How often an order is sent again before people are told.
    pub tries: u8,
    /// How long the draw may take to fall after a confirmed off.
    pub residual_after: Span,
    /// A deferred off acts once the machine has been idle for this long.
    pub settle_for: Span,
    /// How long people are warned before a deferred off acts.
    pub notice: Span,
    /// A deferral that could not act for this long is given up.
    pub deferral_max: Span,
    /// A machine idle for this long asks for off by itself.
    pub forgotten_after: Option<Span>,
    /// Whether the machine may be switched on from afar at all.
    pub remote_on: bool,
    /// Whether switching on waits for a permit of its own (extraction running, lid closed).
    pub on_needs_permit: bool,
    /// Decide and record, but send nothing, emergencies excepted.
    pub shadow: bool,
}

impl Default for Policy {
    fn default() -> Policy {
        Policy {
            window: Span::secs(10),
            repeat_guard: Span::secs(2),
            force_not_before: Span::secs(1),
            stuck_after: Span::secs(30),
            request_max_age: Span::secs(1),
            emergency_max_age: Span::secs(15 * 60),
            fresh_within: Span::secs(15),
            refresh_wait: Span::secs(1),
            assess_wait: Span(250),
            can_refresh: false,
            confirm_within: Span::secs(5),
            tries: 3,
            residual_after: Span::secs(15),
            settle_for: Span::secs(10),
            notice: Span::secs(30),
            deferral_max: Span::secs(24 * 3600),
            forgotten_after: None,
            remote_on: true,
            on_needs_permit: false,
            shadow: false,
        }
    }
}

/// What an input may do. Carried by every request, so that the guard needs no table of inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Rights {
    pub may_force: bool,
    pub may_lock: bool,
    pub may_unlock: bool,
    /// Its emergency-off is obeyed, whatever the state.
    pub emergency: bool,
    pub when_busy: WhenBusy,
    /// It may not ask at this hour. What holds power or cuts it on purpose has no hours.
    pub out_of_hours: bool,
}

impl Rights {
    /// May ask, and nothing more.
    pub const PLAIN: Rights = Rights {
        may_force: false,
        may_lock: false,
        may_unlock: false,
        emergency: false,
        when_busy: WhenBusy::Hold,
        out_of_hours: false,
    };
}

/// What becomes of an off that comes while the machine is not known to be idle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WhenBusy {
    /// Say why and open the override window: somebody is standing there.
    Hold,
    /// Switch off later, once the machine is idle: nobody is waiting.
    Defer,
}
