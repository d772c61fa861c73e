//! `idlegate request`.

use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;
use std::time::Duration;

use bytes::Bytes;
use serde_json::Value as Json;

use super::exit_code::Exit;
use super::output::{self, print_error, print_line, print_text};
use super::short_connection::ShortConnection;
use super::times::{self, TimeAhead};
use super::{rules, runtime};
use idlegate_engine as engine;
use idlegate_guard::RequestKind;
use idlegate_guard::time::Span;
use idlegate_link::Outgoing;
use idlegate_messages::{Confirm, Decision, GroupAnswer, MemberAnswer, Request, from_json, text};
use idlegate_os::Clock;
use idlegate_plan::text::rfc3339;
use idlegate_plan::{InputSource, Plan};

/// Longer than the guard may wait for fresh readings and for a slow disk.
const PATIENCE: Duration = Duration::from_secs(10);

/// Ask the running guard for something, and print its decision.
#[derive(Debug, clap::Args)]
#[command(allow_missing_positional = true)]
pub(super) struct RequestArgs {
    /// The rules folder, for the broker and the topics.
    #[arg(long, value_name = "DIR")]
    rules: PathBuf,
    /// The input to ask as: one that the rules declare without a topic of its own.
    #[arg(long = "as", value_name = "INPUT", default_value = "console")]
    input: String,
    /// The broker's port, if not the one in the rules, as with `idlegate demo --keep`.
    #[arg(long)]
    port: Option<u16>,
    /// Ask all machines of this group at once, instead of one machine: for off, off-once-idle or cancel.
    #[arg(long, value_name = "GROUP", conflicts_with_all = ["machine", "confirm", "note", "service"])]
    group: Option<String>,
    /// The machine.
    #[arg(required_unless_present = "group")]
    machine: Option<String>,
    /// on, off, flip, force-off, off-once-idle, cancel, keep-on, lock, unlock, serviced or emergency-off.
    request: String,
    /// The token from the answer to a request that was held: confirms a force-off. In a terminal you are asked for the
    /// machine's name instead.
    #[arg(long, value_name = "TOKEN")]
    confirm: Option<String>,
    /// With keep-on: for how long, as "8 h". 24 h at most; unless said, as long as keep_on_for in the rules.
    #[arg(long = "for", value_name = "TIME", value_parser = times::span, conflicts_with = "until")]
    keep_for: Option<Span>,
    /// With keep-on: until when, as "07:00" (the next one, by this computer's clock) or "2026-11-30T07:00:00+01:00".
    #[arg(long, value_name = "TIME")]
    until: Option<TimeAhead>,
    /// Your name, for the record. With lock: whose lock it is, where several share an input.
    #[arg(long, value_name = "NAME")]
    who: Option<String>,
    /// With lock: why, to be shown until it is unlocked.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// With serviced: which service was done, by its name in the rules. Not needed if there is only one.
    #[arg(long, value_name = "NAME")]
    service: Option<String>,
    /// The decision as JSON.
    #[arg(long)]
    json: bool,
}

impl RequestArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        request(self)
    }
}

fn request(asking: &RequestArgs) -> anyhow::Result<Exit> {
    let plan = match rules::in_force(&asking.rules, asking.port)? {
        Ok(in_force) => in_force.plan,
        Err(exit) => return Ok(exit),
    };
    if let Err(fault) = fits(&plan, asking) {
        print_error!("idlegate: {fault}");
        return Ok(Exit::Usage);
    }
    let mut answer = runtime()?.block_on(ask(&plan, asking, asking.confirm.as_deref()));
    if let Ok((Answer::OfMachine(held), _)) = &answer
        && let Some(token) = asked_again(asking, held)?
    {
        answer = runtime()?.block_on(ask(&plan, asking, Some(&token)));
    }
    let (answer, raw) = match answer {
        Ok(answer) => answer,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    Ok(match answer {
        Answer::OfMachine(decision) => tell(asking, &decision, &raw),
        Answer::OfGroup(answer) => tell_of_group(asking, &answer, &raw),
    })
}

/// What came back.
enum Answer {
    OfMachine(Box<Decision>),
    OfGroup(Box<GroupAnswer>),
}

/// Good if nothing of it was refused, and all of it done or to be done.
fn tell_of_group(asking: &RequestArgs, answer: &GroupAnswer, raw: &Json) -> Exit {
    if asking.json {
        output::json(raw);
    } else {
        print_line!("{}", answer.sentence);
    }
    let is_good = |member: &MemberAnswer| {
        let decision = member.decision.as_deref().unwrap_or_default();
        !member.shadow && ["acted", "nothing-to-do", "deferred"].contains(&decision)
    };
    if answer.machines.iter().all(is_good) { Exit::Good } else { Exit::No }
}

fn tell(asking: &RequestArgs, decision: &Decision, raw: &Json) -> Exit {
    if asking.json {
        output::json(raw);
    } else {
        print_line!("{}", sentence(decision));
        if decision.shadow {
            print_line!("Nothing was done: the machine is in shadow mode.");
        }
        if let Some(how) = how_to_confirm(asking, decision) {
            print_line!("{how}");
        }
    }
    match &*decision.decision {
        _ if decision.shadow => Exit::No,
        "acted" | "nothing-to-do" | "deferred" => Exit::Good,
        _ => Exit::No,
    }
}

fn sentence(decision: &Decision) -> &str {
    match decision.sentence.as_str() {
        "" => "Idlegate answered without a sentence",
        sentence => sentence,
    }
}

/// In a terminal a force that was held is confirmed by typing the machine's name, so that nobody has to copy a token.
fn asked_again(asking: &RequestArgs, held: &Decision) -> anyhow::Result<Option<String>> {
    let (Some(Confirm { token, .. }), Some(machine)) = (&held.confirm, &asking.machine) else {
        return Ok(None);
    };
    let interactive = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
    if asking.json || held.shadow || asking.request != RequestKind::ForceOff.word() || !interactive {
        return Ok(None);
    }
    print_line!("{}", sentence(held));
    print_text!("To force it off all the same, type {machine} and press Enter: ");
    std::io::stdout().flush()?;
    let mut typed = String::new();
    std::io::stdin().read_line(&mut typed)?;
    if typed.trim() == machine {
        return Ok(Some(token.to_owned()));
    }
    print_line!("That is not its name, so nothing was switched.");
    Ok(None)
}

fn how_to_confirm(asking: &RequestArgs, decision: &Decision) -> Option<String> {
    let Confirm { token, within_s } = decision.confirm.as_ref().filter(|_| !decision.shadow)?;
    let (input, machine) = (&asking.input, asking.machine.as_ref()?);
    Some(format!(
        "To force it off all the same, within {within_s:.0} s: idlegate request --rules {} --as {input} {machine} force-off --confirm {token}",
        asking.rules.display(),
    ))
}

/// Mistakes that the guard would refuse anyway are better told here, with what would be right.
fn fits(plan: &Plan, asking: &RequestArgs) -> Result<(), String> {
    let RequestArgs { input, machine, group, request, .. } = asking;
    if RequestKind::from_word(request).is_none() {
        let words: Vec<_> = RequestKind::ALL.iter().map(|kind| kind.word()).collect();
        return Err(format!("there is no request {request:?}; there are {}", words.join(", ")));
    }
    if (asking.keep_for.is_some() || asking.until.is_some()) && request != RequestKind::KeepOn.word() {
        return Err(format!("--for and --until belong to keep-on, and {request} has no end"));
    }
    machine.iter().try_for_each(|machine| rules::find_machine(plan, machine).map(drop))?;
    group.iter().try_for_each(|group| rules::find_group(plan, group))?;
    match plan.input(input) {
        Some((_, found)) if found.source == InputSource::RequestTopic => Ok(()),
        Some(_) => Err(format!("the input {input:?} has a topic of its own and takes requests only there")),
        None => {
            let names = plan.inputs.iter().filter(|input| input.source == InputSource::RequestTopic);
            let names: Vec<_> = names.map(|input| input.name.as_str()).collect();
            Err(format!(
                "no input is called {input:?}; inputs that take requests from here are {}",
                names.join(", ")
            ))
        }
    }
}

/// The answer, and as it came.
async fn ask(plan: &Plan, asking: &RequestArgs, confirm: Option<&str>) -> anyhow::Result<(Answer, Json)> {
    let prefix = &plan.shop.prefix;
    let id = format!("{:x}-{:x}", std::process::id(), Clock.now().wall.0);
    let response = format!("{prefix}/answer/{}/{id}", asking.input);
    let mut connection = ShortConnection::arrive(plan, std::slice::from_ref(&response), PATIENCE).await?;
    let body = Request {
        confirm: confirm.map(str::to_owned),
        for_s: asking.keep_for.map(Span::as_secs_f64),
        until: asking.until.map(|until| rfc3339(until.wall())),
        group: asking.group.clone(),
        id: Some(id),
        machine: asking.machine.clone(),
        request: asking.request.clone(),
        note: asking.note.clone(),
        service: asking.service.clone(),
        who: asking.who.clone(),
    };
    let topic = engine::request_topic(prefix, &asking.input);
    let mut outgoing = Outgoing::event(&topic, Bytes::from(text(&body)), Clock.now().moment);
    outgoing.response_topic = Some(response.as_str().into());
    // Whoever does not hear it within seconds would hear it too late.
    outgoing.expiry = Some(Span::secs(2));
    connection.send(outgoing)?;
    connection.wait_only(PATIENCE);
    let answer = connection.hear().await;
    connection.leave().await;
    let Some(answer) = answer else {
        anyhow::bail!("Idlegate did not answer. Is it running, with these rules?");
    };
    let raw: Json = serde_json::from_slice(&answer.payload)?;
    // What no group can be asked for is refused as a single request is.
    let answer = if raw.get("machines").is_some() {
        Answer::OfGroup(Box::new(from_json(&raw).unwrap_or_default()))
    } else {
        Answer::OfMachine(Box::new(from_json(&raw).unwrap_or_default()))
    };
    Ok((answer, raw))
}
