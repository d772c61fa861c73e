//! What people are told, as data. The words are made elsewhere.

use super::effect::Reason;
use super::input::{InputId, RequestKind};
use crate::time::Span;

/// Each kind with its word, which is used in messages and for sentences of one's own in the rules.
macro_rules! announcements {
    ($($(#[$doc:meta])* $kind:ident $({ $($(#[$about:meta])* $member:ident: $type:ty,)* })? = $word:literal,)*) => {
        /// Something to tell people.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum Announcement {
            $($(#[$doc])* $kind $({ $($(#[$about])* $member: $type,)* })?,)*
        }

        impl Announcement {
            /// Of every kind.
            pub const WORDS: &[&str] = &[$($word,)*];

            pub const fn word(self) -> &'static str {
                match self { $(Announcement::$kind { .. } => $word,)* }
            }
        }
    };
}

announcements! {
    Held { input: InputId, reason: Reason, window: Span, may_force: bool, } = "held",
    /// The window closed without a force.
    WindowOver = "window-over",
    Forced { input: InputId, } = "forced",
    EmergencyOff { input: InputId, } = "emergency-off",
    Locked { input: InputId, } = "locked",
    Unlocked { input: InputId, } = "unlocked",
    /// Their own lock, and others still hold the machine.
    LockLifted { input: InputId, } = "lock-lifted",
    Refused { input: InputId, kind: RequestKind, reason: Reason, } = "refused",
    /// An emergency-off came out of the broker's store, where no hand can be behind it.
    EmergencyIgnored { input: InputId, } = "emergency-ignored",
    /// An emergency-off came so late that it is of another day.
    EmergencyTooOld { input: InputId, } = "emergency-too-old",
    Deferred { input: InputId, } = "deferred",
    DeferralCancelled { input: Option<InputId>, } = "deferral-cancelled",
    DeferralNotice { input: InputId, acts_in: Span, } = "deferral-notice",
    DeferralBusyAgain = "deferral-busy-again",
    DeferralExpired = "deferral-expired",
    /// Somebody has asked that the machine stay on, however idle it looks.
    KeptOn { input: InputId, stays_for: Span, } = "kept-on",
    /// From now on it is judged by itself again: the time is over, or the input said so.
    KeepOnOver { input: Option<InputId>, } = "keep-on-over",
    /// The machine became busy before a lost off order could be sent again.
    OffAbandoned = "off-abandoned",
    StuckInput { input: InputId, } = "stuck-input",
    /// A force of a machine whose outlet says that it is off.
    SaysOff { input: InputId, window: Span, } = "says-off",
    /// An emergency contact was found pushed in: at a start, or after nobody could see it for too long.
    FoundPushed {
        input: InputId,
        /// The machine may be on.
        urgent: bool,
    } = "found-pushed",
    /// Somebody holds a button again and again, too soon for a second gesture: what they must do instead.
    LetGo { input: InputId, pause: Span, } = "let-go",
    /// A job is done.
    Finished = "finished",
    /// A job was ended by somebody who did not ask Idlegate, or by nobody.
    Cut = "cut",
    EndedUnseen = "ended-unseen",
    /// What held the machine after its job holds it no more.
    MayBeOff = "may-be-off",
    LeftOn { idle_for: Span, } = "left-on",
    /// Machines had lost their power, and it is back.
    PowerBack {
        /// One that is dangerous came on by itself.
        urgent: bool,
    } = "power-back",
}

/// What else is to be known of an announcement, whatever its words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Traits {
    /// The input it speaks of.
    pub input: Option<InputId>,
    /// How long the person it speaks to has, to force it off, to cancel or to let go; or how long it is kept on.
    pub window: Option<Span>,
    /// Somebody should look now: there is an emergency, or somebody thought so and was not obeyed.
    pub is_urgent: bool,
    /// It says the same of every machine, so that one gesture for several is told in one sentence: what a machine
    /// draws, or how it is forced off, is a matter of each.
    pub is_for_all: bool,
    /// In shadow mode it was only decided, and not done. An emergency is obeyed there, too, and what was seen was seen.
    pub only_would_be: bool,
}

impl Announcement {
    pub const fn traits(self) -> Traits {
        const NONE: Traits =
            Traits { input: None, window: None, is_urgent: false, is_for_all: false, only_would_be: true };
        const fn of(input: InputId) -> Traits {
            Traits { input: Some(input), ..NONE }
        }
        match self {
            Announcement::Held { input, window, may_force: true, .. }
            | Announcement::SaysOff { input, window }
            | Announcement::DeferralNotice { input, acts_in: window }
            | Announcement::KeptOn { input, stays_for: window }
            | Announcement::LetGo { input, pause: window } => Traits { window: Some(window), ..of(input) },
            Announcement::Held { input, may_force: false, .. }
            | Announcement::Forced { input }
            | Announcement::Deferred { input }
            | Announcement::LockLifted { input } => of(input),
            Announcement::StuckInput { input } => Traits { only_would_be: false, ..of(input) },
            Announcement::EmergencyOff { input }
            | Announcement::EmergencyIgnored { input }
            | Announcement::EmergencyTooOld { input } => {
                Traits { is_urgent: true, is_for_all: true, only_would_be: false, ..of(input) }
            }
            Announcement::Locked { input } | Announcement::Unlocked { input } => {
                Traits { is_for_all: true, ..of(input) }
            }
            Announcement::Refused { input, kind, .. } => {
                let is_urgent = matches!(kind, RequestKind::EmergencyOff);
                Traits { is_urgent, only_would_be: !is_urgent, ..of(input) }
            }
            Announcement::FoundPushed { input, urgent } => {
                Traits { is_urgent: urgent, only_would_be: false, ..of(input) }
            }
            Announcement::DeferralCancelled { input } | Announcement::KeepOnOver { input } => {
                Traits { input, ..NONE }
            }
            Announcement::WindowOver
            | Announcement::DeferralBusyAgain
            | Announcement::DeferralExpired
            | Announcement::OffAbandoned
            | Announcement::Finished
            | Announcement::Cut
            | Announcement::EndedUnseen
            | Announcement::MayBeOff
            | Announcement::LeftOn { .. } => NONE,
            Announcement::PowerBack { urgent } => {
                Traits { is_urgent: urgent, only_would_be: !urgent, ..NONE }
            }
        }
    }

    pub const fn input(self) -> Option<InputId> {
        self.traits().input
    }
}
