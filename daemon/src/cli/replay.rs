//! `idlegate replay`.

use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use serde_json::{Value, json};

use super::exit_code::Exit;
use super::output::{self, Gate, print_error};
use super::{kept, times};
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::Span;
use idlegate_messages::effects::sentences;
use idlegate_os::files;
use idlegate_plan::Plan;
use idlegate_plan::event::Name;
use idlegate_plan::text::{counted, rfc3339};
use idlegate_recordings::calibrate::Interval;
use idlegate_recordings::recording::RecordingReader;
use idlegate_recordings::replay::{
    self, Ended, MachineSum, Played, Player, Probe, SignalPlace, StateChange, Sum, TemporaryModule,
    TemporaryRules, TemporarySignal, Timeline, Track, Troubles,
};
use idlegate_rules::{Surroundings, SystemSecrets};

/// Play recordings through the guard, and show what it would have said. Nothing is switched.
///
/// With rules: idlegate replay monday.csv.gz --rules DIR. For a quick look without:
/// idlegate replay monday.csv.gz --settings 'busy_watts = 40, dwell = "3 min"'.
#[derive(Debug, clap::Args)]
pub(super) struct ReplayArgs {
    /// Recordings: CSV or SenML JSON, plain or gzip. Each recorded signal is matched with the rules by its name
    /// (MACHINE/SIGNAL or SIGNAL), or by its unit if only one signal in the rules has that unit.
    #[arg(value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    /// The rules folder, or the file of one machine.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// A recording of one signal, and which signal it is: MACHINE/SIGNAL=FILE or SIGNAL=FILE.
    #[arg(long = "signal", value_name = "NAME=FILE")]
    signals: Vec<NamedFile>,
    /// Without rules: the detector.
    #[arg(
        long = "use",
        value_name = "DETECTOR",
        default_value = "power-threshold",
        conflicts_with = "rules"
    )]
    detector: String,
    /// Without rules: its settings, as JSON or TOML.
    #[arg(long, value_name = "SETTINGS", conflicts_with = "rules")]
    settings: Option<String>,
    /// Ask again and again, throughout the recording, what this request would have done.
    #[arg(long, value_name = "REQUEST", value_parser = ["off"])]
    probe: Option<String>,
    /// How often to ask.
    #[arg(long, value_name = "TIME", default_value = "10s", value_parser = times::span)]
    every: Span,
    /// A CSV table of the actual jobs, with columns start and end, and recording if there are several.
    #[arg(long, value_name = "FILE", requires = "probe")]
    jobs: Option<PathBuf>,
    /// Print one JSON object per line: changes, decisions, and the totals of a probe last.
    #[arg(long)]
    json: bool,
    /// Instead of recordings: try the rules on the readings that Idlegate has kept for so long (keep_readings in
    /// shop.toml), and show which requests they would have answered otherwise. Exit code 1 if one that was held in a
    /// job would switch the machine off.
    #[arg(long, value_name = "TIME", requires = "rules", value_parser = times::span,
        conflicts_with_all = ["recordings", "signals", "probe", "jobs"])]
    last: Option<Span>,
    /// With --last: the state folder with the readings and the journal. Default: the one in the rules.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
}

/// `NAME=FILE`
#[derive(Clone, Debug)]
pub(super) struct NamedFile {
    pub(super) name: String,
    pub(super) file: PathBuf,
}

impl std::str::FromStr for NamedFile {
    type Err = String;

    fn from_str(text: &str) -> Result<NamedFile, String> {
        match text.split_once('=') {
            Some((name, file)) if !name.is_empty() && !file.is_empty() => {
                Ok(NamedFile { name: name.to_owned(), file: file.into() })
            }
            Some(_) | None => Err(format!("{text:?} is not NAME=FILE, such as mill/power=monday.csv.gz")),
        }
    }
}

impl ReplayArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        match (self.last, &self.rules) {
            (Some(last), Some(rules)) => kept::replay(rules, last, self.state_dir.as_deref(), self.json),
            (Some(_) | None, _) => replay(self),
        }
    }
}

fn replay(wanted: &ReplayArgs) -> anyhow::Result<Exit> {
    if wanted.recordings.is_empty() && wanted.signals.is_empty() {
        print_error!("idlegate: there is nothing to replay; give a recording, or --signal NAME=FILE");
        return Ok(Exit::Usage);
    }
    // Compiled once, run for hours: machine code is worth it.
    let modules = Modules::new(Execution::Automatic, None)?;
    let Some(plan) = plan(wanted, &modules)? else { return Ok(Exit::Rules) };
    let timeline = match timeline(wanted, &plan) {
        Ok(timeline) => timeline,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Exit::No);
        }
    };
    let jobs = match &wanted.jobs {
        Some(file) => jobs(file, wanted).with_context(|| format!("{}", file.display()))?,
        None => Vec::new(),
    };
    let mut probe = Probe::new(&plan, wanted.every, jobs);
    let mut page = Page::new(wanted.json);
    let player = Player::new(&plan, &modules, timeline);
    let every = wanted.probe.as_ref().map(|_| wanted.every);
    let ended =
        player.play(every, |heard| page.heard(&heard), |at, machine, state| probe.note(at, machine, state));
    let ended = match ended {
        Ok(ended) => ended,
        Err(error) => {
            page.out.flush()?;
            print_error!("idlegate: {:#}", anyhow::Error::from(error));
            return Ok(Exit::No);
        }
    };
    page.finish(&ended, wanted.probe.as_ref().map(|_| probe.sum()))?;
    Ok(Exit::Good)
}

/// From the folder, from a machine's file, or for a quick look from the command line alone.
fn plan(wanted: &ReplayArgs, modules: &Modules) -> anyhow::Result<Option<Plan>> {
    let quick = match &wanted.rules {
        Some(path) if path.is_file() => Some(TemporaryRules::of_machine_file(path)?),
        Some(_) => None,
        None => Some(quick(wanted)?),
    };
    let dir = quick.as_ref().map(TemporaryRules::path).or_else(|| wanted.rules.clone()).unwrap_or_default();
    let folder = idlegate_rules::load(&dir);
    match idlegate_rules::compile(
        &folder,
        &Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK },
    ) {
        Ok(compiled) => Ok(Some(compiled.plan)),
        Err(problems) => {
            for problem in problems.iter().filter(|problem| problem.is_error()) {
                print_error!("{}", problem.render());
            }
            Ok(None)
        }
    }
}

fn quick(wanted: &ReplayArgs) -> anyhow::Result<TemporaryRules> {
    let mut signals = Vec::new();
    for NamedFile { name, file } in &wanted.signals {
        let own = name.rsplit('/').next().unwrap_or(name);
        let first = RecordingReader::open(file)?.next().transpose()?;
        let unit = first.and_then(|point| point.unit).map_or("W".to_owned(), |unit| unit.to_string());
        signals.push(TemporarySignal { name: Name::new(own)?, unit, text: false });
    }
    if signals.is_empty() {
        signals.push(TemporarySignal { name: Name::new("power")?, unit: "W".to_owned(), text: false });
    }
    let Some(text) = &wanted.settings else {
        bail!(
            "without --rules, use --settings to say what counts as busy, such as --settings 'busy_watts = 40, dwell = \"3 min\"'"
        );
    };
    Ok(TemporaryRules::of_signals(&signals, TemporaryModule::BuiltIn(&wanted.detector), &settings(text)?)?)
}

/// A JSON object, or the inside of a TOML inline table.
pub(super) fn settings(text: &str) -> anyhow::Result<toml_edit::InlineTable> {
    let trimmed = text.trim();
    let inner = trimmed.strip_prefix('{').and_then(|rest| rest.strip_suffix('}'));
    let toml = match serde_json::from_str::<toml::Value>(trimmed) {
        Ok(value) => format!("settings = {value}"),
        Err(_) => format!("settings = {{ {} }}", inner.unwrap_or(trimmed)),
    };
    let document: toml_edit::DocumentMut =
        toml.parse().with_context(|| format!("--settings {text:?} is neither JSON nor TOML"))?;
    let table = document["settings"].as_inline_table().cloned();
    table.with_context(|| format!("--settings {text:?} is not a table of settings"))
}

fn timeline(wanted: &ReplayArgs, plan: &Plan) -> anyhow::Result<Timeline> {
    let mut timeline = Timeline::default();
    for file in &wanted.recordings {
        timeline.add(plan, file, Track::Whole)?;
    }
    for NamedFile { name, file } in &wanted.signals {
        let place: SignalPlace = replay::bind_named(plan, name)?;
        timeline.add(plan, file, Track::Signal(place))?;
    }
    Ok(timeline)
}

/// Years of jobs fit into it.
const TABLE_BYTES_MAX: u64 = 16 * 1024 * 1024;

/// A table with the columns start and end, and maybe one that says of which recording.
fn jobs(file: &Path, wanted: &ReplayArgs) -> anyhow::Result<Vec<Interval>> {
    let text = files::read_text(file, TABLE_BYTES_MAX)?;
    let mut lines = text.lines();
    let heading: Vec<&str> =
        lines.next().unwrap_or_default().trim_start_matches('\u{feff}').split(',').map(str::trim).collect();
    let column = |name: &str| heading.iter().position(|cell| *cell == name);
    let (Some(start), Some(end)) = (column("start"), column("end")) else {
        bail!("line 1: columns called start and end are needed, such as recording,start,end");
    };
    let of = column("recording");
    let files = wanted.recordings.iter().chain(wanted.signals.iter().map(|signal| &signal.file));
    let names: Vec<_> =
        files.filter_map(|file| file.file_name()).map(|name| name.to_string_lossy()).collect();
    let mut jobs = Vec::new();
    for (number, line) in (2..).zip(lines).filter(|(_, line)| !line.trim().is_empty()) {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        let cell = |index: usize| cells.get(index).copied().unwrap_or_default();
        if of.is_some_and(|of| !names.iter().any(|name| name == cell(of))) {
            continue;
        }
        let interval = format!("{}/{}", cell(start), cell(end));
        jobs.push(interval.parse().with_context(|| format!("line {number}"))?);
    }
    Ok(jobs)
}

/// Where what is heard goes, as sentences or as lines of JSON.
struct Page {
    json: bool,
    out: Gate<BufWriter<std::io::Stdout>>,
    failed: Option<std::io::Error>,
    troubles: Troubles,
}

impl Page {
    fn new(json: bool) -> Page {
        let out = Gate { form: output::form(json), to: BufWriter::new(std::io::stdout()) };
        Page { json, out, failed: None, troubles: Troubles::default() }
    }

    fn heard(&mut self, heard: &Played<'_>) {
        let written = match heard {
            Played::Changed(change) => self.changed(change),
            Played::Read(..) | Played::Asked(..) | Played::JobEnded(_) => Ok(()),
            Played::Failed(at, machine, fault) => {
                self.troubles.add(*at, machine, fault);
                Ok(())
            }
            Played::Decided(decided) if self.json => writeln!(
                self.out,
                "{}",
                json!({
                    "at": rfc3339(decided.at.wall), "machine": decided.machine.as_ref().map(Name::as_str),
                    "decision": decided.decision.word(), "why": decided.why.word(), "input": decided.input.as_str(),
                })
            ),
            Played::Decided(decided) => {
                let sentence = sentences::decision(decided);
                writeln!(self.out, "{}  {:<9}{sentence}", rfc3339(decided.at.wall), decided.decision.word())
            }
        };
        // Told once, at the end: somebody may have closed the pipe.
        self.failed = self.failed.take().or(written.err());
    }

    fn changed(&mut self, change: &StateChange) -> std::io::Result<()> {
        let StateChange { at, machine, state, reason } = change;
        let (at, state) = (rfc3339(*at), word(*state));
        if self.json {
            let line = json!({ "at": at, "machine": machine.as_str(), "state": state, "reason": reason });
            writeln!(self.out, "{line}")
        } else {
            writeln!(self.out, "{at}  {state:<9}{machine}: {reason}")
        }
    }

    fn finish(mut self, ended: &Ended, sum: Option<Sum>) -> anyhow::Result<()> {
        if let Some(error) = self.failed {
            return if error.kind() == std::io::ErrorKind::BrokenPipe { Ok(()) } else { Err(error.into()) };
        }
        for machine in sum.iter().flat_map(|sum| &sum.machines) {
            let every = sum.as_ref().map_or(Span::ZERO, |sum| sum.every);
            if self.json {
                writeln!(self.out, "{}", as_json(machine, every))?;
            } else {
                writeln!(self.out, "{}", as_words(machine, every))?;
            }
        }
        if self.json {
            for trouble in self.troubles.to_json() {
                writeln!(self.out, "{trouble}")?;
            }
        } else {
            for trouble in self.troubles.sentences() {
                writeln!(self.out, "{trouble}")?;
            }
            let length = Span(u64::try_from(ended.until.0 - ended.from.0).unwrap_or(0));
            writeln!(self.out, "{} in {length}", counted(ended.readings, "reading"))?;
            if ended.late > 0 {
                let late = counted(ended.late, "reading");
                writeln!(self.out, "left out {late} that came after newer ones")?;
            }
        }
        self.out.flush()?;
        Ok(())
    }
}

pub(super) fn word(state: PermissiveState) -> &'static str {
    match state {
        PermissiveState::Clear => "idle",
        PermissiveState::Busy => "busy",
        PermissiveState::Unknown => "unknown",
    }
}

fn as_json(machine: &MachineSum, every: Span) -> Value {
    json!({
        "probe": "off",
        "machine": machine.machine.as_str(),
        "every_seconds": every.as_secs_f64(),
        "asked": machine.asked,
        "let_through": machine.let_through,
        "jobs": machine.jobs,
        "jobs_hit": machine.jobs_hit,
        "job_seconds": machine.job_secs,
        "job_seconds_let_through": machine.job_secs_let_through,
        "held_after_seconds": machine.held_after.iter().map(|span| span.map(Span::as_secs_f64)).collect::<Vec<_>>(),
        "held_after_median_seconds": machine.held_after_quantile(0.5).map(Span::as_secs_f64),
        "held_after_p90_seconds": machine.held_after_quantile(0.9).map(Span::as_secs_f64),
    })
}

fn as_words(sum: &MachineSum, every: Span) -> String {
    let mut text = format!(
        "{}: asked for off every {every}; of {}, {} would have switched it off",
        sum.machine,
        counted(sum.asked, "request"),
        sum.let_through
    );
    if sum.jobs > 0 {
        let median = sum.held_after_quantile(0.5).map_or("never".to_owned(), |span| span.to_string());
        let slow = sum.held_after_quantile(0.9).map_or("never".to_owned(), |span| span.to_string());
        text.push_str(&format!(
            ",\n  in {} of {}, during {:.0} s of their {:.0} s; after a job, off was held for {median} (median), \
             {slow} (90 %)",
            sum.jobs_hit, counted(sum.jobs, "job"), sum.job_secs_let_through, sum.job_secs
        ));
    }
    text
}
