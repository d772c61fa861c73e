//! Orders on their way to the outlets, and what they did to the jobs there.

use idlegate_engine::Order;
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, Switch};

use super::Carelessness;
use super::figures::{self, Figures};
use super::plants::Plant;
use super::rules::{PLACES, place_of};
use super::wire::{Commanded, Due};
use super::world::World;

impl World<'_> {
    pub(super) fn order(&mut self, order: &Order) {
        let Some(place) = place_of(order.machine.as_str()) else { return };
        let (switch, cause) = (order.switch, order.cause);
        let (word, why, nth) = (switch.word(), cause.word(), order.resend);
        self.trace.tell(self.now, format_args!("{}: order {word}, {why}, sending {nth}", order.machine));
        if order.shadow {
            return Figures::count(&mut self.figures.orders, "shadow");
        }
        Figures::count(
            &mut self.figures.orders,
            match (switch, cause) {
                _ if nth > 0 => "sent again",
                (Switch::On, _) => "on",
                (Switch::Off, Cause::Plain) => "off",
                (Switch::Off, Cause::Forced) => "off forced",
                (Switch::Off, Cause::Emergency) => "off emergency",
            },
        );
        if !self.line.up {
            return Figures::count(&mut self.figures.faults, "order not sent");
        }
        self.judge_sees_order(place, switch);
        if self.broken.lossy > 0 && self.luck.happens(0.3) {
            return Figures::count(&mut self.figures.faults, "order lost");
        }
        let late = self.broken.lossy > 0 && self.luck.happens(0.3);
        let delay =
            if late { self.luck.span(Span(100), Span(5_000)) } else { self.luck.span(Span(3), Span(30)) };
        let commanded = Commanded { place, switch, cause, sent: self.now };
        let at = (self.now + delay + self.waits_for_better_times()).max(self.line.frozen_until);
        self.agenda.plan(at, Due::ToOutlet(commanded));
    }

    pub(super) fn order_arrives(&mut self, commanded: Commanded) {
        let Commanded { place, switch, sent, .. } = commanded;
        let now = self.now;
        let index = self.oracle.watched[place].index;
        let order = self.plan.machines[index].outlet.order.as_ref();
        let expiry = order.expect("every machine of the simulation can be switched").expiry;
        if now > sent + expiry && !self.has(Plant::ExpiredDelivered) {
            if self.life.careless != Some(Carelessness::CommandsNeverExpire) {
                return Figures::count(&mut self.figures.faults, "order expired");
            }
            self.oracle.violated(format!("late: an order took effect {} after it was sent", now.since(sent)));
        }
        if !self.station(place).outlet.faults.dead {
            self.judge_sees_arrival(&commanded);
            let station = self.station(place);
            station.outlet.order(switch, now);
            self.bench[place].moves.push((now + Span(120), commanded));
        }
    }

    /// Who ended that job?
    pub(super) fn look_at_jobs(&mut self) {
        let now = self.now;
        self.judge_sees_truth();
        for place in 0..PLACES.len() {
            let jobs = self.station(place).jobs();
            let bench = &mut self.bench[place];
            self.figures.jobs_done += u64::from(jobs.done - bench.done);
            bench.done = jobs.done;
            let cut = jobs.cut > bench.cut;
            bench.cut = jobs.cut;
            let due = |(at, _): &(Moment, Commanded)| *at <= now;
            let mover = bench.moves.iter().rev().find(|entry| due(entry) && entry.1.switch == Switch::Off);
            let mover = mover.map(|(_, commanded)| *commanded);
            self.court_sees_truth(place, mover);
            if cut {
                self.job_was_cut(place, mover);
            }
            self.bench[place].moves.retain(|entry| !due(entry));
        }
    }

    fn job_was_cut(&mut self, place: usize, mover: Option<Commanded>) {
        let now = self.now;
        let at = PLACES[place];
        let ran = now.since(self.bench[place].job_began);
        let how = match mover {
            None => figures::BY_ANOTHER_ROUTE,
            Some(Commanded { cause: Cause::Forced, .. }) => figures::BY_FORCE,
            Some(Commanded { cause: Cause::Emergency, .. }) => figures::BY_EMERGENCY,
            Some(Commanded { cause: Cause::Plain, sent, .. }) => {
                // A meter that goes quiet just before the job, then looks into its pauses only; and the order's way.
                let blind_max = at.stale_after + at.quiet_max + Span::secs(5);
                let looked_from = self.bench[place].job_began - at.dwell - at.stale_after;
                let sound = self.meter_sound_since(place).is_some_and(|since| since < looked_from);
                let unjudged = self.oracle.doubt(now, place, true).filter(|_| now.since(sent) < Span(200));
                if !sound {
                    figures::METER_LIED
                } else if ran <= blind_max {
                    self.figures.unseen_max = self.figures.unseen_max.max(ran);
                    figures::UNSEEN
                } else {
                    let doubt = unjudged.unwrap_or_default();
                    let name = at.machine;
                    self.oracle
                        .violated(format!("cut: {name}'s job was cut after {ran} in plain sight {doubt}"));
                    figures::WRONGLY
                }
            }
        };
        self.trace.tell(now, format_args!("{}: job cut after {ran}, {how}", at.machine));
        Figures::count(&mut self.figures.cuts, how);
    }
}
