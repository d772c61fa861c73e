//! What the simulation tells the judge: the bytes at the wire and what was meant by them, the truth, the outlets.

use std::time::Duration;

use idlegate_demo::workshop::Truth;
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{RequestKind, Switch};

use super::afar::PHONE;
use super::rules::PLACES;
use super::wire::{Commanded, Record, Sent};
use super::world::World;
use crate::judge::{Ask, At, Judge, Limits, Machine, Order, Says, Tolerance};

/// Of the plain offs of many lives; 1.6 and 0.2 in a hundred were seen unseen and lied to.
pub const LIMITS: Limits =
    Limits { unseen: 4.0, lied: 2.0, on_its_way: 1.0, crossed: 0.0, free: 3, plain_min: 20 };
/// A message may have been on its way for so long and still be taken for just come in.
const TOLERANCE: Tolerance = Tolerance { crossing: Duration::ZERO, dwell: Duration::from_millis(600) };

pub(super) fn judge() -> Judge {
    let machines = PLACES.iter().map(|place| Machine {
        name: place.machine.to_owned(),
        busy_watts: place.busy_watts,
        quiet_watts: place.quiet_watts,
        dwell: span(place.dwell),
        silence_max: span(place.dwell.min(Span::secs(60))),
        unseen_max: span(place.stale_after + place.quiet_max + Span::secs(5)),
        order_lasts: Duration::from_secs(2),
        order_repeats: Duration::from_secs(5),
        // A request may wait for a reading before it is held.
        window: Duration::from_millis(11_100),
    });
    Judge::new(machines.collect(), TOLERANCE)
}

fn at(moment: Moment) -> At {
    Duration::from_millis(moment.0)
}

fn span(span: Span) -> Duration {
    Duration::from_millis(span.0)
}

impl World<'_> {
    /// A meter's message is in the guard's socket, whether it looks there now or not.
    pub(super) fn judge_hears(&mut self, place: usize, message: &Sent, records: &[Record]) {
        // Nobody listens to what the rules no longer name.
        if message.topic == self.line.meter_topic(place) {
            let records: Vec<(At, Says)> = records.iter().map(|(taken, says)| (at(*taken), *says)).collect();
            self.judge.delivered(at(self.now), place, message.retained, &records);
        }
    }

    /// A request by somebody who may, not stored, and not too old to count.
    pub(super) fn judge_hears_request(
        &mut self,
        input: &str,
        places: &[usize],
        kind: RequestKind,
        stored: bool,
        sent: Moment,
    ) {
        let emergency = kind == RequestKind::EmergencyOff;
        for place in places {
            let index = self.oracle.watched[*place].index;
            let old = self.now.since(sent) > self.plan.machines[index].policy.request_max_age;
            if stored || (old && !emergency) {
                continue;
            }
            let own = PLACES[*place].button;
            let may_force = input == "console"
                || input == PHONE
                || own.is_some_and(|own| own.input == input && own.may_force);
            let ask = match kind {
                RequestKind::EmergencyOff => Ask::Emergency,
                RequestKind::ForceOff if may_force => Ask::Force,
                RequestKind::ForceOff | RequestKind::Off | RequestKind::Flip => Ask::Plain,
                RequestKind::On
                | RequestKind::OffOnceIdle
                | RequestKind::Cancel
                | RequestKind::KeepOn
                | RequestKind::Lock
                | RequestKind::Unlock
                | RequestKind::Serviced => continue,
            };
            self.judge.asked(at(self.now), *place, ask);
        }
    }

    pub(super) fn judge_sees_truth(&mut self) {
        for place in 0..PLACES.len() {
            let works = self.station(place).truth() == Truth::Working;
            self.judge.truth(at(self.now), place, works);
        }
    }

    pub(super) fn judge_loses_link(&mut self) {
        self.judge.link_lost(at(self.now));
    }

    pub(super) fn judge_sees_rewiring(&mut self, place: usize) {
        self.judge.rewired(at(self.now), place);
    }

    pub(super) fn judge_sees_order(&mut self, place: usize, switch: Switch) {
        let order = if switch == Switch::On { Order::On } else { Order::Off };
        self.judge.sent(at(self.now), place, order);
        self.heed_judge();
    }

    pub(super) fn judge_sees_arrival(&mut self, commanded: &Commanded) {
        if commanded.switch == Switch::Off {
            self.judge_sees_truth();
            self.judge.received(at(self.now), commanded.place, at(commanded.sent));
            self.heed_judge();
        }
    }

    /// What the judge finds counts like what the oracle does, except where a mistake was put in on purpose.
    fn heed_judge(&mut self) {
        let findings = &self.judge.tally().findings;
        let new: Vec<String> = findings.iter().skip(self.found).map(ToString::to_string).collect();
        self.found = findings.len();
        for finding in new {
            self.trace.tell(self.now, format_args!("{finding}"));
            if self.life.careless.is_none() && self.life.plant.is_none() {
                self.oracle.violated(finding);
            }
        }
    }
}
