//! Messages to the engine: what outlets, meters and people say, and what the broker makes of it on the way.

use bytes::Bytes;
use idlegate_demo::workshop::birch_lane::DIALECTS;
use idlegate_demo::workshop::{MeterFault, MeterSample, Said};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{RequestKind, Switch};
use idlegate_plan::event::{Event, Message};
use serde_json::{Value as Json, json};

use super::Carelessness;
use super::afar::{PHONE, payload};
use super::faults::PACKING;
use super::figures::Figures;
use super::oracle::Asked;
use super::plants::Plant;
use super::rules::PLACES;
use super::wire::{Due, Record, Sent, What};
use super::world::{BEGIN, WALL_AT_BEGIN, World};
use crate::judge::Says;

/// Meters of these places have each reading stored, by a broker that hands on live ones without the flag.
const STORING: [usize; 2] = [1, 4];
/// What comes from a meter that has lost its mind. None of it is a number to anybody.
const NONSENSE: [&str; 6] = ["NaN", "overload", "", "455,2", "{\"watts\":", "1.2.3"];

/// A meter shows no more digits than this.
fn shown(watts: f64) -> f64 {
    (watts * 1000.0).round() / 1000.0
}

pub(super) fn write_one(place: usize, watts: f64) -> String {
    DIALECTS[place].meter.write(PLACES[place].outlet, MeterSample { watts, joules: 0.0 })
}

/// What a meter that sends several readings at once says of their times.
#[derive(Clone, Copy, Debug)]
pub(super) enum PackTimes {
    /// So long ago.
    Before(Moment),
    /// By its own clock, which is right.
    ByItsClock,
}

/// Several readings in one message, oldest first, each with its time.
pub(super) fn write_pack(outlet: &str, records: &[Record], times: PackTimes) -> String {
    let written = records.iter().map(|(taken, says)| {
        let watts = match says {
            Says::Watts(watts) => json!(watts),
            Says::Rubbish => Json::Null,
        };
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of this century")]
        let secs = match times {
            PackTimes::Before(now) => -(now.since(*taken).0 as f64),
            PackTimes::ByItsClock => (WALL_AT_BEGIN as f64) + taken.since(BEGIN).0 as f64,
        } / 1000.0;
        json!({ "n": format!("{outlet}:power"), "u": "W", "t": secs, "v": watts })
    });
    Json::Array(written.collect()).to_string()
}

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
                    there: false,
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
                if place == PACKING && sample.watts.is_finite() {
                    return self.send_packed(place, sample);
                }
                self.send_reading(place, sample);
            }
        }
    }

    /// One message for each reading, or one for several.
    fn send_packed(&mut self, place: usize, sample: MeterSample) {
        self.broken.kept_back.push((self.now, sample));
        if self.broken.kept_back.len() < self.broken.pack_of {
            return;
        }
        let kept = std::mem::take(&mut self.broken.kept_back);
        if kept.len() == 1 {
            return self.send_reading(place, sample);
        }
        let records: Vec<Record> =
            kept.iter().map(|(taken, sample)| (*taken, Says::Watts(shown(sample.watts)))).collect();
        let payload = write_pack(PLACES[place].outlet, &records, self.pack_times());
        self.send_from_meter(place, payload, records);
    }

    pub(super) fn pack_times(&self) -> PackTimes {
        if self.broken.pack_has_clock { PackTimes::ByItsClock } else { PackTimes::Before(self.now) }
    }

    fn send_reading(&mut self, place: usize, sample: MeterSample) {
        let (payload, says) = if sample.watts.is_finite() {
            let payload = DIALECTS[place].meter.write(PLACES[place].outlet, sample);
            (payload, Says::Watts(shown(sample.watts)))
        } else {
            let nth = usize::try_from(self.bench[place].readings).unwrap_or_default();
            (NONSENSE[nth % NONSENSE.len()].to_owned(), Says::Rubbish)
        };
        self.send_from_meter(place, payload, vec![(self.now, says)]);
    }

    fn send_from_meter(&mut self, place: usize, payload: String, records: Vec<Record>) {
        let message = Sent {
            topic: self.line.meter_topic(place),
            payload,
            retained: false,
            sent: self.now,
            what: What::Reading { place, records },
            there: false,
        };
        if STORING.contains(&place) {
            self.line.stored_readings[place] = Some(Sent { retained: true, ..message.clone() });
        }
        self.send(message);
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
        self.send_reading(place, MeterSample { watts, joules });
    }

    /// A message to the engine sets out.
    pub fn send(&mut self, message: Sent) {
        // What an outlet or a contact says is not lost, and stays in its order.
        let state = matches!(message.what, What::State { .. } | What::Contact { .. });
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
        if let What::Contact { .. } = message.what {
            at = at.max(self.line.last_position);
            self.line.last_position = at;
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
            if let What::Contact { .. } = message.what {
                self.line.last_position = again;
            }
            self.agenda.plan(again, Due::ToEngine { message: message.clone(), session });
        }
        self.agenda.plan(at, Due::ToEngine { message, session });
    }

    /// After a new connection the broker hands over what it had stored; requests are never taken from its store.
    pub fn replay_stored(&mut self) {
        self.line.last_position = self.now;
        if let Some(stored) = self.line.stored_latch.clone() {
            self.send(stored);
        }
        for stored in self.line.stored_readings.clone().into_iter().flatten() {
            self.send(stored);
        }
        for (place, at) in PLACES.iter().enumerate() {
            if let Some(payload) = self.line.stored[place].clone() {
                self.line.last_state[place] = self.now;
                self.send(Sent {
                    topic: format!("outlets/{}/says", at.outlet),
                    payload,
                    retained: true,
                    sent: self.now,
                    what: What::State { place },
                    there: false,
                });
            }
        }
    }

    fn oracle_hears(&mut self, place: usize, sent: Moment, age: Span, records: &[Record]) {
        self.figures.readings += 1;
        for (taken, says) in records {
            let watts = match says {
                Says::Watts(watts) => *watts,
                Says::Rubbish => f64::NAN,
            };
            let age = age + sent.since(*taken);
            self.oracle.watched[place].record.deliver(self.now, age, watts);
        }
    }

    pub(super) fn arrive(&mut self, mut message: Sent, session: u64) {
        let now = self.now;
        if session != self.line.session {
            return;
        }
        if let What::Reading { place, records } = &message.what
            && !message.there
        {
            self.judge_hears(*place, &message, records);
        }
        message.there = true;
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
            ours: false,
            age,
            response_topic: None,
            correlation: None,
        };
        match self.life.careless {
            Some(Carelessness::AgeForgotten) => arriving.age = Span(20),
            Some(Carelessness::RetainedForgotten) => arriving.retained = false,
            Some(Carelessness::TokenNotAsked) => {
                if let What::Request { input: PHONE, places, kind, .. } = &message.what {
                    let confirm = self.tokens[places[0]].as_deref();
                    arriving.payload = Bytes::from(payload(places[0], *kind, confirm));
                }
            }
            _ => {}
        }
        if self.has(Plant::StoredAsLive) {
            (arriving.retained, arriving.proved) = (false, true);
        }
        self.trace.note(now, format_args!("{} {} {}", message.topic, message.payload, age.0));
        match message.what {
            What::State { place } => {
                let on = DIALECTS[place].state.write(Switch::On);
                let switch = if message.payload == on { Switch::On } else { Switch::Off };
                self.oracle.watched[place].resumption.outlet_says(now, switch);
                self.tell_engine(Event::Message(arriving), None);
            }
            What::Contact { pushed } => self.latch_says(pushed, &message, age, arriving),
            What::Reading { place, records } => {
                if message.topic == self.line.meter_topic(place) && !message.retained {
                    self.oracle_hears(place, message.sent, age, &records);
                }
                for arriving in self.misread(place, &records, arriving) {
                    self.tell_engine(Event::Message(arriving), None);
                }
            }
            What::Request { input, places, group, kind, event_id, confirm } => {
                Figures::count(&mut self.figures.requests, kind.word());
                if group {
                    Figures::count(&mut self.figures.requests, "to the group");
                }
                if message.retained {
                    Figures::count(&mut self.figures.faults, "stored request");
                } else if age > Span::secs(1) {
                    Figures::count(&mut self.figures.faults, "old request");
                }
                self.trace.tell(now, format_args!("{input} asks {} (age {age})", kind.word()));
                // A group opens nobody a way to force.
                if !group {
                    self.judge_hears_request(input, &places, kind, message.retained, message.sent);
                }
                let emergency = kind == RequestKind::EmergencyOff;
                let before = self.oracle.violations.len();
                let retained = message.retained;
                let asked = Asked { input, places, group, kind, retained, age, event_id, confirm };
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
