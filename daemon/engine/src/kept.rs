//! What survives a restart, from the guard's numbers to names and back, from moments to wall time and back.

use super::effect::KeptMachine;
use super::lock_book;
use super::machine::MachineState;
use super::names::Names;
use idlegate_guard::time::{Now, Span};
use idlegate_guard::{Deferral, Kept, KeptOn, Policy};
use idlegate_plan::kept::{HeldOutlet, KeptLockout, KeptState, KeptUntil};

impl MachineState {
    /// Everything that is to be kept of it. A lock holds the outlet of the machine as it is called now, too.
    pub(super) fn written_down(&self, kept: &Kept, names: &Names, now: Now) -> KeptMachine {
        let order = self.rules().outlet.order.as_ref();
        let lock = |lockout| {
            let written = self.locks.written_down(lockout, names);
            KeptLockout { outlet: order.map(HeldOutlet::of).or(written.outlet), ..written }
        };
        let deferral = kept
            .deferral
            .map(|deferral| KeptUntil::of(names.input_name(deferral.by), deferral.expires_at, now));
        let kept_on = kept.kept_on.map(|kept| KeptUntil::of(names.input_name(kept.by), kept.until, now));
        let state = KeptState {
            locks: kept.locks.iter().map(lock).collect(),
            deferral,
            kept_on,
            longer: self.silences.longer().cloned(),
            services: self.services.counters().to_vec(),
            job: self.jobs.kept(now),
            ..KeptState::default()
        };
        KeptMachine { machine: self.rules().name.clone(), state }
    }

    /// What is known beside the guard.
    pub(super) fn recall(&mut self, kept: &KeptState, names: &mut Names) {
        self.locks.recall(&kept.locks, names);
        self.services.recall(&kept.services);
        let rules = self.plan.machines[self.index].clone();
        self.silences.recall(kept.longer.as_ref(), &rules);
    }
}

pub(super) fn recall(kept: &KeptState, names: &mut Names, deferral_max: Span, now: Now) -> Kept {
    Kept {
        locks: kept.locks.iter().map(|kept| lock_book::lockout(kept, names)).collect(),
        deferral: kept.deferral.as_ref().map(|deferral| {
            let remaining = deferral.remaining_at(now.wall).min(deferral_max);
            Deferral { by: names.input(&deferral.by), expires_at: now.moment + remaining }
        }),
        kept_on: kept.kept_on.as_ref().map(|kept| {
            let remaining = kept.remaining_at(now.wall).min(Policy::KEEP_ON_MAX);
            KeptOn { by: names.input(&kept.by), until: now.moment + remaining }
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::{Moment, WallTime};
    use idlegate_plan::event::Name;

    #[test]
    fn a_deferral_outlives_a_restart_by_what_was_left_of_it() {
        let mut names = Names::new();
        let night = Name::new("night").unwrap();
        let before = Now { moment: Moment(1_000), wall: WallTime(1_000_000) };
        let deferral = Some(KeptUntil::of(night, Moment(5_000), before));
        let written = KeptState { deferral, ..KeptState::default() };

        let after = Now { moment: Moment(70), wall: WallTime(1_001_500) };
        let recalled = recall(&written, &mut names, Span::secs(60), after);
        assert_eq!(recalled.deferral.unwrap().expires_at, Moment(70 + 2_500));

        let clock_reset = Now { moment: Moment(70), wall: WallTime(0) };
        let recalled = recall(&written, &mut names, Span::secs(60), clock_reset);
        assert_eq!(recalled.deferral.unwrap().expires_at, Moment(70 + 4_000));
    }
}
