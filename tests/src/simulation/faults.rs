//! What breaks: links, meters, outlets, clocks, detectors, the program itself.

use idlegate::demo::workshop::{MeterFault, OutletFaults};
use idlegate::event::{Event, LinkState};
use idlegate::guard::Switch;
use idlegate::time::{Moment, Span};

use super::figures::Figures;
use super::rules::PLACES;
use super::wire::Due;
use super::world::World;

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
const KINDS: u64 = 20;

impl Fault {
    fn number(kind: u64, place: usize) -> Fault {
        match kind {
            0 | 18.. => Fault::LossyLink,
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

/// What is broken now.
#[derive(Debug, Default)]
pub struct Broken {
    /// How many such faults are at work.
    pub lossy: u32,
    pub detectors_stop: bool,
    pub detectors_slow: bool,
    pub spikes: [bool; 5],
    pub slow: [bool; 5],
    /// When each meter's readings, on their whole way here, were last not to be relied on.
    pub meter_doubted: [Moment; 5],
    /// How many faults of its meter are at work at each place.
    pub meter_faults: [u32; 5],
}

impl World<'_> {
    pub fn fault_begins(&mut self) {
        let gap = self.fate.span(Span::secs(120), Span::secs(1_200));
        self.agenda.plan(self.now + gap, Due::FaultBegins);
        let kind = self.fate.span(Span(0), Span(KINDS - 1)).0;
        let place = self.any_place();
        self.begin(Fault::number(kind, place));
    }

    pub fn begin(&mut self, fault: Fault) {
        let now = self.now;
        self.trace.tell(now, format_args!("fault: {fault:?}"));
        Figures::count(&mut self.figures.faults, fault.word());
        let mut lasts = self.fate.span(Span::secs(20), Span::secs(600));
        match fault {
            Fault::LossyLink => self.broken.lossy += 1,
            Fault::LinkDown => {
                self.disconnect();
                self.agenda.plan(now + lasts, Due::LinkUp);
                return;
            }
            Fault::LinkFrozen => {
                lasts = Span(lasts.0 / 20);
                self.line.frozen_until = now + lasts;
            }
            Fault::MeterFrozen(place) => self.meter(place, MeterFault::Frozen),
            Fault::MeterSilent(place) => self.meter(place, MeterFault::Silent),
            Fault::MeterNotANumber(place) => self.meter(place, MeterFault::NotANumber),
            Fault::MeterSpikes(place) => {
                self.broken.spikes[place] = true;
                self.broken.meter_faults[place] += 1;
            }
            Fault::MeterSlow(place) => {
                self.broken.slow[place] = true;
                self.broken.meter_faults[place] += 1;
            }
            Fault::OutletDead(place) => {
                self.station(place).outlet.faults.dead = true;
            }
            Fault::OutletLate(place) => {
                let late = self.fate.span(Span::secs(1), Span::secs(12));
                self.station(place).outlet.faults.reports_late = late;
            }
            Fault::OtherRoute(place) => {
                self.station(place).outlet.press_own_button(now);
                return;
            }
            Fault::MainsOut => {
                for place in 0..PLACES.len() {
                    let outlet = &mut self.station(place).outlet;
                    if outlet.relay() == Switch::On {
                        outlet.press_own_button(now);
                    }
                }
                return;
            }
            Fault::ClockSet => {
                let day = 86_400_000;
                self.wall_offset += if self.fate.happens(0.5) { day } else { -day };
                for watched in &mut self.oracle.watched {
                    watched.deferral_in_doubt = true;
                }
                return;
            }
            Fault::Crash => return self.restart(false),
            Fault::Stop => return self.restart(true),
            Fault::Suspend => {
                self.paused_until = now + lasts;
                return;
            }
            Fault::DetectorsStop => self.broken.detectors_stop = true,
            Fault::DetectorsSlow => self.broken.detectors_slow = true,
        }
        self.agenda.plan(now + lasts, Due::FaultEnds(fault));
    }

    fn meter(&mut self, place: usize, fault: MeterFault) {
        self.station(place).meter.fault = Some(fault);
        self.broken.meter_faults[place] += 1;
    }

    pub fn end(&mut self, fault: Fault) {
        let now = self.now;
        self.trace.tell(now, format_args!("fault over: {fault:?}"));
        let doubted = match fault {
            Fault::LossyLink => {
                self.broken.lossy = self.broken.lossy.saturating_sub(1);
                self.broken.meter_doubted = [now; 5];
                return;
            }
            Fault::MeterFrozen(place) | Fault::MeterSilent(place) | Fault::MeterNotANumber(place) => {
                self.station(place).meter.fault = None;
                place
            }
            Fault::MeterSpikes(place) => {
                self.broken.spikes[place] = false;
                place
            }
            Fault::MeterSlow(place) => {
                self.broken.slow[place] = false;
                place
            }
            Fault::OutletDead(place) => {
                let outlet = &mut self.station(place).outlet;
                outlet.faults.dead = false;
                // Back on the network, it says what it is.
                outlet.report(now);
                return;
            }
            Fault::OutletLate(place) => {
                self.station(place).outlet.faults = OutletFaults::default();
                return;
            }
            Fault::DetectorsStop => {
                self.broken.detectors_stop = false;
                return;
            }
            Fault::DetectorsSlow => {
                self.broken.detectors_slow = false;
                return;
            }
            Fault::LinkDown
            | Fault::LinkFrozen
            | Fault::OtherRoute(_)
            | Fault::MainsOut
            | Fault::ClockSet
            | Fault::Crash
            | Fault::Stop
            | Fault::Suspend => return,
        };
        let faults = &mut self.broken.meter_faults[doubted];
        *faults = faults.saturating_sub(1);
        self.broken.meter_doubted[doubted] = now;
    }

    /// Since when nothing has been wrong with the readings of this place; nothing while something is.
    pub fn meter_sound_since(&self, place: usize) -> Option<Moment> {
        (self.broken.meter_faults[place] == 0 && self.broken.lossy == 0)
            .then(|| self.broken.meter_doubted[place])
    }

    fn disconnect(&mut self) {
        if self.line.up {
            self.line.up = false;
            self.line.session += 1;
            self.oracle.watched.iter_mut().for_each(|watched| watched.record.forget());
            self.tell_engine(Event::Link(LinkState::Down { why: "simulated".to_owned() }), None);
        }
    }

    /// The link is back: a new connection, and what the broker had stored.
    pub fn connect(&mut self) {
        if self.line.up {
            return;
        }
        let now = self.now;
        if now < self.paused_until {
            let later = self.paused_until;
            return self.agenda.plan(later, Due::LinkUp);
        }
        self.line.up = true;
        self.line.session += 1;
        self.trace.tell(now, format_args!("link up"));
        self.tell_engine(Event::Link(LinkState::Up), None);
        self.replay_stored();
    }

    /// Everything works again from now on.
    pub fn heal(&mut self) {
        let now = self.now;
        self.trace.tell(now, format_args!("healed"));
        self.agenda.clear_people_and_faults();
        self.broken = Broken { meter_doubted: [now; 5], ..Broken::default() };
        self.line.frozen_until = now;
        self.paused_until = now;
        for place in 0..PLACES.len() {
            let station = self.station(place);
            station.meter.fault = None;
            station.outlet.faults = OutletFaults::default();
            station.outlet.report(now);
        }
        self.connect();
    }
}
