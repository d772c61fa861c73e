//! The kinds of trouble there are.

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    LossyLink,
    LinkDown,
    LinkFrozen,
    MeterFrozen(usize),
    MeterSilent(usize),
    MeterNotANumber(usize),
    MeterSpikes(usize),
    MeterSlow(usize),
    /// Keeps its readings back and sends several at once, each with its time.
    MeterPacks,
    /// It is replaced by another one, and the rules are changed accordingly.
    MeterReplaced(usize),
    OutletDead(usize),
    OutletLate(usize),
    OtherRoute(usize),
    /// All outlets that are on go off at once.
    MainsOut,
    ClockSet,
    Crash,
    Stop,
    Suspend,
    DetectorsStop,
    DetectorsSlow,
}

/// The last two of them are the lossy link once more, with which most goes wrong.
pub(super) const KINDS: u64 = 22;

impl Fault {
    pub(super) fn number(kind: u64, place: usize) -> Fault {
        match kind {
            0 | 20.. => Fault::LossyLink,
            1 => Fault::LinkDown,
            2 => Fault::LinkFrozen,
            3 => Fault::MeterFrozen(place),
            4 => Fault::MeterSilent(place),
            5 => Fault::MeterNotANumber(place),
            6 => Fault::MeterSpikes(place),
            7 => Fault::MeterSlow(place),
            8 => Fault::OutletDead(place),
            9 => Fault::OutletLate(place),
            10 => Fault::OtherRoute(place),
            11 => Fault::ClockSet,
            12 => Fault::Crash,
            13 => Fault::Stop,
            14 => Fault::Suspend,
            15 => Fault::DetectorsStop,
            16 => Fault::DetectorsSlow,
            17 => Fault::MainsOut,
            18 => Fault::MeterPacks,
            19 => Fault::MeterReplaced(place),
        }
    }

    pub fn word(self) -> &'static str {
        match self {
            Fault::LossyLink => "lossy link",
            Fault::LinkDown => "link down",
            Fault::LinkFrozen => "link frozen",
            Fault::MeterFrozen(_) => "meter frozen",
            Fault::MeterSilent(_) => "meter silent",
            Fault::MeterNotANumber(_) => "meter NaN",
            Fault::MeterSpikes(_) => "meter spikes",
            Fault::MeterSlow(_) => "meter slow",
            Fault::MeterPacks => "meter sends packs",
            Fault::MeterReplaced(_) => "meter replaced",
            Fault::OutletDead(_) => "outlet dead",
            Fault::OutletLate(_) => "outlet late",
            Fault::OtherRoute(_) => "other route",
            Fault::MainsOut => "mains out",
            Fault::ClockSet => "clock set",
            Fault::Crash => "crash",
            Fault::Stop => "stop",
            Fault::Suspend => "suspend",
            Fault::DetectorsStop => "detectors stop",
            Fault::DetectorsSlow => "detectors slow",
        }
    }
}
