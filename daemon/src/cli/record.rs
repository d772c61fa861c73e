//! `idlegate record`.

use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;

use super::exit_code::Exit;
use super::screen::until_interrupted;
use super::visitor::Visitor;
use super::{rules, runtime};
use crate::capture::{Recorder, Rolling};
use crate::plan::Plan;
use crate::recording::Writer;
use crate::text::counted;
use crate::time::Clock;

const PATIENCE: Duration = Duration::from_secs(6);
const BEAT: Duration = Duration::from_millis(500);

#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) rules: PathBuf,
    pub(super) port: Option<u16>,
    pub(super) machines: Vec<String>,
    pub(super) out: PathBuf,
    pub(super) rotate_mib: u64,
    pub(super) keep: usize,
    pub(super) during: Option<crate::time::Span>,
}

pub(super) fn record(wanted: &Wanted) -> anyhow::Result<Exit> {
    let plan = match rules::for_visitor(&wanted.rules, wanted.port)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(exit),
    };
    let named = wanted.machines.iter().map(|name| rules::machine(&plan, name));
    let machines: Vec<usize> = match named.collect() {
        Ok(machines) => machines,
        Err(exit) => return Ok(exit),
    };
    runtime()?.block_on(run(&plan, &machines, wanted))
}

async fn run(plan: &Plan, machines: &[usize], wanted: &Wanted) -> anyhow::Result<Exit> {
    let mut recorder = Recorder::new(plan, machines);
    let mut visitor = match Visitor::arrive(plan, &recorder.filters(), PATIENCE).await {
        Ok(visitor) => visitor,
        Err(error) => {
            eprintln!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    let bytes_max = wanted.rotate_mib.saturating_mul(1024 * 1024);
    let file = Rolling::begin(&wanted.out, bytes_max, wanted.keep, Clock.now().wall)
        .with_context(|| format!("cannot record to {}", wanted.out.display()))?;
    let mut writer = Writer::new(file);
    let until = wanted.during.map(|during| tokio::time::Instant::now() + Duration::from(during));
    let bar = std::io::stderr().is_terminal().then(indicatif::ProgressBar::new_spinner);
    let mut count = 0_u64;
    let mut recording = async || -> anyhow::Result<()> {
        while until.is_none_or(|until| tokio::time::Instant::now() < until) {
            visitor.wait_only(BEAT);
            let Some(message) = visitor.hear().await else { continue };
            let now = Clock.now();
            for taken in recorder.take(now, &message) {
                writer.write(&taken.name, taken.unit.as_deref(), taken.at, &taken.value)?;
                count += 1;
            }
            writer.get_mut().turn(now.wall)?;
            if let Some(bar) = &bar {
                bar.set_message(format!("{}; Ctrl-C to stop", counted(count, "reading")));
                bar.tick();
            }
        }
        Ok(())
    };
    let ended = until_interrupted(recording()).await;
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    visitor.leave().await;
    ended.with_context(|| format!("{}", wanted.out.display()))?;
    eprintln!("{}: {}", wanted.out.display(), counted(count, "reading"));
    if recorder.rejected() > 0 {
        eprintln!("left out {} that these rules cannot read", counted(recorder.rejected(), "message"));
    }
    Ok(if count > 0 { Exit::Good } else { Exit::No })
}
