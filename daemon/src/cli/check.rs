//! `idlegate check`.

use std::path::{Path, PathBuf};

use super::exit_code::Exit;
use super::kept;
use super::output::{self, Gate, print_error, print_line};
use super::times;
use idlegate_detectors::{Execution, Modules};
use idlegate_engine::preview;
use idlegate_guard::time::Span;
use idlegate_os::Clock;
use idlegate_plan::{InputSource, ModuleSource, Plan};
use idlegate_rules::{self as rules, Folder, Surroundings, SystemSecrets, check::CheckOutcome};

/// Check a rules folder and show every problem in it.
#[derive(Debug, clap::Args)]
pub(super) struct CheckArgs {
    /// The rules folder.
    #[arg(required_unless_present_any = ["explain", "schema"])]
    rules: Option<PathBuf>,
    /// Print the report as JSON.
    #[arg(long)]
    json: bool,
    /// Show what would change if these rules replaced the ones in this folder. The guard keeps a copy of the rules
    /// in force in its state folder, STATE/last-good-rules.
    #[arg(long, value_name = "DIR", conflicts_with_all = ["explain", "schema"])]
    in_force: Option<PathBuf>,
    /// With --in-force: also try these rules on the readings that Idlegate has kept for so long (keep_readings in
    /// shop.toml), and show which requests they would have answered otherwise.
    #[arg(long, value_name = "TIME", requires = "in_force", value_parser = times::span)]
    last: Option<Span>,
    /// With --last: the state folder with the readings and the journal. Default: the one around --in-force if that is
    /// STATE/last-good-rules, else the one in the rules.
    #[arg(long, value_name = "DIR", requires = "last")]
    state_dir: Option<PathBuf>,
    /// Show the next firings of every schedule as well, so many of each, as the clock there will show them.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..), conflicts_with_all = ["json", "explain", "schema", "in_force"])]
    next: Option<u8>,
    /// Explain the problem that has this code.
    #[arg(long, value_name = "CODE", conflicts_with = "json")]
    explain: Option<String>,
    /// Print the JSON Schema for this kind of file, for completion in editors.
    #[arg(long, value_name = "FILE", value_parser = idlegate_rules::schema::SCHEMA_FILES, conflicts_with_all = ["json", "explain"])]
    schema: Option<String>,
}

impl CheckArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let dir = self.rules.as_deref().unwrap_or(Path::new(""));
        match (&self.explain, &self.schema, &self.in_force) {
            (Some(code), ..) => explain(code),
            (None, Some(file), _) => schema(file),
            (None, None, Some(in_force)) => self.compare(dir, in_force),
            (None, None, None) => check(dir, self.json, self.next),
        }
    }
}

fn check(dir: &Path, json: bool, next: Option<u8>) -> anyhow::Result<Exit> {
    // A look at the rules runs each detector for an instant; compiling it to machine code would take longer.
    let modules = Modules::new(Execution::Interpreted, None)?;
    let outcome = rules::check::check(dir, &modules, json, &mut Gate::stdout(output::form(json)))?;
    match outcome {
        CheckOutcome::Usable => {
            next.map_or(Ok(()), |count| firings(dir, &modules, count)).map(|()| Exit::Good)
        }
        CheckOutcome::Broken => Ok(Exit::Rules),
    }
}

/// When schedules will ask, so that a slip in a cron expression is seen before it costs a job.
fn firings(dir: &Path, modules: &Modules, count: u8) -> anyhow::Result<()> {
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let Ok(compiled) = rules::compile(&rules::load(dir), &around) else { return Ok(()) };
    let now = Clock.now().wall;
    let mut any = false;
    for input in &compiled.plan.inputs {
        let InputSource::Schedule(schedule) = &input.source else { continue };
        any = true;
        let timetable = &schedule.timetable;
        print_line!(
            "{} ({}, {}): {}",
            input.name,
            timetable.expression(),
            timetable.zone_name(),
            schedule.request.word()
        );
        let firings = std::iter::successors(timetable.next_after(now), |last| timetable.next_after(*last));
        firings.take(count.into()).for_each(|at| print_line!("  {}", timetable.shown(at)));
    }
    if !any {
        print_line!("no schedule is declared");
    }
    Ok(())
}

fn explain(code: &str) -> anyhow::Result<Exit> {
    match rules::explain(code) {
        Some(explanation) => {
            print_line!("{code}: {explanation}");
            Ok(Exit::Good)
        }
        None => {
            let words: Vec<_> = rules::Code::ALL.iter().map(|code| code.word()).collect();
            print_error!("idlegate: no problem has the code {code:?}; known codes: {}", words.join(", "));
            Ok(Exit::Usage)
        }
    }
}

/// Some editors take it from a comment at the top of the file: `#:schema ./machine.schema.json`.
fn schema(file: &str) -> anyhow::Result<Exit> {
    match rules::schema::schema(file) {
        Some(schema) => {
            output::json_over_lines(&schema);
            Ok(Exit::Good)
        }
        None => Ok(Exit::Usage),
    }
}

impl CheckArgs {
    /// What a change would do, before it is made.
    fn compare(&self, dir: &Path, in_force: &Path) -> anyhow::Result<Exit> {
        // For a look it would take longer to compile a detector to machine code than to interpret it.
        let execution = if self.last.is_some() { Execution::Automatic } else { Execution::Interpreted };
        let Some(before) = usable(in_force, execution)? else { return Ok(Exit::Rules) };
        let Some(after) = usable(dir, execution)? else { return Ok(Exit::Rules) };
        let told = changes(&before, &after);
        if self.json {
            output::json(&serde_json::json!({ "changes": told }));
        } else if told.is_empty() {
            print_line!("nothing would change");
        } else {
            told.iter().for_each(|change| print_line!("{change}"));
        }
        let Some(last) = self.last else { return Ok(Exit::Good) };
        // The guard keeps its copy of the rules in its state folder.
        let around = in_force.parent().filter(|state| rules::last_good(state) == in_force);
        let of_rules = || after.plan.shop.state_dir.clone();
        let named = self.state_dir.clone().or_else(|| around.map(Path::to_path_buf));
        let Some(state) = named.or_else(of_rules) else {
            print_error!(
                "idlegate: the rules have no state_dir; use --state-dir to say where the readings are"
            );
            return Ok(Exit::Usage);
        };
        kept::compare(&after.plan, &after.modules, last, &state, self.json)
    }
}

/// A folder whose rules can be used, and what they came from.
struct Usable {
    plan: Plan,
    folder: Folder,
    modules: Modules,
}

/// Nothing where they cannot be used, and that has been told then.
fn usable(dir: &Path, execution: Execution) -> anyhow::Result<Option<Usable>> {
    let modules = Modules::new(execution, None)?;
    let folder = rules::load(dir);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    match rules::compile(&folder, &around) {
        Ok(compiled) => Ok(Some(Usable { plan: compiled.plan, folder, modules })),
        Err(problems) => {
            for problem in problems.iter().filter(|problem| problem.is_error()) {
                print_error!("{}", problem.render());
            }
            print_error!(
                "the rules in {} cannot be used; the guard would keep its present ones",
                dir.display()
            );
            Ok(None)
        }
    }
}

/// Detectors are compared by their place in the folder: the same file in two folders is the same detector.
fn changes(in_force: &Usable, after: &Usable) -> Vec<String> {
    let root = |folder: &Folder| std::fs::canonicalize(&folder.root).unwrap_or_else(|_| folder.root.clone());
    let (old_root, new_root) = (root(&in_force.folder), root(&after.folder));
    let mut before = in_force.plan.clone();
    for uses in before.machines.iter_mut().flat_map(|machine| &mut machine.detectors) {
        if let ModuleSource::File { path, .. } = &mut uses.module
            && let Ok(inside) = path.strip_prefix(&old_root)
        {
            *path = new_root.join(inside);
        }
    }
    let replaced = |source: &ModuleSource| match source {
        ModuleSource::BuiltIn(_) => false,
        ModuleSource::File { path, .. } => {
            let content = |folder: &Folder| {
                let inside = path.strip_prefix(&new_root).ok()?.to_str()?;
                let modules = &folder.modules;
                modules.iter().find(|module| module.path == inside).map(|module| module.sha256.clone())
            };
            content(&in_force.folder) != content(&after.folder)
        }
    };
    preview(&before, &after.plan, replaced)
}
