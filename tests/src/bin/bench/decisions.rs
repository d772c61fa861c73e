//! The guard core alone: decisions a second, and what a decision allocates.

use std::time::Instant;

use anyhow::{Result, ensure};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{
    Arrival, Effect, GestureId, Guard, Input, InputId, Kept, OutletReport, Permissive, PermissiveState,
    Person, Policy, Request, RequestId, RequestKind, Rights, Switch,
};

use super::Size;
use super::table::Table;

pub(crate) fn measure(size: Size) -> Result<Table> {
    let mut table = Table::new("the guard core alone", &["ns/decision", "allocations"]);
    for (name, state) in
        [("off of an idle machine", PermissiveState::Clear), ("of a busy one", PermissiveState::Busy)]
    {
        // The first rounds make the lists as large as they will be.
        let mut bench = Bench::new();
        bench.rounds(100, state)?;
        let begin = Instant::now();
        bench.rounds(size.calls, state)?;
        let each = begin.elapsed().as_secs_f64() * 1e9 / f64::from(size.calls);
        let mut outcome = Ok(());
        let counted = allocation_counter::measure(|| outcome = bench.rounds(1_000, state));
        outcome?;
        #[expect(clippy::cast_precision_loss, reason = "a handful")]
        let allocations = counted.count_total as f64 / 1_000.0;
        table.row(name, &[each, allocations]);
    }
    Ok(table)
}

struct Bench {
    guard: Guard,
    now: Moment,
    asked: u64,
    effects: Vec<Effect>,
}

impl Bench {
    fn new() -> Bench {
        let mut guard = Guard::new(Policy::default(), Kept::default(), Moment(0));
        let mut effects = Vec::new();
        guard.handle(Moment(0), Input::Link(true), &mut effects);
        Bench { guard, now: Moment(1_000), asked: 0, effects }
    }

    /// A reading, an outlet that is on, a request, and its decision.
    fn rounds(&mut self, rounds: u32, state: PermissiveState) -> Result<()> {
        for _ in 0..rounds {
            // Past the repeat guard, and any window.
            self.now = self.now + Span::secs(20);
            let now = self.now;
            self.effects.clear();
            let permissive = Permissive {
                state,
                assessed_at: now,
                as_of: now,
                valid_until: now + Span::secs(60),
                unseen_since: None,
                clears_in: None,
                cautious: false,
            };
            let report = OutletReport { state: Some(Switch::On), at: now };
            self.guard.handle(now, Input::Tick, &mut self.effects);
            self.guard.handle(now, Input::Outlet(report), &mut self.effects);
            self.guard.handle(now, Input::Permissive(permissive), &mut self.effects);
            self.effects.clear();
            self.asked += 1;
            let request = Request {
                id: RequestId(self.asked),
                kind: RequestKind::Off,
                input: InputId(1),
                person: Person::UNNAMED,
                gesture: GestureId(1),
                rights: Rights::PLAIN,
                arrival: Arrival::LIVE,
                keep_for: None,
                offer: None,
                confirm: None,
            };
            self.guard.handle(now, Input::Request(request), &mut self.effects);
            let answers = self.effects.iter().filter(|effect| matches!(effect, Effect::Answer(_))).count();
            ensure!(answers == 1, "{answers} answers to one request: {:?}", self.effects);
        }
        Ok(())
    }
}
