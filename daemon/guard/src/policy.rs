//! The settings of one guard, all of them spans and switches, all of them checked before they get here.

use super::effect::Reason;
use super::place::{Place, Places};
use crate::time::Span;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Policy {
    /// How long force-off is accepted after a held request. Half-open: at the deadline it is too late.
    pub window: Span,
    /// An input's windows count for the other inputs of its place three times within this, and then for itself alone.
    pub windows_counted_within: Span,
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
    /// How long a machine is kept on for whoever does not say until when.
    pub keep_on_for: Span,
    /// A machine idle for this long asks for off by itself.
    pub forgotten_after: Option<Span>,
    /// From where the machine may be switched on.
    pub on_from: Places,
    /// People switch it on at its outlet's own button, and nobody need be told.
    pub on_by_hand: bool,
    /// Whether switching on waits for a permit of its own (extraction running, lid closed).
    pub on_needs_permit: bool,
    /// Decide and record, but send nothing, emergencies excepted.
    pub shadow: bool,
    pub control: Control,
}

/// How far a machine is in the guard's hands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Control {
    /// It is switched on and off.
    #[default]
    Full,
    /// It is switched on. Only an emergency switches it off, and which ones reach it is for the rules to say.
    NeverOff,
    /// There is no way to switch it.
    Watched,
}

impl Control {
    /// Why nobody may switch it off, but in an emergency.
    pub(crate) const fn forbids_off(self) -> Option<Reason> {
        match self {
            Control::Full => None,
            Control::NeverOff => Some(Reason::NeverOff),
            Control::Watched => Some(Reason::OnlyWatched),
        }
    }
}

impl Policy {
    /// Nothing is kept on for longer than that; whoever needs more asks again.
    pub const KEEP_ON_MAX: Span = Span::secs(24 * 3600);

    /// Where nobody has set anything.
    pub const UNLESS_SET: Policy = Policy {
        window: Span::secs(10),
        windows_counted_within: Span::secs(60),
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
        keep_on_for: Span::secs(12 * 3600),
        forgotten_after: None,
        on_from: Places::ALL,
        on_by_hand: false,
        on_needs_permit: false,
        shadow: false,
        control: Control::Full,
    };
}

impl Default for Policy {
    fn default() -> Policy {
        Policy::UNLESS_SET
    }
}

/// What an input may do. Carried by every request, so that the guard needs no table of inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Rights {
    pub may_force: bool,
    pub may_keep_on: bool,
    pub may_lock: bool,
    /// Lifts every lock. Without it, an input that may lock lifts its own.
    pub may_unlock: bool,
    /// May say that the machine was serviced.
    pub may_service: bool,
    /// Its emergency-off is obeyed, whatever the state.
    pub emergency: bool,
    pub when_busy: WhenBusy,
    /// Where the person is who uses it.
    pub place: Place,
    /// How long its own window stays open, where that is not the machine's to say.
    pub window: Option<Span>,
    /// It may not ask at this hour. What holds power or cuts it on purpose has no hours.
    pub out_of_hours: bool,
}

impl Rights {
    /// May ask, and nothing more.
    pub const PLAIN: Rights = Rights {
        may_force: false,
        may_keep_on: false,
        may_lock: false,
        may_unlock: false,
        may_service: false,
        emergency: false,
        when_busy: WhenBusy::Hold,
        place: Place::Shop,
        window: None,
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
