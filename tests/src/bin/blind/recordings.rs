//! Recordings of real machines, as their meters spoke, one day after the other. A meter that was silent for ten minutes
//! was silent; that apart nothing may be told of them.

use std::collections::BTreeMap;
use std::sync::Arc;

use anyhow::Result;
use bytes::Bytes;
use idlegate_detectors::Modules;
use idlegate_engine::{Blindness, Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::{Event, LinkState, Message};
use idlegate_plan::{Plan, SharedPlan};
use idlegate_recordings::calibrate::Take;
use idlegate_tests::open_data;
use idlegate_tests::simulation::detecting::Detecting;

/// A meter that said nothing for so long was silent.
const SILENT: u64 = 600_000;

#[derive(Default)]
pub(crate) struct Recorded {
    pub(crate) days: usize,
    pub(crate) readings: usize,
    /// Silences of the recordings themselves that were told.
    pub(crate) gaps: usize,
}

/// Of each meter no more days than these.
pub(crate) fn listen(
    plan: &SharedPlan,
    modules: &Modules,
    days_max: usize,
    faults: &mut Vec<String>,
) -> Result<Recorded> {
    let mut recorded = Recorded::default();
    for part in ["power", "power-hard"] {
        let folder = match open_data::part(part) {
            Ok(folder) => folder,
            Err(why) => {
                println!("blind: {why}");
                continue;
            }
        };
        let mut meters: BTreeMap<String, Vec<Take>> = BTreeMap::new();
        let mut files: Vec<_> =
            std::fs::read_dir(folder)?.filter_map(|entry| Some(entry.ok()?.path())).collect();
        files.sort();
        for file in files.iter().filter(|file| file.to_string_lossy().ends_with(".csv.gz")) {
            let name = file.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let meter: String = name.splitn(3, '-').take(2).collect::<Vec<_>>().join("-");
            let days = meters.entry(meter).or_default();
            if days.len() < days_max {
                days.push(Take::read(file, None)?);
            }
        }
        for (meter, days) in meters {
            let told = hear(plan, modules, &days, &mut recorded);
            faults.extend(told.into_iter().map(|what| format!("{part}/{meter}: {what}")));
        }
    }
    Ok(recorded)
}

/// One machine with this meter.
fn one_machine(plan: &SharedPlan) -> Plan {
    let mut plan = Plan::clone(plan);
    plan.machines.retain(|machine| machine.name.as_str() == "mill");
    plan.inputs.clear();
    plan
}

fn hear(plan: &SharedPlan, modules: &Modules, days: &[Take], recorded: &mut Recorded) -> Vec<String> {
    let mut plan = one_machine(plan);
    // What it draws at most on these days tells work from rest well enough here.
    let most = days.iter().flat_map(|day| &day.samples).map(|sample| sample.watts).fold(0.0, f64::max);
    plan.machines[0].detectors[0].settings = serde_json::json!({ "busy_watts": (most * 0.1).max(5.0), "quiet_watts": (most * 0.08).max(4.0), "dwell": "3 min" });
    let mut table = Table {
        engine: Engine::new(Arc::new(plan), &Former::default(), now(0)),
        detecting: Detecting::new(true, modules),
        told: Vec::new(),
    };
    let mut effects = Vec::new();
    table.engine.start(now(0), &mut effects);
    table.carry_out(now(0), effects);
    let mut wrong = Vec::new();
    let mut offset = 1_000;
    for day in days {
        let Some(first) = day.samples.first() else { continue };
        recorded.days += 1;
        recorded.readings += day.samples.len();
        table.tell(offset, Event::Link(LinkState::Down { why: "another day".to_owned() }));
        table.tell(offset, Event::Link(LinkState::Up));
        table.says(offset, "outlets/mill/says", "on");
        let mut last = offset;
        for sample in &day.samples {
            let at = offset + u64::try_from(sample.at.0 - first.at.0).unwrap_or(0);
            table.wait_until(at);
            table.says(at, "meters/mill", &sample.watts.to_string());
            for (kind, over) in std::mem::take(&mut table.told) {
                let is_gap = kind == Blindness::MeterSilent && (over || at - last >= SILENT);
                recorded.gaps += usize::from(is_gap && !over);
                if !is_gap {
                    wrong.push(format!(
                        "{}: {} at {} s, over: {over}",
                        day.name,
                        kind.word(),
                        (at - offset) / 1_000
                    ));
                }
            }
            last = at;
        }
        // The end of one day and the beginning of the next are nobody's silence.
        offset = last + 1_000;
    }
    wrong
}

fn now(millis: u64) -> Now {
    Now { moment: Moment(millis), wall: WallTime(1_793_577_600_000 + i64::try_from(millis).unwrap_or(0)) }
}

struct Table<'m> {
    engine: Engine,
    detecting: Detecting<'m>,
    told: Vec<(Blindness, bool)>,
}

impl Table<'_> {
    fn wait_until(&mut self, at: u64) {
        while let Some(due) = self.engine.deadline().filter(|due| due.0 <= at) {
            self.tell(due.0, Event::Tick);
        }
    }

    fn says(&mut self, at: u64, topic: &str, payload: &str) {
        let message = Message {
            topic: topic.into(),
            payload: Bytes::copy_from_slice(payload.as_bytes()),
            retained: false,
            proved: true,
            ours: false,
            age: Span(20),
            response_topic: None,
            correlation: None,
        };
        self.tell(at, Event::Message(message));
    }

    fn tell(&mut self, at: u64, event: Event) {
        let mut effects = Vec::new();
        self.engine.handle(now(at), event, &mut effects);
        self.carry_out(now(at), effects);
    }

    fn carry_out(&mut self, now: Now, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Install(install) => {
                    self.detecting.install(install, false).expect("a built-in detector is there");
                }
                Effect::Remove(id) => self.detecting.remove(&id),
                Effect::Feed(feed) => {
                    if let Some(assessed) = self.detecting.feed(feed) {
                        self.tell(now.moment.0, Event::Assessed(assessed));
                    }
                }
                Effect::Blind(told) => {
                    self.told.extend(told.spots.iter().map(|spot| (spot.kind, told.over)));
                }
                _ => {}
            }
        }
    }
}
