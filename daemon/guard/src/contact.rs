//! Emergency contacts: what has a position keeps a machine from being switched on for as long as it is pushed in. Being
//! pushed is a request like any other emergency; what is told here switches nothing.

use alloc::vec::Vec;

use super::announcement::Announcement;
use super::effect::Effect;
use super::input::{ContactReport, Switch};
use super::locks::Lockout;
use super::machine::Guard;
use super::policy::Control;

impl Guard {
    pub(super) fn contact(&mut self, report: ContactReport, out: &mut Vec<Effect>) {
        self.pushed = report.pushed;
        let Some(input) = report.pushed else { return };
        // An on that the outlet has not confirmed must not be sent again.
        self.pending = self.pending.filter(|pending| pending.switch == Switch::Off);
        if !report.found || self.policy.control == Control::Watched {
            return;
        }
        // Nobody knows since when, or what has been done about it: whoever is there decides, and nothing goes on
        // meanwhile.
        if !self.locks.has_emergency() {
            self.locks.add(Lockout::emergency(input));
            self.keep(out);
        }
        let urgent = self.outlet.state != Some(Switch::Off);
        out.push(Effect::Announce(Announcement::FoundPushed { input, urgent }));
    }
}
