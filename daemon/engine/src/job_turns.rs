//! What comes of a machine's jobs: what is kept of one that is under way, the record of one that is over, and what
//! people are told of it.

use std::sync::Arc;

use super::after_job::{AfterJob, Tell};
use super::core::Engine;
use super::effect::{Announced, Effect, JobEnded, JobTold, KeptMachine, Next};
use super::jobs::{JobEnd, JobOver, Look, Off, Turn};
use super::machine::MachineState;
use idlegate_guard::time::{Moment, Now};
use idlegate_guard::{Announcement, Cause, Kept, PermissiveState, Switch};
use idlegate_plan::event::Verdict;
use idlegate_plan::text::hour_and_minute;
use idlegate_plan::{MachineIx, Role, Stage};

impl Engine {
    /// What is to survive a restart, with what its guard keeps.
    pub(super) fn kept(&self, now: Now, index: MachineIx, kept: &Kept) -> KeptMachine {
        self.machines[index].written_down(kept, &self.names, now)
    }

    pub(super) fn look_at_job(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let (machine, rules) = (&mut self.machines[index], plan.machines[index].jobs);
        let price = plan.shop.tariff.as_ref().map(|tariff| machine.jobs.price(now.wall, tariff));
        let look = machine.look_at_work(now, price);
        let before = machine.jobs.begun();
        match machine.jobs.see(&look, &rules) {
            None => {}
            Some(Turn::Keep) => {
                if machine.jobs.begun() != before {
                    machine.after_job = AfterJob::default();
                }
                self.keep_job(now, index, out);
            }
            Some(Turn::Over(over)) => self.job_is_over(now, index, *over, out),
        }
        let machine = &mut self.machines[index];
        let told = match machine.after_job.see(now.moment, &machine.guard, &rules) {
            None => return,
            Some(Tell::MayBeOff) => Announcement::MayBeOff,
            Some(Tell::LeftOn { idle_for }) => Announcement::LeftOn { idle_for },
        };
        let announced = self.announced(now, index, told, None);
        out.push(Effect::Announce(Box::new(announced)));
    }

    pub(super) fn keep_job(&self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let kept = self.machines[index].guard.kept();
        out.push(Effect::Keep(self.kept(now, index, &kept)));
    }

    /// An off was sent; `asked` by whom, and in whose name.
    pub(super) fn off_was_sent(
        &mut self,
        now: Now,
        index: MachineIx,
        cause: Cause,
        asked: (Option<Arc<str>>, Option<Arc<str>>),
        out: &mut Vec<Effect>,
    ) {
        let (by, who) = asked;
        if self.machines[index].jobs.ordered(Off { at: now, cause, by, who }).is_some() {
            self.keep_job(now, index, out);
        }
    }

    /// Nobody will see the end of its job: it leaves the rules, or has another outlet now.
    pub(super) fn leave_job(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let machine = &mut self.machines[index];
        let rules = machine.rules().jobs;
        if let Some(Turn::Over(over)) = machine.jobs.leave(now, &rules) {
            self.put_on_record(now, index, &over, out);
        }
    }

    fn put_on_record(&self, now: Now, index: MachineIx, over: &JobOver, out: &mut Vec<Effect>) {
        let machine = &self.machines[index];
        out.push(Effect::JobEnded(Box::new(JobEnded {
            at: now,
            machine: machine.rules().name.clone(),
            over: over.clone(),
            currency: self.currency(over),
            kept: self.kept(now, index, &machine.guard.kept()),
        })));
    }

    fn currency(&self, over: &JobOver) -> Option<Arc<str>> {
        let tariff = self.plan.shop.tariff.as_ref()?;
        over.cost.map(|_| tariff.currency.as_str().into())
    }

    fn job_is_over(&mut self, now: Now, index: MachineIx, over: JobOver, out: &mut Vec<Effect>) {
        self.put_on_record(now, index, &over, out);
        self.job_was_lost(index, over.how);
        let machine = &mut self.machines[index];
        let rules = machine.rules().jobs;
        if matches!(over.how, JobEnd::Finished | JobEnd::Unseen) && machine.guard.outlet() == Some(Switch::On)
        {
            machine.after_job = AfterJob::begin(now.moment, &machine.guard, &rules);
        }
        let what = match over.how {
            JobEnd::Finished if rules.tells_finished => Announcement::Finished,
            JobEnd::CountedAsIdle | JobEnd::CutElsewhere | JobEnd::PowerLost if rules.tells_cut => {
                Announcement::Cut
            }
            JobEnd::Unseen if rules.tells_finished || rules.tells_cut => Announcement::EndedUnseen,
            // Whoever forced it off was told so.
            JobEnd::Forced | JobEnd::Emergency => return,
            JobEnd::Finished
            | JobEnd::CountedAsIdle
            | JobEnd::CutElsewhere
            | JobEnd::PowerLost
            | JobEnd::Unseen => return,
        };
        let next = self.machines[index].what_next(now.moment);
        let zone = &self.plan.shop.zone;
        let clock = |wall| hour_and_minute(wall, zone);
        let between = over.not_before.map(|from| (clock(from), clock(over.ended)));
        let job = JobTold { currency: self.currency(&over), over, next, between };
        let announced = self.announced(now, index, what, None);
        out.push(Effect::Announce(Box::new(Announced { job: Some(Box::new(job)), ..announced })));
    }
}

impl MachineState {
    fn look_at_work(&self, now: Now, price: Option<f64>) -> Look {
        let outlet = &self.rules().outlet;
        let has_meter = outlet.power_signal.is_some() || outlet.energy.is_some();
        Look {
            now,
            work: self.work,
            // Where only a meter tells of it, that must do: nobody will ever hear of its outlet.
            outlet: if outlet.state.is_some() { self.guard.outlet() } else { Some(Switch::On) },
            read_at: self.permissive().as_of,
            joules: has_meter.then(|| self.energy.counted()),
            price,
        }
    }

    /// What is to become of a machine whose job is done.
    fn what_next(&self, now: Moment) -> Next {
        match (self.guard.outlet(), self.guard.state(now)) {
            (Some(Switch::Off), _) => Next::IsOff,
            (Some(Switch::On) | None, PermissiveState::Clear) => Next::MayBeOff,
            (Some(Switch::On) | None, PermissiveState::Busy | PermissiveState::Unknown)
                if self.cools(now) =>
            {
                Next::Cools
            }
            (Some(Switch::On) | None, PermissiveState::Busy | PermissiveState::Unknown) => Next::StaysOn,
        }
    }

    /// What holds it is that it is hot.
    fn cools(&self, now: Moment) -> bool {
        let machine = self.rules();
        let mut after = machine
            .detectors
            .iter()
            .zip(self.detectors.iter())
            .filter(|(uses, _)| uses.role == Role::Hold && uses.stage == Stage::After);
        after.any(|(uses, state)| {
            let finding = state.finding(now, uses, machine, &self.signals);
            finding.verdict == Verdict::Busy && finding.readings.iter().any(|reading| &*reading.unit == "Cel")
        })
    }
}
