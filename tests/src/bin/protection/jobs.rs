//! Whether the guard notices each true job as exactly one: by the records that it would write, from readings alone.

use std::sync::Arc;

use anyhow::{Context, Result, anyhow, ensure};
use bytes::Bytes;
use idlegate_detectors::{Inline, Modules};
use idlegate_engine::{Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::{Event, LinkState, Message, Name};
use idlegate_plan::{Plan, SharedPlan};
use idlegate_recordings::calibrate::{JobWorth, Settings, Take, calibrate};
use idlegate_recordings::replay::{TemporaryModule, TemporaryRules, TemporarySignal};
use idlegate_rules::{self as rules, Surroundings, SystemSecrets};
use serde_json::{Value as Json, json};

use super::meters::{Day, Meter, marks};

/// What must be found of all true jobs.
const FOUND_MIN: f64 = 0.95;
/// The machine stays on for so long after the last reading, so that the last job can end.
const AFTERWARDS: Span = Span::secs(3_600);
/// These meters fall silent for minutes, and go on as if nothing had been: as their rules would say.
const SILENT: Span = Span::secs(360);
const BEGIN: Moment = Moment(1_000_000);

/// With the settings that a meter's marked days give. Fails if too few are found.
pub(crate) fn all(meters: &[Meter], modules: &Modules, every: usize) -> Result<Json> {
    println!("\njobs on record, {}", if every == 1 { "all days" } else { "some of the days" });
    let (mut jobs, mut found, mut rows) = (0, 0, Vec::new());
    for meter in meters {
        let takes: Vec<Take> = meter.days.iter().map(|day| day.take.clone()).collect();
        let (mut of_meter, mut found_of_it, mut on_record) = (0, 0, 0);
        let words = match calibrate(&takes, &marks(&meter.days), JobWorth::default()) {
            Ok(proposal) => {
                let pause = longest_pause(&meter.days, proposal.settings.quiet_watts);
                for day in meter.days.iter().step_by(every) {
                    let records = recorded(day, &proposal.settings, pause, modules)?;
                    of_meter += day.jobs.len();
                    found_of_it +=
                        day.jobs.iter().enumerate().filter(|(job, _)| is_one(day, *job, &records)).count();
                    on_record += records.len();
                }
                format!(
                    "{} W, {}, pause {pause}",
                    proposal.settings.quiet_watts,
                    proposal.settings.dwell_text()
                )
            }
            // Nobody guards by what is refused, and no job of it counts for or against.
            Err(refusal) => format!("refused: {refusal}"),
        };
        println!(
            "  {:<24}{found_of_it:>5} of {of_meter:>4} as exactly one, {on_record:>4} on record   {words}",
            meter.name
        );
        rows.push(
            json!({ "meter": meter.name, "jobs": of_meter, "found": found_of_it, "on_record": on_record }),
        );
        (jobs, found) = (jobs + of_meter, found + found_of_it);
    }
    #[expect(clippy::cast_precision_loss, reason = "there are few jobs")]
    let share = found as f64 / jobs.max(1) as f64;
    println!("  {found} of {jobs} true jobs are on record as exactly one ({:.1} %)", share * 100.0);
    ensure!(
        share >= FOUND_MIN,
        "fewer than {:.0} % of the true jobs are on record as exactly one",
        FOUND_MIN * 100.0
    );
    Ok(json!({ "jobs": jobs, "found": found, "meters": rows }))
}

/// As the rules of a machine give it whose jobs are known: the longest pause in one of them, and a little more.
fn longest_pause(days: &[Day], level_watts: f64) -> Span {
    let each =
        days.iter().flat_map(|day| day.jobs.iter().map(|job| day.longest_pause_secs(*job, level_watts)));
    let longest = each.fold(0.0, f64::max);
    Span::from(std::time::Duration::from_secs_f64(longest)) + Span::secs(5)
}

/// It has one record, which is of no other.
fn is_one(day: &Day, job: usize, records: &[(i64, i64)]) -> bool {
    let overlaps = |(from, until): &(i64, i64), job: usize| {
        let job = day.jobs[job];
        *from <= job.until.0 && job.from.0 <= *until
    };
    let its: Vec<_> = records.iter().filter(|record| overlaps(record, job)).collect();
    let [one] = its.as_slice() else { return false };
    (0..day.jobs.len()).filter(|other| overlaps(one, *other)).count() == 1
}

/// From when to when each job lasted, as the guard would put it on record.
fn recorded(day: &Day, settings: &Settings, pause: Span, modules: &Modules) -> Result<Vec<(i64, i64)>> {
    let mut guard = Guard::new(
        Arc::new(plan(settings, pause, modules)?),
        modules,
        day.take.samples.first().map_or(0, |it| it.at.0),
    )?;
    guard.hears("replay/state", "on")?;
    for (at, watts) in day.draws() {
        guard.until(at)?;
        guard.hears("replay/power", &watts.to_string())?;
    }
    let end = guard.now.wall.0 + i64::try_from(AFTERWARDS.0)?;
    // Nobody knows what it drew then, but that it was no work.
    while guard.now.wall.0 < end {
        guard.until(guard.now.wall.0 + 5_000)?;
        guard.hears("replay/power", "0")?;
    }
    Ok(guard.records)
}

fn plan(settings: &Settings, pause: Span, modules: &Modules) -> Result<Plan> {
    let power = TemporarySignal { name: Name::new("power")?, unit: "W".to_owned(), text: false };
    let rules = TemporaryRules::of_signals(
        &[power],
        TemporaryModule::BuiltIn("power-threshold"),
        &settings.to_toml(),
    )?;
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let compiled = rules::compile(&rules::load(&rules.path()), &around);
    let mut plan = compiled.map_err(|problems| anyhow!("the rules cannot be used: {problems:?}"))?.plan;
    for machine in &mut plan.machines {
        machine.jobs.pause = Some(pause);
        machine.signals.iter_mut().for_each(|signal| signal.stale_after = SILENT);
    }
    Ok(plan)
}

struct Guard<'a> {
    engine: Engine,
    modules: &'a Modules,
    inline: Inline,
    begin: i64,
    now: Now,
    records: Vec<(i64, i64)>,
}

impl<'a> Guard<'a> {
    fn new(plan: SharedPlan, modules: &'a Modules, begin: i64) -> Result<Guard<'a>> {
        let now = Now { moment: BEGIN, wall: WallTime(begin) };
        let engine = Engine::new(plan, &Former::default(), now);
        let (inline, records) = (Inline::new(), Vec::new());
        let mut guard = Guard { engine, modules, inline, begin, now, records };
        let mut effects = Vec::new();
        guard.engine.start(now, &mut effects);
        guard.carry_out(effects)?;
        guard.tell(Event::Link(LinkState::Up))?;
        Ok(guard)
    }

    /// Time passes. What a recording says late is heard when it is said.
    fn until(&mut self, wall: i64) -> Result<()> {
        let end = BEGIN + Span(u64::try_from(wall - self.begin).unwrap_or(0));
        while let Some(due) = self.engine.deadline().filter(|due| *due < end) {
            self.go_to(due.max(self.now.moment));
            self.tell(Event::Tick)?;
        }
        self.go_to(end.max(self.now.moment));
        Ok(())
    }

    fn go_to(&mut self, moment: Moment) {
        let passed = i64::try_from(moment.since(BEGIN).0).unwrap_or(i64::MAX);
        self.now = Now { moment, wall: WallTime(self.begin + passed) };
    }

    fn hears(&mut self, topic: &str, payload: &str) -> Result<()> {
        self.tell(Event::Message(Message {
            topic: topic.into(),
            payload: Bytes::copy_from_slice(payload.as_bytes()),
            retained: false,
            proved: true,
            ours: false,
            age: Span::ZERO,
            response_topic: None,
            correlation: None,
        }))
    }

    fn tell(&mut self, event: Event) -> Result<()> {
        let mut effects = Vec::new();
        self.engine.handle(self.now, event, &mut effects);
        self.carry_out(effects)
    }

    fn carry_out(&mut self, effects: Vec<Effect>) -> Result<()> {
        for effect in effects {
            match effect {
                Effect::Install(install) => {
                    let installation = self.modules.installation(&install).map_err(|why| anyhow!(why))?;
                    self.inline.install(install.id, install.generation, installation);
                }
                Effect::Remove(id) => self.inline.remove(&id),
                Effect::Feed(feed) => {
                    let assessed = self.inline.feed(feed).context("the detector has no answer")?;
                    self.tell(Event::Assessed(assessed))?;
                }
                Effect::JobEnded(ended) => {
                    let from =
                        ended.over.not_before.map_or(ended.over.ended, |from| from.min(ended.over.ended));
                    self.records.push((ended.over.begun.0, from.0));
                }
                _ => {}
            }
        }
        Ok(())
    }
}
