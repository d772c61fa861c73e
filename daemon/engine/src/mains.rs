//! Power that is back: which jobs were lost with it, and which machines came back on by themselves.
//!
//! Outlets out of sight together may have lost their power, or only their network. What they were before and are
//! afterwards tells: a job that does not go on, or an outlet that was off and is on, though nobody asked for that.
//! Without either nothing is told.
//!
//! When the guard's own computer lost its power as well, a start finds what a former run knew of the outlets.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Announced, Effect, PowerBack};
use super::jobs::JobEnd;
use super::silences::Sight;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Announcement, Switch};
use idlegate_plan::MachineIx;
use idlegate_plan::event::Name;
use idlegate_plan::text::hour_and_minute;

/// Once the first is back, it is waited for so long for the others, and for what becomes of their jobs.
const PATIENCE: Span = Span::secs(900);
/// After a start an outlet may be heard as the broker had stored it, before it has power itself; so its word is final
/// only after this time.
const FIRST_WORDS: Span = Span::secs(120);

#[derive(Debug, Default)]
pub(super) struct Mains {
    gone: Vec<Gone>,
    /// When the first of them was back.
    back_at: Option<Now>,
    /// Our own computer had no power, either.
    ours_too: bool,
    /// What outlets say is final.
    is_final: bool,
}

/// What a run knew that ended because its computer lost its power.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FormerPower {
    /// Its last sign of life.
    pub since: WallTime,
    pub outlets: Vec<(Name, Switch)>,
}

#[derive(Debug)]
struct Gone {
    at: Now,
    machine: Name,
    title: Arc<str>,
    hazardous: bool,
    was: Switch,
    is: Option<Switch>,
    job: ItsJob,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum ItsJob {
    None,
    /// Nobody knows yet what becomes of it.
    Open,
    /// Its machine has had power all the time, or had none to lose.
    GoesOn,
    Lost,
}

impl Gone {
    fn is_settled(&self) -> bool {
        self.is.is_some() && self.job != ItsJob::Open
    }

    fn came_on(&self) -> bool {
        self.was == Switch::Off && self.is == Some(Switch::On)
    }
}

impl Mains {
    pub(super) fn deadline(&self) -> Option<Moment> {
        let waits = if self.ours_too && !self.is_final { FIRST_WORDS } else { PATIENCE };
        self.back_at.map(|back| back.moment + waits)
    }

    fn is_settled(&self) -> bool {
        if self.ours_too {
            self.is_final && (self.gone.iter().all(Gone::is_settled) || self.gone.iter().any(Gone::came_on))
        } else {
            self.gone.iter().all(Gone::is_settled)
        }
    }

    /// One outlet alone may be out of sight for a reason of its own.
    fn enough(&self) -> usize {
        if self.ours_too { 1 } else { 2 }
    }

    fn find(&mut self, machine: &Name) -> Option<&mut Gone> {
        self.gone.iter_mut().find(|gone| gone.machine == *machine)
    }
}

impl Engine {
    /// An outlet can no longer be seen, though our link is up; before, it was known to be on or off.
    pub(super) fn may_be_without_power(&mut self, now: Now, index: MachineIx, was: Switch) {
        let machine = &self.machines[index];
        let (name, title) = machine.names();
        let (hazardous, job) = (machine.rules().hazardous, machine.jobs.begun());
        let mains = &mut self.mains;
        // Another one that has been missing for long is missing for another reason; and this one was back too shortly.
        mains.gone.retain(|gone| gone.machine != name && now.moment.since(gone.at.moment) < PATIENCE);
        let job = if job.is_some() { ItsJob::Open } else { ItsJob::None };
        mains.gone.push(Gone { at: now, machine: name, title, hazardous, was, is: None, job });
    }

    /// Right after a start: our own computer lost its power, and with it, perhaps, whatever is fed by the same mains.
    pub fn recall_power(&mut self, former: &FormerPower, now: Now) {
        let at = Now { moment: now.moment, wall: former.since };
        for (name, was) in &former.outlets {
            let Some((index, rules)) = self.plan.machine(name.as_str()) else { continue };
            let job = if self.machines[index].jobs.begun().is_some() { ItsJob::Open } else { ItsJob::None };
            self.machines[index].jobs.lost_with_others();
            let (machine, title) = (name.clone(), rules.title.as_str().into());
            let (hazardous, is) = (rules.hazardous, self.machines[index].guard.outlet());
            if is.is_some() {
                self.mains.back_at.get_or_insert(now);
            }
            self.mains.gone.push(Gone { at, machine, title, hazardous, was: *was, is, job });
        }
        self.mains.ours_too = !self.mains.gone.is_empty();
    }

    pub(super) fn job_was_lost(&mut self, index: MachineIx, how: JobEnd) {
        let name = self.machine_name(index);
        if let Some(gone) = self.mains.find(&name).filter(|gone| gone.job == ItsJob::Open) {
            gone.job = match how {
                JobEnd::PowerLost | JobEnd::Unseen => ItsJob::Lost,
                JobEnd::Finished
                | JobEnd::Forced
                | JobEnd::Emergency
                | JobEnd::CountedAsIdle
                | JobEnd::CutElsewhere => ItsJob::GoesOn,
            };
        }
    }

    /// Something has happened at this machine.
    pub(super) fn look_at_mains_of(&mut self, now: Now, index: MachineIx) {
        if self.mains.gone.is_empty() {
            return;
        }
        let machine = &self.machines[index];
        let (outlet, works) = (machine.guard.outlet(), machine.work == Sight::Working);
        let goes_on = works && machine.jobs.begun().is_some();
        let name = machine.rules().name.clone();
        let (ours_too, is_final) = (self.mains.ours_too, self.mains.is_final);
        let Some(gone) = self.mains.find(&name) else { return };
        let Some(outlet) = outlet else { return };
        if ours_too && !is_final {
            gone.is = Some(outlet);
        }
        gone.is.get_or_insert(outlet);
        if goes_on && gone.job == ItsJob::Open {
            gone.job = ItsJob::GoesOn;
        }
        self.mains.back_at.get_or_insert(now);
    }

    pub(super) fn look_at_mains(&mut self, now: Now, out: &mut Vec<Effect>) {
        let mains = &mut self.mains;
        let Some(back_at) = mains.back_at else { return };
        mains.is_final |= back_at.moment + FIRST_WORDS <= now.moment;
        let is_late = back_at.moment + PATIENCE <= now.moment;
        if !is_late && !mains.is_settled() {
            return;
        }
        let (enough, ours_too) = (mains.enough(), mains.ours_too);
        let gone = std::mem::take(mains).gone;
        let lost = |gone: &&Gone| gone.job == ItsJob::Lost;
        let has_lost_power = gone.iter().any(|gone| lost(&gone) || gone.came_on());
        if gone.len() < enough || !has_lost_power {
            return;
        }
        let on = |gone: &&Gone| gone.is == Some(Switch::On) && gone.job != ItsJob::GoesOn;
        let titles = |of: &dyn Fn(&&Gone) -> bool| {
            gone.iter().filter(|gone| of(gone)).map(|gone| gone.title.clone()).collect()
        };
        let zone = &self.plan.shop.zone;
        let since = gone.iter().map(|gone| gone.at.wall).min().unwrap_or(back_at.wall);
        let power = PowerBack {
            from: hour_and_minute(since, zone),
            until: hour_and_minute(back_at.wall, zone),
            jobs: titles(&lost),
            on: titles(&on),
            ours_too,
        };
        let urgent = gone.iter().any(|gone| on(&gone) && gone.hazardous);
        let mut named = gone.iter().filter(|gone| lost(gone) || on(gone));
        let Some(index) = named.next().and_then(|first| Some(self.plan.machine(first.machine.as_str())?.0))
        else {
            return;
        };
        let others = named.map(|gone| (gone.machine.clone(), gone.title.clone())).collect();
        let announced = self.announced(now, index, Announcement::PowerBack { urgent }, None);
        out.push(Effect::Announce(Box::new(Announced { others, power: Some(Box::new(power)), ..announced })));
    }
}
