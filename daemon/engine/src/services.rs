//! What a machine has done since it was serviced last, and whether that is due again.
//!
//! Time counts only in as far as it was seen: from one look to the next, and no longer than what was read then was
//! worth. A doubt, a crash and a computer that slept are times in which nobody saw the machine work.

use std::sync::Arc;

use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptService;
use idlegate_plan::{Service, ServiceMeasure};

/// So often it is looked at while something counts, and so much a crash may cost.
const LOOK_EVERY: Span = Span::secs(60);
/// What was seen is believed for so long, while nobody looks.
const SEEN_FOR: Span = Span::secs(90);
const DAY: Span = Span::secs(86_400);
/// 2026-01-01.
const CLOCK_MIN: WallTime = WallTime(1_767_225_600_000);

/// What is seen of a machine from now on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seen {
    /// Its detectors say so, until then at most.
    pub(super) working: bool,
    pub(super) outlet: Option<Switch>,
    pub(super) until: Moment,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Services {
    /// One for each that the rules have, in their order; and those that the rules had.
    counters: Vec<KeptService>,
    seen: Option<(Moment, Seen)>,
    last_switch: Option<Switch>,
    wall: WallTime,
    /// As they were kept last.
    kept: Vec<KeptService>,
    kept_at: Moment,
}

/// One of them, for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceStatus {
    pub service: Name,
    /// "52 h since the lens was cleaned (every 50 h)".
    pub words: Arc<str>,
    pub due: bool,
    pub counts: ServiceMeasure,
    /// Milliseconds, or times.
    pub counted: u64,
    pub every: u64,
    /// When it was done last, or counting began.
    pub since: WallTime,
    pub by: Option<Name>,
    pub who: Option<Arc<str>>,
}

impl Services {
    /// What a former run, or whoever guarded before, had counted. What was counted since is added to it.
    pub(super) fn recall(&mut self, kept: &[KeptService]) {
        if self.counters.is_empty() {
            self.kept = kept.to_vec();
        }
        for kept in kept {
            match self.counters.iter_mut().find(|counter| counter.name == kept.name) {
                // The same count, as two remember it.
                Some(counter) if counter.nth == kept.nth && counter.since == kept.since => {
                    counter.counted = counter.counted.max(kept.counted);
                    counter.told |= kept.told;
                }
                // It began anew with this run, since nobody knew of the former one yet.
                Some(counter) if counter.nth == 0 && kept.nth == 0 => {
                    counter.counted = counter.counted.saturating_add(kept.counted);
                    counter.since = counter.since.min(kept.since);
                    counter.told |= kept.told;
                }
                Some(counter) if counter.nth < kept.nth => *counter = kept.clone(),
                Some(_) => {}
                None => self.counters.push(kept.clone()),
            }
        }
        self.counters.sort_by(|one, other| one.name.cmp(&other.name));
    }

    /// New services begin to count now; one that is no longer in the rules keeps what it has.
    fn follow(&mut self, now: Now, rules: &[Service]) {
        // A clock that was never set says nothing about days: they count from when it was.
        for counter in self.counters.iter_mut().filter(|it| it.since < CLOCK_MIN && now.wall >= CLOCK_MIN) {
            counter.since = now.wall;
        }
        for service in rules {
            if self.counters.iter().all(|counter| counter.name != service.name) {
                let since = now.wall;
                let name = service.name.clone();
                let new = KeptService { name, nth: 0, counted: 0, since, by: None, who: None, told: false };
                self.counters.push(new);
                self.counters.sort_by(|one, other| one.name.cmp(&other.name));
            }
        }
    }

    /// Counts what was seen until now, and takes in what is seen from now on. Gives the services that have just come
    /// due.
    pub(super) fn see(&mut self, now: Now, seen: Seen, rules: &[Service]) -> Vec<ServiceStatus> {
        self.follow(now, rules);
        self.wall = now.wall;
        let before = self.seen.replace((now.moment, seen));
        let passed = |until: fn(&Seen) -> Moment| {
            let Some((at, before)) = &before else { return 0 };
            // Nobody looked for longer: then nobody saw what it did.
            let looked = *at + SEEN_FOR;
            now.moment.min(until(before)).min(looked).since(*at).0
        };
        let (worked, passed) = (passed(|seen| seen.until), passed(|_| Moment(u64::MAX)));
        let switched_on = seen.outlet == Some(Switch::On) && self.last_switch == Some(Switch::Off);
        self.last_switch = seen.outlet.or(self.last_switch);
        let before = before.map(|(_, before)| before);
        let mut due = Vec::new();
        for service in rules {
            let more = match service.counts {
                ServiceMeasure::Busy if before.is_some_and(|before| before.working) => worked,
                ServiceMeasure::On if before.is_some_and(|before| before.outlet == Some(Switch::On)) => {
                    passed
                }
                ServiceMeasure::SwitchOns => u64::from(switched_on),
                ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar => 0,
            };
            let Some(counter) = self.counters.iter_mut().find(|counter| counter.name == service.name) else {
                continue;
            };
            counter.counted = counter.counted.saturating_add(more);
            if !counter.told && counted(counter, service, now.wall) >= service.every {
                counter.told = true;
                due.push(status(counter, service, now.wall));
            }
        }
        due
    }

    /// Whether what was counted is to be kept now: once a minute while it goes on, and at once where it comes to more
    /// than that.
    pub(super) fn wants_keeping(&mut self, now: Moment, at_once: bool) -> bool {
        let told = |services: &[KeptService]| -> Vec<(u64, bool)> {
            services.iter().map(|service| (service.nth, service.told)).collect()
        };
        let news = self.counters != self.kept;
        let wants = news
            && (at_once || now.since(self.kept_at) >= LOOK_EVERY || told(&self.counters) != told(&self.kept));
        if wants {
            self.kept.clone_from(&self.counters);
            self.kept_at = now;
        }
        wants
    }

    pub(super) fn counters(&self) -> &[KeptService] {
        &self.counters
    }

    /// When to look again, if nothing happens before.
    pub(super) fn deadline(&self, now: Moment, rules: &[Service]) -> Option<Moment> {
        let (at, seen) = self.seen?;
        let counting = |service: &Service| match service.counts {
            ServiceMeasure::Busy => seen.working,
            ServiceMeasure::On => seen.outlet == Some(Switch::On),
            ServiceMeasure::SwitchOns => false,
            ServiceMeasure::Calendar => true,
        };
        let due = at + LOOK_EVERY;
        let due = if due > now { due } else { now + LOOK_EVERY };
        (rules.iter().any(counting) || self.counters != self.kept).then_some(due)
    }

    /// Somebody has done it. How it stood before.
    pub(super) fn done(
        &mut self,
        now: Now,
        service: &Service,
        by: &Name,
        who: Option<&Arc<str>>,
    ) -> Option<ServiceStatus> {
        let counter = self.counters.iter_mut().find(|counter| counter.name == service.name)?;
        let before = status(counter, service, now.wall);
        *counter = KeptService {
            name: counter.name.clone(),
            nth: counter.nth.saturating_add(1),
            counted: 0,
            since: now.wall,
            by: Some(by.clone()),
            who: who.cloned(),
            told: false,
        };
        Some(before)
    }

    pub(super) fn status(&self, rules: &[Service]) -> Vec<ServiceStatus> {
        let counter = |service: &Service| self.counters.iter().find(|counter| counter.name == service.name);
        rules.iter().filter_map(|service| Some(status(counter(service)?, service, self.wall))).collect()
    }
}

/// By the calendar a clock that was set back counts nothing.
fn counted(counter: &KeptService, service: &Service, now: WallTime) -> u64 {
    match service.counts {
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::SwitchOns => counter.counted,
        ServiceMeasure::Calendar => u64::try_from(now.0.saturating_sub(counter.since.0)).unwrap_or(0),
    }
}

/// How a service stands, from what is kept of it.
pub fn status(counter: &KeptService, service: &Service, now: WallTime) -> ServiceStatus {
    let counted = counted(counter, service, now);
    let words = format!(
        "{} since {} (every {})",
        amount(service.counts, counted),
        service.done,
        amount(service.counts, service.every)
    );
    ServiceStatus {
        service: service.name.clone(),
        words: words.into(),
        due: counted >= service.every,
        counts: service.counts,
        counted,
        every: service.every,
        since: counter.since,
        by: counter.by.clone(),
        who: counter.who.clone(),
    }
}

/// As people say it: whole hours, and what is less in minutes or seconds; whole days by the calendar.
fn amount(counts: ServiceMeasure, counted: u64) -> String {
    const HOUR: u64 = 3_600_000;
    match counts {
        ServiceMeasure::SwitchOns => format!("{counted} switch-ons"),
        ServiceMeasure::Calendar if counted >= DAY.0 => idlegate_plan::text::counted(counted / DAY.0, "day"),
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar if counted >= HOUR => {
            format!("{} h", counted / HOUR)
        }
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar if counted >= 60_000 => {
            format!("{} min", counted / 60_000)
        }
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar => {
            format!("{} s", counted / 1_000)
        }
    }
}

#[cfg(test)]
#[path = "services_tests.rs"]
mod tests;
