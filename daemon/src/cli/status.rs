//! `idlegate status`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value as Json, json};

use super::drill;
use super::exit_code::Exit;
use super::output::{self, print_error, print_line};
use super::short_connection::ShortConnection;
use super::{rules, runtime};
use idlegate_messages::effects::{blind as unseen, standing};
use idlegate_messages::{Blind, Health, MachineStatus, NotUnderstood, Topics, from_json};
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_plan::text::counted;
use idlegate_plan::{Plan, indices};

const PATIENCE: Duration = Duration::from_secs(6);
/// Stored messages come at once after the subscription; this long after the last nothing more will.
const QUIET: Duration = Duration::from_millis(700);

/// Show the machines as the running guard sees them.
#[derive(Debug, clap::Args)]
pub(super) struct StatusArgs {
    /// The rules folder, for the broker and the topics.
    #[arg(long, value_name = "DIR")]
    rules: PathBuf,
    /// The broker's port, if not the one in the rules, as with `idlegate demo --keep`.
    #[arg(long)]
    port: Option<u16>,
    /// Only this machine.
    machine: Option<String>,
    /// Stay, and show every change: a table in a terminal, a line for each elsewhere.
    #[arg(long)]
    watch: bool,
    /// As JSON: one object, machines by name.
    #[arg(long)]
    json: bool,
}

impl StatusArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let machine = self.machine.as_deref();
        let plan = match rules::in_force(&self.rules, self.port)? {
            Ok(in_force) => in_force.plan,
            Err(exit) => return Ok(exit),
        };
        // Without a machine of its own in it, it is not known which there are.
        if let Some(Err(exit)) =
            machine.filter(|_| !plan.machines.is_empty()).map(|it| rules::machine(&plan, it))
        {
            return Ok(exit);
        }
        if self.watch {
            return runtime()?.block_on(super::watch::watch(&plan, machine, self.json)).or_else(|error| {
                print_error!("idlegate: {error:#}");
                Ok(Exit::Unavailable)
            });
        }
        let seen = match runtime()?.block_on(look(&plan, machine)) {
            Ok(seen) => seen,
            Err(error) => {
                print_error!("idlegate: {error:#}");
                return Ok(Exit::Unavailable);
            }
        };
        if self.json {
            let mut all = json!({ "health": seen.all_health(&plan), "machines": seen.all_machines() });
            let due = drills_due(&self.rules, &plan);
            if !due.is_empty() {
                all["drills_due"] = json!(due);
            }
            output::json_over_lines(&all);
        } else {
            print(&plan, machine, &seen, &drills_due(&self.rules, &plan));
        }
        Ok(if seen.is_whole(&plan) { Exit::Good } else { Exit::Unavailable })
    }
}

/// What the running guard says of one machine.
pub(super) fn of_machine(
    dir: &Path,
    port: Option<u16>,
    machine: &str,
) -> anyhow::Result<Result<Heard<MachineStatus>, Exit>> {
    let plan = match rules::for_visitor(dir, port)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(Err(exit)),
    };
    if let Err(exit) = rules::machine(&plan, machine) {
        return Ok(Err(exit));
    }
    let mut seen = match runtime()?.block_on(look(&plan, Some(machine))) {
        Ok(seen) => seen,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Err(Exit::Unavailable));
        }
    };
    match seen.machines.remove(machine) {
        Some(status) if seen.guarded(&plan, machine) => Ok(Ok(status)),
        Some(_) | None => {
            print_error!("idlegate: no guard is running for {machine}");
            Ok(Err(Exit::Unavailable))
        }
    }
}

/// A message, and as it came: for whoever passes it on, with what a later version may have added.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Heard<T> {
    pub(super) read: T,
    pub(super) raw: Json,
}

impl Heard<Health> {
    pub(super) fn health(payload: &[u8]) -> Option<Heard<Health>> {
        let raw: Json = serde_json::from_slice(payload).ok().filter(Json::is_object)?;
        Some(Heard { read: Health::from_json(&raw), raw })
    }
}

impl Heard<MachineStatus> {
    pub(super) fn machine(payload: &[u8]) -> Option<Heard<MachineStatus>> {
        let raw: Json = serde_json::from_slice(payload).ok()?;
        let read: MachineStatus = from_json(&raw)?;
        (!read.machine.is_empty()).then_some(Heard { read, raw })
    }
}

#[derive(Debug, Default)]
struct Seen {
    /// By site; an empty one where there are none.
    health: BTreeMap<String, Heard<Health>>,
    machines: BTreeMap<String, Heard<MachineStatus>>,
}

impl Seen {
    fn all_health(&self, plan: &Plan) -> Json {
        let raw = |site: &str| self.health.get(site).map(|health| &health.raw);
        if plan.shop.sites.is_empty() {
            return json!(raw(""));
        }
        self.health.iter().map(|(site, health)| (site.clone(), health.raw.clone())).collect()
    }

    fn all_machines(&self) -> Json {
        self.machines.iter().map(|(name, status)| (name.clone(), status.raw.clone())).collect()
    }

    fn is_guarded(&self, site: &str) -> bool {
        self.health.get(site).is_some_and(|health| health.read.is_guarding())
    }

    /// Whether everything is guarded.
    fn is_whole(&self, plan: &Plan) -> bool {
        if plan.shop.sites.is_empty() {
            self.is_guarded("")
        } else {
            plan.shop.sites.iter().all(|site| self.is_guarded(site.as_str()))
        }
    }

    /// Whether the guard of this machine is there.
    fn guarded(&self, plan: &Plan, machine: &str) -> bool {
        let site = plan.machine(machine).and_then(|(_, machine)| machine.site.as_ref());
        self.is_guarded(site.map_or("", Name::as_str))
    }
}

async fn look(plan: &Plan, machine: Option<&str>) -> anyhow::Result<Seen> {
    let topics = Topics::new(&plan.shop.prefix);
    let filters = [topics.all_health(), topics.machine(machine.unwrap_or("+"))];
    let mut connection = ShortConnection::arrive(plan, &filters, PATIENCE).await?;
    connection.wait_only(QUIET);
    let mut seen = Seen::default();
    while let Some(message) = connection.hear().await {
        if let Some(site) = topics.health_site(&message.topic) {
            seen.health.extend(Heard::health(&message.payload).map(|health| (site.to_owned(), health)));
        } else if let Some(status) = Heard::machine(&message.payload) {
            seen.machines.insert(status.read.machine.clone(), status);
        }
    }
    connection.leave().await;
    Ok(seen)
}

/// By the machine's name.
fn drills_due(rules: &Path, plan: &Plan) -> BTreeMap<String, String> {
    let now = Clock.now().wall;
    let due = indices(&plan.machines).filter_map(|machine| {
        Some((plan.machines[machine].name.to_string(), drill::due_now(rules, plan, machine, now)?))
    });
    due.collect()
}

fn print(plan: &Plan, machine: Option<&str>, seen: &Seen, drills_due: &BTreeMap<String, String>) {
    let sites: Vec<&str> = if plan.shop.sites.is_empty() {
        vec![""]
    } else {
        plan.shop.sites.iter().map(Name::as_str).collect()
    };
    for site in sites {
        let who = if site.is_empty() { "Idlegate".to_owned() } else { format!("Idlegate at {site}") };
        match seen.health.get(site).map(|health| health.read.is_guarding()) {
            Some(true) => {}
            Some(false) => print_line!("{who} is not running. This is the last that was heard from it:\n"),
            None => print_line!("Nothing was heard from {who}. Is it running, and on this broker?\n"),
        }
    }
    let wanted =
        plan.machines.iter().filter(|rules| machine.is_none_or(|machine| rules.name.as_str() == machine));
    let known: Vec<&str> = wanted.clone().map(|rules| rules.name.as_str()).collect();
    // Of machines that the rules do not have any more, or that nobody can read at present.
    for (_, status) in
        seen.machines.iter().filter(|(name, _)| plan.machines.is_empty() && !known.contains(&name.as_str()))
    {
        print_line!("{}", line(&status.read));
    }
    for health in seen.health.values() {
        if let Some(misfit) = misfit(&health.read) {
            print_line!("{misfit}");
        }
        blind(&health.read).iter().for_each(|line| print_line!("{line}"));
    }
    for rules in wanted {
        match seen.machines.get(rules.name.as_str()) {
            Some(status) => print_line!("{}", line(&status.read)),
            None => print_line!("{:<18} nothing heard about it yet", rules.name),
        }
        if let Some(due) = drills_due.get(rules.name.as_str()) {
            print_line!("{:<18} {due}", "");
        }
    }
}

/// What is seen of no input and of the shop; a machine's is in its own lines.
fn blind(health: &Health) -> Vec<String> {
    let Some(health) = health.guarding() else { return Vec::new() };
    let others = health.blind.iter().filter(|spot| spot.machine.is_none());
    let line = |spot: &Blind| match &spot.input {
        Some(input) => format!("{:<18} {}", word(input), unseen::lasting_since(spot)),
        None => format!("{:<18} {}", "Idlegate", unseen::lasting_since(spot)),
    };
    others.map(line).collect()
}

/// Somebody may press a button in vain.
fn misfit(health: &Health) -> Option<String> {
    let NotUnderstood { count, input, topic, why } = health.guarding()?.inputs_not_understood.as_ref()?;
    Some(format!(
        "{} on the topic of an input fitted none of its gestures; the last came for {} on {}: {}",
        counted((*count).max(1), "message"),
        word(input),
        word(topic),
        word(why)
    ))
}

/// What was not said, or could not be read.
pub(super) fn word(said: &str) -> &str {
    if said.is_empty() { "?" } else { said }
}

pub(super) fn line(status: &MachineStatus) -> String {
    let MachineStatus { machine, outlet, state, .. } = status;
    let (outlet, state, reasons) = (word(outlet), word(state), status.reasons.join("; "));
    let mut line = format!("{:<18} {outlet:<8} {state:<8} {reasons}", word(machine));
    for note in standing::notes(status) {
        line.push_str(&format!("\n{:<18} {note}", ""));
    }
    line
}
