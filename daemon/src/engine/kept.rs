//! What survives a restart, from the guard's numbers to names and back, from moments to wall time and back.

use super::effect::KeptMachine;
use super::names::Names;
use crate::event::Name;
use crate::guard::{Deferral, Kept, Lockout};
use crate::kept::{KeptDeferral, KeptLockout, KeptState};
use crate::time::{Now, Span};

pub(super) fn write_down(machine: &Name, kept: &Kept, names: &Names, now: Now) -> KeptMachine {
    let lockout = kept
        .lockout
        .map(|lockout| KeptLockout { by: names.input_name(lockout.by), emergency: lockout.emergency });
    let deferral = kept
        .deferral
        .map(|deferral| KeptDeferral::until(names.input_name(deferral.by), deferral.expires_at, now));
    KeptMachine { machine: machine.clone(), state: KeptState { lockout, deferral } }
}

pub(super) fn recall(kept: &KeptState, names: &mut Names, deferral_max: Span, now: Now) -> Kept {
    Kept {
        lockout: kept
            .lockout
            .as_ref()
            .map(|lockout| Lockout { by: names.input(&lockout.by), emergency: lockout.emergency }),
        deferral: kept.deferral.as_ref().map(|deferral| {
            let remaining = deferral.remaining_at(now.wall).min(deferral_max);
            Deferral { by: names.input(&deferral.by), expires_at: now.moment + remaining }
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::{Moment, WallTime};

    #[test]
    fn a_deferral_outlives_a_restart_by_what_was_left_of_it() {
        let mut names = Names::new();
        let night = names.input(&Name::new("night").unwrap());
        let deferral = Deferral { by: night, expires_at: Moment(5_000) };
        let kept = Kept { lockout: None, deferral: Some(deferral) };
        let before = Now { moment: Moment(1_000), wall: WallTime(1_000_000) };
        let written = write_down(&Name::new("kiln").unwrap(), &kept, &names, before);

        let after = Now { moment: Moment(70), wall: WallTime(1_001_500) };
        let recalled = recall(&written.state, &mut names, Span::secs(60), after);
        assert_eq!(recalled.deferral.unwrap().expires_at, Moment(70 + 2_500));

        let clock_reset = Now { moment: Moment(70), wall: WallTime(0) };
        let recalled = recall(&written.state, &mut names, Span::secs(60), clock_reset);
        assert_eq!(recalled.deferral.unwrap().expires_at, Moment(70 + 4_000));
    }
}
