//! `idlegate record`.

use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;

use super::exit_code::Exit;
use super::output::print_error;
use super::screen::until_interrupted;
use super::short_connection::ShortConnection;
use super::{rules, runtime, times};
use idlegate_guard::time::Span;
use idlegate_os::Clock;
use idlegate_plan::text::counted;
use idlegate_plan::{MachineIx, Plan};
use idlegate_recordings::capture::{Recorder, Rolling};
use idlegate_recordings::recording::Writer;

const PATIENCE: Duration = Duration::from_secs(6);
const BEAT: Duration = Duration::from_millis(500);

/// Record the signals and outlet states of machines, as SenML JSON (RFC 8428) with one pack per line.
///
/// Replay and calibrate read these files. You can kill it at any time and lose at most one line.
#[derive(Debug, clap::Args)]
pub(super) struct RecordArgs {
    /// The rules folder, for the broker, the topics and how to read them.
    #[arg(long, value_name = "DIR")]
    rules: PathBuf,
    /// The broker's port, if not the one in the rules.
    #[arg(long)]
    port: Option<u16>,
    /// Record only these machines.
    #[arg(value_name = "MACHINE")]
    machines: Vec<String>,
    /// The file to write. If it exists already, the old one is renamed.
    #[arg(long, value_name = "FILE", default_value = "recording.jsonl")]
    out: PathBuf,
    /// When the file reaches this size in MiB, rename it and start a new one.
    #[arg(long, value_name = "MIB", default_value_t = 16, value_parser = clap::value_parser!(u64).range(1..=4096))]
    rotate_mib: u64,
    /// How many renamed files of this recording to keep; older ones are deleted. Earlier recordings stay.
    #[arg(long, value_name = "N", default_value_t = 8)]
    keep: usize,
    /// How long to record. Default: until Ctrl-C.
    #[arg(long = "for", value_name = "TIME", value_parser = times::span)]
    during: Option<Span>,
}

impl RecordArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let plan = match rules::for_visitor(&self.rules, self.port)? {
            Ok(plan) => plan,
            Err(exit) => return Ok(exit),
        };
        let named = self.machines.iter().map(|name| rules::machine(&plan, name));
        let machines: Vec<MachineIx> = match named.collect() {
            Ok(machines) => machines,
            Err(exit) => return Ok(exit),
        };
        runtime()?.block_on(run(&plan, &machines, self))
    }
}

async fn run(plan: &Plan, machines: &[MachineIx], wanted: &RecordArgs) -> anyhow::Result<Exit> {
    let mut recorder = Recorder::new(plan, machines);
    let mut connection = match ShortConnection::arrive(plan, &recorder.filters(), PATIENCE).await {
        Ok(connection) => connection,
        Err(error) => {
            print_error!("idlegate: {error:#}");
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
            connection.wait_only(BEAT);
            let Some(message) = connection.hear().await else { continue };
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
    connection.leave().await;
    ended.with_context(|| format!("{}", wanted.out.display()))?;
    print_error!("{}: {}", wanted.out.display(), counted(count, "reading"));
    if recorder.rejected() > 0 {
        print_error!("left out {} that these rules cannot read", counted(recorder.rejected(), "message"));
    }
    Ok(if count > 0 { Exit::Good } else { Exit::No })
}
