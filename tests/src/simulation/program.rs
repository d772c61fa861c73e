//! The program's own life: it starts, ends in order or not, and gets new rules.

use std::collections::BTreeSet;
use std::sync::Arc;

use idlegate_engine::{Engine, Former};
use idlegate_guard::time::Span;

use super::Carelessness;
use super::detecting::Detecting;
use super::plants::Plant;
use super::rules::PLACES;
use super::wire::Due;
use super::world::World;

impl World<'_> {
    pub(super) fn start_engine(&mut self) {
        let now = self.clock();
        let mut effects = Vec::new();
        let mut secret = [7; 32];
        secret[..8].copy_from_slice(&self.run.to_be_bytes());
        self.engine.draw_tokens_from(secret);
        self.engine.start(now, &mut effects);
        self.after(None, effects);
    }

    /// The program ends, in order or not, and begins anew with what it had kept.
    pub fn restart(&mut self, in_order: bool) {
        let now = self.clock();
        if in_order && self.now >= self.paused_until {
            let mut effects = Vec::new();
            self.engine.stop(now, &mut effects);
            self.after(None, effects);
            self.oracle.nothing_waits();
        }
        self.run += 1;
        self.line.up = false;
        self.line.session += 1;
        self.paused_until = self.now;
        let mut former =
            Former { machines: self.kept.values().cloned().collect(), answered: self.answered.clone() };
        match self.life.careless {
            Some(Carelessness::KeptIsLost) => former = Former::default(),
            Some(Carelessness::LessonLost) => {
                former.machines.iter_mut().for_each(|kept| kept.state.longer = None);
            }
            _ => {}
        }
        self.engine = Engine::new(self.plan.clone(), &former, now);
        if !self.has(Plant::HistoryKept) {
            self.detecting = Detecting::new(self.life.native, &self.parts.modules);
        }
        self.planted.link_told = false;
        self.judge_loses_link();
        self.oracle.restarted();
        for place in 0..PLACES.len() {
            let status = self.engine.status(self.now, self.oracle.watched[place].index);
            self.oracle.survived(place, &status);
        }
        self.start_engine();
        let back_in = self.luck.span(Span(300), Span::secs(20));
        self.agenda.plan(self.now + back_in, Due::LinkUp);
    }

    /// A place gets another meter, and the rules are told of it.
    pub(super) fn rewire(&mut self, place: usize) {
        if self.now < self.paused_until {
            return;
        }
        self.line.meters_before[place] += 1;
        let mut plan = (*self.plan).clone();
        let index = self.oracle.watched[place].index;
        for signal in &mut plan.machines[index].signals {
            signal.source.filter = self.line.meter_topic(place);
        }
        self.plan = Arc::new(plan);
        self.oracle.watched[place].record.forget();
        self.judge_sees_rewiring(place);
        let mut effects = Vec::new();
        self.engine.adopt(self.plan.clone(), &BTreeSet::new(), self.clock(), &mut effects);
        self.after(None, effects);
    }
}
