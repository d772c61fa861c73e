//! A red button that latches: pushed, it stays in until somebody turns it. Its position is stored at the broker.

use idlegate_guard::RequestKind;
use idlegate_guard::time::Span;
use idlegate_plan::event::{Event, Message};

use super::Carelessness;
use super::figures::Figures;
use super::oracle::Asked;
use super::people::Way;
use super::wire::{Due, Sent, What};
use super::world::World;

pub(super) const LATCH: &str = "latch";
/// Whose emergency it is: mill and kiln.
pub(super) const LATCHED: [usize; 2] = [2, 3];
const TOPIC: &str = "contacts/latch";

impl World<'_> {
    /// Somebody pushes it, and much later somebody turns it and unlocks the machines; not always in that order.
    pub(super) fn push_latch(&mut self) {
        self.turn_latch(true);
        let stays = self.fate.span(Span::secs(5), Span::secs(900));
        self.agenda.plan(self.now + stays, Due::LatchReleased);
        for place in LATCHED {
            let unlocked = self.fate.span(Span::secs(2), Span::secs(1_000));
            self.console(place, RequestKind::Unlock, unlocked, Way::Live);
            self.console(place, RequestKind::On, unlocked + Span::secs(2), Way::Live);
        }
    }

    pub(super) fn turn_latch(&mut self, pushed: bool) {
        let payload = if pushed { "in" } else { "out" };
        self.trace.tell(self.now, format_args!("latch is {payload}"));
        let message = Sent {
            topic: TOPIC.to_owned(),
            payload: payload.to_owned(),
            retained: false,
            sent: self.now,
            what: What::Contact { pushed },
            there: false,
        };
        self.line.stored_latch = Some(Sent { retained: true, ..message.clone() });
        self.send(message);
    }

    /// It says how it stands: what comes live is an emergency as far as it was not pushed in before.
    pub(super) fn latch_says(&mut self, pushed: bool, sent: &Sent, age: Span, arriving: Message) {
        let now = self.now;
        let anew = pushed && self.oracle.latch != Some(true);
        self.oracle.latch = Some(pushed);
        let asked = anew.then(|| Asked {
            input: LATCH,
            places: LATCHED.to_vec(),
            group: false,
            kind: RequestKind::EmergencyOff,
            retained: sent.retained,
            age,
            event_id: None,
            confirm: None,
        });
        if anew {
            Figures::count(&mut self.figures.requests, if sent.retained { "found pushed" } else { "pushed" });
            self.judge_hears_request(LATCH, &LATCHED, RequestKind::EmergencyOff, false, sent.sent);
        }
        let payload = arriving.payload.clone();
        self.tell_engine(Event::Message(arriving.clone()), asked.as_ref());
        if anew {
            for place in LATCHED {
                let status = self.engine.status(now, self.oracle.watched[place].index);
                self.oracle.found_pushed(place, &status);
            }
        }
        if self.life.careless == Some(Carelessness::ContactForgotten) && payload == "in" {
            self.tell_engine(Event::Message(Message { payload: "out".into(), ..arriving }), None);
        }
    }
}
