//! A place in the workshop: one machine on one outlet with one meter; and the workshop, all places together.
//!
//! Time is passed in. [`Workshop::advance`] yields what the outlets and meters have to say, in order of time;
//! [`Workshop::next_event`] says when there is something next, so that a simulator can jump there.

use super::chance::Chance;
use super::machine::{Character, Jobs, MachineModel, Truth, earlier};
use super::meter::{MeterAccuracy, MeterModel, MeterSample};
use super::outlet::{OutletEventKind, OutletModel, OutletTiming};
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Span};

#[derive(Debug)]
pub struct Station {
    /// The machine's name in the rules.
    pub machine: &'static str,
    /// The outlet's name in topics.
    pub outlet_name: &'static str,
    pub outlet: OutletModel,
    pub meter: MeterModel,
    model: MachineModel,
}

/// Something an outlet or a meter says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Saying {
    pub at: Moment,
    /// Index into [`Workshop::stations`].
    pub station: usize,
    pub what: Said,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Said {
    State(Switch),
    Reading(MeterSample),
}

/// What a station is made of.
#[derive(Debug)]
pub struct Fitting {
    pub machine: &'static str,
    pub outlet: &'static str,
    pub character: Box<dyn Character>,
    pub relay: Switch,
    pub timing: OutletTiming,
    pub accuracy: MeterAccuracy,
}

impl Station {
    fn new(fitting: Fitting, chance: &mut Chance, now: Moment) -> Station {
        let mut model = MachineModel::new(fitting.character, chance.branch(), now);
        model.power(fitting.relay == Switch::On, now);
        let mut outlet = OutletModel::new(fitting.relay, fitting.timing, chance.branch());
        outlet.report(now);
        Station {
            machine: fitting.machine,
            outlet_name: fitting.outlet,
            outlet,
            meter: MeterModel::new(fitting.accuracy, chance.branch(), now),
            model,
        }
    }

    pub fn truth(&self) -> Truth {
        self.model.truth()
    }

    pub fn is_working(&self) -> bool {
        self.model.truth() == Truth::Working
    }

    pub fn watts(&self) -> f64 {
        self.model.watts()
    }

    pub fn joules(&self) -> f64 {
        self.model.joules()
    }

    pub fn jobs(&self) -> Jobs {
        self.model.jobs()
    }

    pub fn temperature(&self) -> Option<f64> {
        self.model.temperature()
    }

    pub fn start_job(&mut self, lasts: Span, now: Moment) -> bool {
        self.model.start_job(lasts, now)
    }

    /// When its outlet or its meter has something to say or do next.
    pub fn next_event(&self) -> Moment {
        let sample = self.meter.next_sample();
        self.outlet.next_event().map_or(sample, |event| event.min(sample))
    }

    fn advance(&mut self, to: Moment, mut say: impl FnMut(Moment, Said)) {
        loop {
            let now = self.next_event();
            if now > to {
                break;
            }
            self.model.advance(now);
            if let Some(event) = self.outlet.take_event(now) {
                match event.kind {
                    OutletEventKind::Relay(switch) => self.model.power(switch == Switch::On, event.at),
                    OutletEventKind::Report(switch) => say(event.at, Said::State(switch)),
                }
            } else if let Some(sample) = self.meter.sample(self.model.watts(), self.model.joules()) {
                say(now, Said::Reading(sample));
            }
        }
        self.model.advance(to);
    }
}

#[derive(Debug)]
pub struct Workshop {
    now: Moment,
    stations: Vec<Station>,
}

impl Workshop {
    pub fn new(fittings: Vec<Fitting>, seed: u64, now: Moment) -> Workshop {
        let mut chance = Chance::new(seed);
        let stations = fittings.into_iter().map(|fitting| Station::new(fitting, &mut chance, now)).collect();
        Workshop { now, stations }
    }

    pub fn now(&self) -> Moment {
        self.now
    }

    pub fn stations(&self) -> &[Station] {
        &self.stations
    }

    pub fn station(&self, machine: &str) -> Option<&Station> {
        self.stations.iter().find(|station| station.machine == machine)
    }

    pub fn station_mut(&mut self, machine: &str) -> Option<&mut Station> {
        self.stations.iter_mut().find(|station| station.machine == machine)
    }

    pub fn next_event(&self) -> Option<Moment> {
        self.stations.iter().fold(None, |next, station| earlier(next, Some(station.next_event())))
    }

    /// Lets time pass up to `to` and yields what was said meanwhile, in order of time.
    pub fn advance(&mut self, to: Moment) -> Vec<Saying> {
        let mut sayings = Vec::new();
        for (index, station) in self.stations.iter_mut().enumerate() {
            station.advance(to, |at, what| sayings.push(Saying { at, station: index, what }));
        }
        sayings.sort_by_key(|saying| saying.at);
        self.now = self.now.max(to);
        sayings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workshop::machines::{FilamentPrinter, Mill};

    fn workshop(seed: u64) -> Workshop {
        let fitting = |machine, character: Box<dyn Character>| Fitting {
            machine,
            outlet: machine,
            character,
            relay: Switch::On,
            timing: OutletTiming::default(),
            accuracy: MeterAccuracy::default(),
        };
        let printer = Box::new(FilamentPrinter::default());
        Workshop::new(
            vec![fitting("printer", printer), fitting("mill", Box::<Mill>::default())],
            seed,
            Moment(0),
        )
    }

    #[test]
    fn an_off_order_ends_draw_and_job_and_is_reported() {
        let mut workshop = workshop(1);
        workshop.advance(Moment(30_000));
        let printer = workshop.station_mut("printer").unwrap();
        assert!(printer.start_job(Span::secs(900), Moment(30_000)));
        workshop.advance(Moment(60_000));
        let printer = workshop.station_mut("printer").unwrap();
        assert!(printer.is_working());
        printer.outlet.order(Switch::Off, Moment(60_000));
        let sayings = workshop.advance(Moment(90_000));
        let printer = workshop.station("printer").unwrap();
        assert_eq!((printer.truth(), printer.jobs().cut), (Truth::Off, 1));
        let report = Saying { at: Moment(60_370), station: 0, what: Said::State(Switch::Off) };
        assert!(sayings.contains(&report), "{sayings:?}");
        let zero = |saying: &&Saying| matches!(saying.what, Said::Reading(sample) if sample.watts == 0.0);
        assert_eq!(sayings.iter().filter(zero).count(), 3);
    }

    #[test]
    fn sayings_come_in_order_and_the_same_however_time_is_cut_up() {
        let mut whole = workshop(9);
        let sayings = whole.advance(Moment(600_000));
        assert!(sayings.is_sorted_by_key(|saying| saying.at));
        let mut jumping = workshop(9);
        let mut jumped = Vec::new();
        while let Some(next) = jumping.next_event().filter(|next| *next <= Moment(600_000)) {
            jumped.extend(jumping.advance(next));
        }
        assert_eq!(jumped, sayings);
    }

    #[test]
    fn a_week_of_workshop_passes_in_no_time() {
        let begun = std::time::Instant::now();
        let mut workshop = workshop(2);
        let week = 7 * 86_400;
        for hour in (0..week).step_by(3600) {
            let now = Moment(hour * 1000);
            workshop.advance(now);
            for station in &mut workshop.stations {
                station.start_job(Span::secs(3000), now);
            }
        }
        assert!(workshop.stations().iter().all(|station| station.jobs().done > 160));
        // Seconds would make a simulation of many weeks useless; generous, since this runs unoptimised.
        assert!(begun.elapsed() < std::time::Duration::from_secs(5), "{:?}", begun.elapsed());
    }
}
