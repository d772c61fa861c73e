//! `idlegate status`.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value as Json, json};

use super::exit_code::Exit;
use super::visitor::Visitor;
use super::{rules, runtime};
use crate::effects::messages::Topics;
use crate::event::Name;
use crate::plan::Plan;

const PATIENCE: Duration = Duration::from_secs(6);
/// Stored messages come at once after the subscription; this long after the last nothing more will.
const QUIET: Duration = Duration::from_millis(700);

pub(super) fn status(
    dir: &Path,
    port: Option<u16>,
    machine: Option<&str>,
    watch: bool,
    json: bool,
) -> anyhow::Result<Exit> {
    let plan = match rules::for_visitor(dir, port)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(exit),
    };
    if let Some(Err(exit)) = machine.map(|machine| rules::machine(&plan, machine)) {
        return Ok(exit);
    }
    if watch {
        return runtime()?.block_on(super::watch::watch(&plan, machine, json)).or_else(|error| {
            eprintln!("idlegate: {error:#}");
            Ok(Exit::Unavailable)
        });
    }
    let seen = match runtime()?.block_on(look(&plan, machine)) {
        Ok(seen) => seen,
        Err(error) => {
            eprintln!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    if json {
        println!("{:#}", json!({ "health": seen.all_health(&plan), "machines": seen.machines }));
    } else {
        print(&plan, machine, &seen);
    }
    Ok(if seen.is_whole(&plan) { Exit::Good } else { Exit::Unavailable })
}

/// What the running guard says of one machine.
pub(super) fn of_machine(dir: &Path, port: Option<u16>, machine: &str) -> anyhow::Result<Result<Json, Exit>> {
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
            eprintln!("idlegate: {error:#}");
            return Ok(Err(Exit::Unavailable));
        }
    };
    match seen.machines.remove(machine) {
        Some(status) if seen.guarded(&plan, machine) => Ok(Ok(status)),
        Some(_) | None => {
            eprintln!("idlegate: no guard is running for {machine}");
            Ok(Err(Exit::Unavailable))
        }
    }
}

#[derive(Debug, Default)]
struct Seen {
    /// By site; an empty one where there are none.
    health: BTreeMap<String, Json>,
    machines: BTreeMap<String, Json>,
}

impl Seen {
    fn all_health(&self, plan: &Plan) -> Json {
        if plan.shop.sites.is_empty() { json!(self.health.get("")) } else { json!(self.health) }
    }

    /// Whether everything is guarded.
    fn is_whole(&self, plan: &Plan) -> bool {
        let guarded = |site: &str| self.health.get(site).is_some_and(|health| health["guard"] == "guarding");
        if plan.shop.sites.is_empty() {
            guarded("")
        } else {
            plan.shop.sites.iter().all(|site| guarded(site.as_str()))
        }
    }

    /// Whether the guard of this machine is there.
    fn guarded(&self, plan: &Plan, machine: &str) -> bool {
        let site = plan.machine(machine).and_then(|(_, machine)| machine.site.as_ref());
        self.health.get(site.map_or("", Name::as_str)).is_some_and(|health| health["guard"] == "guarding")
    }
}

async fn look(plan: &Plan, machine: Option<&str>) -> anyhow::Result<Seen> {
    let topics = Topics::new(&plan.shop.prefix);
    let filters = [topics.all_health(), topics.machine(machine.unwrap_or("+"))];
    let mut visitor = Visitor::arrive(plan, &filters, PATIENCE).await?;
    visitor.wait_only(QUIET);
    let mut seen = Seen::default();
    while let Some(message) = visitor.hear().await {
        let Ok(body) = serde_json::from_slice::<Json>(&message.payload) else { continue };
        if let Some(site) = topics.health_site(&message.topic) {
            seen.health.insert(site.to_owned(), body);
        } else if let Some(name) = body["machine"].as_str() {
            seen.machines.insert(name.to_owned(), body);
        }
    }
    visitor.leave().await;
    Ok(seen)
}

fn print(plan: &Plan, machine: Option<&str>, seen: &Seen) {
    let sites: Vec<&str> = if plan.shop.sites.is_empty() {
        vec![""]
    } else {
        plan.shop.sites.iter().map(Name::as_str).collect()
    };
    for site in sites {
        let who = if site.is_empty() { "Idlegate".to_owned() } else { format!("Idlegate at {site}") };
        match seen.health.get(site).and_then(|health| health["guard"].as_str()) {
            Some("guarding") => {}
            Some(_) => println!("{who} is not running. This is the last that was heard from it:\n"),
            None => println!("Nothing was heard from {who}. Is it running, and on this broker?\n"),
        }
    }
    let wanted =
        plan.machines.iter().filter(|rules| machine.is_none_or(|machine| rules.name.as_str() == machine));
    for rules in wanted {
        match seen.machines.get(rules.name.as_str()) {
            Some(status) => println!("{}", line(status)),
            None => println!("{:<18} nothing heard about it yet", rules.name),
        }
    }
}

pub(super) fn line(status: &Json) -> String {
    let word = |key: &str| status[key].as_str().unwrap_or("?").to_owned();
    let reasons: Vec<_> =
        status["reasons"].as_array().into_iter().flatten().filter_map(Json::as_str).collect();
    let mut line =
        format!("{:<18} {:<8} {:<8} {}", word("machine"), word("outlet"), word("state"), reasons.join("; "));
    for note in notes(status) {
        line.push_str(&format!("\n{:<18} {note}", ""));
    }
    line
}

/// The time in which it can be forced off.
pub(super) fn window(left: f64) -> String {
    format!("can be forced off for {left:.0} s")
}

/// An incident that goes on, by its kind.
fn open_incident(kind: &str) -> &str {
    match kind {
        "on-by-another-route" => "was switched on, but not through Idlegate",
        "off-by-another-route" => "was switched off, but not through Idlegate",
        "not-confirmed" => "its outlet has not confirmed the last order",
        "still-drawing" => "still draws power, although its outlet says that it is off",
        other => other,
    }
}

/// What is under way at the machine, a line each.
pub(super) fn notes(status: &Json) -> Vec<String> {
    let mut notes = Vec::new();
    let mut note = |text: String| notes.push(text);
    if let Some(left) = status["window_left_s"].as_f64() {
        note(window(left));
    }
    if let Some(by) = status["deferral"]["by"].as_str() {
        note(match status["deferral"]["acts_in_s"].as_f64() {
            Some(secs) => format!("will be switched off in {secs:.0} s, as {by} asked"),
            None => format!("will be switched off as soon as it is idle, as {by} asked"),
        });
    }
    if let Some(at) = status["next_schedule"]["at"].as_str() {
        let request = status["next_schedule"]["request"].as_str().unwrap_or("?");
        let by = status["next_schedule"]["by"].as_str().unwrap_or("?");
        note(format!("schedule {by} asks for {request} at {at}"));
    }
    if let Some(by) = status["locked_by"].as_str() {
        note(format!("locked by {by}"));
    }
    if let Some(switch) = status["switching"].as_str() {
        note(format!("being switched {switch}"));
    }
    let incidents = status["incidents"].as_array().into_iter().flatten().filter_map(Json::as_str);
    for incident in incidents {
        note(format!("incident: {}", open_incident(incident)));
    }
    if status["shadow"] == true {
        note("shadow mode: decisions are recorded, but nothing is switched".to_owned());
    }
    notes
}
