//! What breaks: links, meters, outlets, clocks, detectors, the program itself.

use idlegate_demo::workshop::{MeterFault, MeterSample, OutletFaults};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{RequestKind, Switch};
use idlegate_plan::event::{Event, LinkState};

use super::fault::{Fault, KINDS};
use super::figures::Figures;
use super::people::Way;
use super::plants::Plant;
use super::rules::PLACES;
use super::wire::Due;
use super::world::World;

/// Somebody who is in a hurry asks so often.
const OFFS: u32 = 3;
/// The place whose meter knows how to send several readings at once.
pub(super) const PACKING: usize = 2;

/// What is broken now.
#[derive(Debug, Default)]
pub struct Broken {
    /// How many such faults are at work.
    pub lossy: u32,
    pub detectors_stop: bool,
    pub detectors_slow: bool,
    pub spikes: [bool; 5],
    pub slow: [bool; 5],
    pub silent: [bool; 5],
    /// How many readings the meter that keeps them back sends at once, and those it has kept.
    pub pack_of: usize,
    pub pack_has_clock: bool,
    pub kept_back: Vec<(Moment, MeterSample)>,
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
        let favourite = self.life.favours.and_then(|plant| plant.fault(place));
        match favourite.filter(|_| self.fate.happens(0.6)) {
            Some(favourite) => self.begin(favourite),
            None => self.begin(Fault::number(kind, place)),
        }
    }

    pub fn begin(&mut self, fault: Fault) {
        let now = self.now;
        self.trace.tell(now, format_args!("fault: {fault:?}"));
        self.court.is_disturbed(now);
        Figures::count(&mut self.figures.faults, fault.word());
        let mut lasts = self.fate.span(Span::secs(20), Span::secs(600));
        match fault {
            Fault::LossyLink => self.broken.lossy += 1,
            Fault::LinkDown => {
                if self.fate.happens(0.5) {
                    lasts = self.fate.span(Span::secs(3), Span::secs(20));
                }
                self.at_the_worst_moment(lasts);
                self.disconnect();
                self.agenda.plan(now + lasts, Due::LinkUp);
                return;
            }
            Fault::LinkFrozen => {
                lasts = Span(lasts.0 / 20);
                self.line.frozen_until = now + lasts;
            }
            Fault::MeterFrozen(place) => self.meter(place, MeterFault::Frozen),
            Fault::MeterSilent(place) => {
                self.broken.silent[place] = true;
                self.meter(place, MeterFault::Silent);
                self.job_and_off(place, lasts);
            }
            Fault::MeterNotANumber(place) => {
                if self.fate.happens(0.5) {
                    lasts = self.fate.span(Span::secs(8), Span::secs(30));
                }
                self.meter(place, MeterFault::NotANumber);
                self.job_and_off(place, Span::secs(20));
            }
            Fault::MeterPacks => {
                self.broken.pack_of = usize::try_from(self.fate.span(Span(2), Span(6)).0).unwrap_or(2);
                self.broken.pack_has_clock = self.fate.happens(0.5);
                self.broken.meter_faults[PACKING] += 1;
                self.job_and_off(PACKING, Span::secs(60));
            }
            Fault::MeterReplaced(place) => {
                self.job_and_off(place, Span::secs(20));
                self.broken.meter_doubted[place] = now;
                self.rewire(place);
                return;
            }
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
                self.court.clock_was_set(now);
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

    fn at_the_worst_moment(&mut self, lasts: Span) {
        let place = self.any_place();
        self.job_and_off(place, lasts);
    }

    /// Something goes wrong for so long; and just then the machine is switched on if need be, a job begins, and soon
    /// afterwards somebody asks for an off, more than once.
    fn job_and_off(&mut self, place: usize, lasts: Span) {
        if self.fate.happens(0.5) {
            return;
        }
        let begins = self.fate.span(Span::ZERO, lasts);
        let mut off = begins.max(lasts);
        self.console(place, RequestKind::On, Span::ZERO, Way::Live);
        // It may be over before anybody has heard of it.
        let job = if self.fate.happens(0.5) { Span::secs(600) } else { Span::secs(20) };
        self.agenda.plan(self.now + begins, Due::StartJob { place, lasts: job });
        for _ in 0..OFFS {
            off = off + self.fate.span(Span::ZERO, Span::secs(30));
            self.console(place, RequestKind::Off, off, Way::Live);
        }
    }

    pub fn end(&mut self, fault: Fault) {
        let now = self.now;
        self.trace.tell(now, format_args!("fault over: {fault:?}"));
        self.court.is_disturbed(now);
        let doubted = match fault {
            Fault::LossyLink => {
                self.broken.lossy = self.broken.lossy.saturating_sub(1);
                self.broken.meter_doubted = [now; 5];
                return;
            }
            Fault::MeterFrozen(place) | Fault::MeterSilent(place) | Fault::MeterNotANumber(place) => {
                self.station(place).meter.fault = None;
                self.broken.silent[place] = false;
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
            Fault::MeterPacks => {
                self.broken.pack_of = 0;
                PACKING
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
            | Fault::MeterReplaced(_)
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
            self.judge_loses_link();
            if !self.has(Plant::OutageWithheld) {
                self.tell_engine(Event::Link(LinkState::Down { why: "simulated".to_owned() }), None);
            }
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
        if !(self.has(Plant::OutageWithheld) && self.planted.link_told) {
            self.tell_engine(Event::Link(LinkState::Up), None);
        }
        self.planted.link_told = true;
        self.replay_stored();
    }

    /// Everything works again from now on.
    pub fn heal(&mut self) {
        let now = self.now;
        self.trace.tell(now, format_args!("healed"));
        self.is_healed = true;
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
        self.turn_latch(false);
    }
}
