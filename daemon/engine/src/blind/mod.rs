//! What the guard cannot see, as people hear of it: once when it has lasted too long, and once when it is over.
//!
//! It only watches. What is not known counts as busy long before, and by itself; nothing here knows a guard, a
//! permissive or an order, and all that comes of it is [`BlindSpotsTold`].

mod inputs;
mod machine;
mod sights;
mod stillness;
mod watch;

use std::sync::Arc;

pub(super) use inputs::InputsHeard;
pub(super) use machine::Eyes;
pub(super) use watch::Watch;

use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_plan::event::Name;

/// Each with its word in messages and in the sentences of the rules; whether it is of a machine, an input or the shop;
/// and whether it has an incident of its own, so that it is only shown here.
macro_rules! blindness {
    ($($(#[$doc:meta])* $kind:ident = $word:literal, of: $of:ident, own_incident: $own:literal;)*) => {
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Blindness { $($(#[$doc])* $kind,)* }

        impl Blindness {
            pub const ALL: &[Blindness] = &[$(Blindness::$kind,)*];

            pub const fn word(self) -> &'static str {
                match self { $(Blindness::$kind => $word,)* }
            }

            pub const fn of(self) -> BlindOf {
                match self { $(Blindness::$kind => BlindOf::$of,)* }
            }

            pub const fn has_own_incident(self) -> bool {
                match self { $(Blindness::$kind => $own,)* }
            }
        }
    };
}

blindness! {
    OutletUnreachable = "outlet-unreachable", of: Machine, own_incident: false;
    MeterSilent = "meter-silent", of: Machine, own_incident: false;
    /// It reads the same for longer than it ever did.
    MeterStuck = "meter-stuck", of: Machine, own_incident: false;
    /// What a meter or an outlet sends.
    PayloadNotUnderstood = "payload-not-understood", of: Machine, own_incident: false;
    /// `detector-stopped`.
    DetectorOut = "detector-out", of: Machine, own_incident: true;
    InputSilent = "input-silent", of: Input, own_incident: false;
    BatteryLow = "battery-low", of: Input, own_incident: false;
    JournalOut = "journal-not-recording", of: Shop, own_incident: false;
    ClockUnset = "clock-not-set", of: Shop, own_incident: false;
    /// `late-broker`.
    LateBroker = "late-broker", of: Shop, own_incident: true;
}

impl Blindness {
    pub fn from_word(word: &str) -> Option<Blindness> {
        Blindness::ALL.iter().copied().find(|kind| kind.word() == word)
    }
}

/// What it is that cannot be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BlindOf {
    Machine,
    Input,
    Shop,
}

/// Something that cannot be seen, and how long that has lasted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlindSpot {
    pub kind: Blindness,
    /// Name and title of the machine or input.
    pub of: Option<(Name, Arc<str>)>,
    /// The signal or detector of the machine, where it is not the outlet.
    pub part: Option<Name>,
    /// The machine has other signals, so that this one is called by its name.
    pub one_of_several: bool,
    pub since: WallTime,
    pub lasted: Span,
    /// The fault, or what was read, in words.
    pub why: Option<Arc<str>>,
    pub meanwhile: Consequence,
}

impl BlindSpot {
    pub fn machine(&self) -> Option<&Name> {
        self.of.as_ref().map(|(name, _)| name).filter(|_| self.kind.of() == BlindOf::Machine)
    }

    pub fn input(&self) -> Option<&Name> {
        self.of.as_ref().map(|(name, _)| name).filter(|_| self.kind.of() == BlindOf::Input)
    }
}

/// What a machine loses by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consequence {
    OffHeld,
    /// In shadow mode nothing is held.
    OffWouldBeHeld,
    /// It cannot be switched on from afar.
    OnRefused,
    NothingElse,
}

/// Those that began, or ended, within two seconds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlindSpotsTold {
    pub at: Now,
    pub spots: Vec<BlindSpot>,
    /// A machine was at work, or it is an emergency input.
    pub urgent: bool,
    pub over: bool,
}

/// One of a former run that was told and had not ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FormerBlindSpot {
    pub kind: Blindness,
    pub of: Option<Name>,
    pub part: Option<Name>,
    pub since: WallTime,
}
