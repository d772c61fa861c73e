//! What people want to hear of a machine that has done its job: that it may be switched off now, and that everybody has
//! forgotten it.

use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Control, Guard, PermissiveState, Switch};
use idlegate_plan::JobRules;

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct AfterJob {
    /// It was not to be switched off yet when its job ended.
    waits_for_clear: bool,
    /// Nobody has switched it off since.
    is_left_on: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tell {
    MayBeOff,
    LeftOn { idle_for: Span },
}

impl AfterJob {
    pub(super) fn begin(now: Moment, guard: &Guard, rules: &JobRules) -> AfterJob {
        if guard.policy().control == Control::NeverOff {
            return AfterJob::default();
        }
        let is_clear = guard.state(now) == PermissiveState::Clear;
        AfterJob { waits_for_clear: rules.tells_finished && !is_clear, is_left_on: rules.tells_left_on }
    }

    pub(super) fn see(&mut self, now: Moment, guard: &Guard, rules: &JobRules) -> Option<Tell> {
        match guard.outlet() {
            Some(Switch::On) => {}
            Some(Switch::Off) => {
                *self = AfterJob::default();
                return None;
            }
            None => return None,
        }
        if self.waits_for_clear && guard.state(now) == PermissiveState::Clear {
            self.waits_for_clear = false;
            return Some(Tell::MayBeOff);
        }
        let due = self.deadline(guard, rules)?;
        let idle_for = guard.idle_for(now)?;
        (due <= now).then(|| {
            self.is_left_on = false;
            Tell::LeftOn { idle_for }
        })
    }

    pub(super) fn deadline(&self, guard: &Guard, rules: &JobRules) -> Option<Moment> {
        let counts = self.is_left_on && guard.outlet() == Some(Switch::On);
        Some(guard.clear_since().filter(|_| counts)? + rules.left_on_after)
    }
}
