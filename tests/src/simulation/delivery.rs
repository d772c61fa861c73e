//! Messages to the engine: what outlets, meters and people say, and what the broker makes of it on the way.

use bytes::Bytes;
use idlegate::demo::workshop::birch_lane::DIALECTS;
use idlegate::demo::workshop::{MeterFault, Said, Sample};
use idlegate::event::{Event, Message};
use idlegate::guard::RequestKind;
use idlegate::time::Span;

use super::Carelessness;
use super::figures::Figures;
use super::oracle::Asked;
use super::rules::PLACES;
use super::wire::{Due, Sent, What};
use super::world::World;

impl World<'_> {
    pub(super) fn said(&mut self, place: usize, said: Said) {
        let (outlet, dialect) = (PLACES[place].outlet, DIALECTS[place]);
        match said {
            Said::State(switch) => {
                let payload = dialect.state.write(switch);
                self.trace.tell(self.now, format_args!("{outlet} says {}", switch.word()));
                self.line.stored[place] = Some(payload.clone());
                self.send(Sent {
                    topic: format!("outlets/{outlet}/says"),
                    payload,
                    retained: false,
                    sent: self.now,
                    what: What::State { place },
                });
            }
            Said::Reading(mut sample) => {
                let bench = &mut self.bench[place];
                bench.readings += 1;
                if self.broken.slow[place] && !bench.readings.is_multiple_of(3) {
                    return;
                }
                if self.broken.spikes[place] && self.luck.happens(0.2) {
                    sample.watts = self.luck.between(0.0, 3_000.0);
                }
                if sample.watts.is_finite() {
                    self.bench[place].last_watts = sample.watts;
                }
                self.send_reading(place, sample);
            }
        }
    }

    fn send_reading(&mut self, place: usize, sample: Sample) {
        let outlet = PLACES[place].outlet;
        self.send(Sent {
            topic: format!("meters/{outlet}"),
            payload: DIALECTS[place].meter.write(outlet, sample),
            retained: false,
            sent: self.now,
            what: What::Reading { place, watts: (sample.watts * 1000.0).round() / 1000.0 },
        });
    }

    /// A meter that is asked answers at once, if it answers at all.
    pub(super) fn refresh_arrives(&mut self, place: usize) {
        let last_watts = self.bench[place].last_watts;
        let station = self.station(place);
        let watts = match station.meter.fault {
            None => station.watts(),
            Some(MeterFault::Frozen) => last_watts,
            Some(MeterFault::NotANumber) => f64::NAN,
            Some(MeterFault::Silent) => return,
        };
        let joules = station.joules();
        self.send_reading(place, Sample { watts, joules });
    }

    /// A message to the engine sets out.
    pub fn send(&mut self, message: Sent) {
        let state = matches!(message.what, What::State { .. });
        if !self.line.up {
            return;
        }
        let lossy = self.broken.lossy > 0;
        let asks = matches!(message.what, What::Request { .. });
        if lossy && !state && self.luck.happens(0.25) {
            Figures::count(&mut self.figures.faults, "message lost");
            return;
        }
        let mut delay = self.luck.span(Span(3), Span(30));
        if lossy && self.luck.happens(0.2) {
            delay = self.luck.span(Span(50), Span(4_000));
            Figures::count(&mut self.figures.faults, "message delayed");
        }
        let mut at = (self.now + delay).max(self.line.frozen_until);
        if let What::State { place } = message.what {
            at = at.max(self.line.last_state[place]);
            self.line.last_state[place] = at;
        }
        // So does a connection.
        if let What::Reading { place, .. } = message.what {
            at = at.max(self.line.last_reading[place]);
            self.line.last_reading[place] = at;
        }
        let session = self.line.session;
        if lossy && (state || asks) && self.luck.happens(0.2) {
            let again = at + self.luck.span(Span(0), Span(900));
            Figures::count(&mut self.figures.faults, "message repeated");
            // A state that is repeated pushes the next one back: a broker keeps the order of one topic.
            if let What::State { place } = message.what {
                self.line.last_state[place] = again;
            }
            self.agenda.plan(again, Due::ToEngine { message: message.clone(), session });
        }
        self.agenda.plan(at, Due::ToEngine { message, session });
    }

    /// After a new connection the broker hands over what it had stored; requests are never taken from its store.
    pub fn replay_stored(&mut self) {
        for (place, at) in PLACES.iter().enumerate() {
            if let Some(payload) = self.line.stored[place].clone() {
                self.line.last_state[place] = self.now;
                self.send(Sent {
                    topic: format!("outlets/{}/says", at.outlet),
                    payload,
                    retained: true,
                    sent: self.now,
                    what: What::State { place },
                });
            }
        }
    }

    pub(super) fn arrive(&mut self, message: Sent, session: u64) {
        let now = self.now;
        if session != self.line.session {
            return;
        }
        if now < self.paused_until {
            let later = self.paused_until;
            return self.agenda.plan(later, Due::ToEngine { message, session });
        }
        // The barrier knows the age to within a marker.
        let age = now.since(message.sent) + self.luck.span(Span(0), Span(260));
        let mut arriving = Message {
            topic: message.topic.as_str().into(),
            payload: Bytes::from(message.payload.clone()),
            retained: message.retained,
            proved: !message.retained,
            age,
            response_topic: None,
            correlation: None,
        };
        match self.life.careless {
            Some(Carelessness::AgeForgotten) => arriving.age = Span(20),
            Some(Carelessness::RetainedForgotten) => arriving.retained = false,
            _ => {}
        }
        self.trace.note(now, format_args!("{} {} {}", message.topic, message.payload, age.0));
        match message.what {
            What::State { .. } => self.tell_engine(Event::Message(arriving), None),
            What::Reading { place, watts } => {
                self.figures.readings += 1;
                self.oracle.watched[place].record.deliver(now, age, watts);
                self.tell_engine(Event::Message(arriving), None);
            }
            What::Request { input, places, kind, event_id } => {
                Figures::count(&mut self.figures.requests, kind.word());
                if message.retained {
                    Figures::count(&mut self.figures.faults, "stored request");
                } else if age > Span::secs(1) {
                    Figures::count(&mut self.figures.faults, "old request");
                }
                self.trace.tell(now, format_args!("{input} asks {} (age {age})", kind.word()));
                let emergency = kind == RequestKind::EmergencyOff;
                let before = self.oracle.violations.len();
                let asked = Asked { input, places, kind, retained: message.retained, age, event_id };
                self.tell_engine(Event::Message(arriving), Some(&asked));
                if emergency && !message.retained {
                    self.figures.emergencies += 1;
                    let new = &self.oracle.violations[before..];
                    self.figures.emergencies_refused +=
                        u64::from(new.iter().any(|violation| violation.starts_with("emergency")));
                }
            }
        }
    }
}
