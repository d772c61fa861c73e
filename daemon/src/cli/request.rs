//! `idlegate request`.

use std::path::PathBuf;
use std::time::Duration;

use bytes::Bytes;
use serde_json::{Value as Json, json};

use super::exit_code::Exit;
use super::visitor::Visitor;
use super::{rules, runtime};
use crate::engine;
use crate::guard::RequestKind;
use crate::link::Outgoing;
use crate::plan::{InputSource, Plan};
use crate::time::{Clock, Span};

/// Longer than the guard may wait for fresh readings and for a slow disk.
const PATIENCE: Duration = Duration::from_secs(10);

#[derive(Debug)]
pub(super) struct Asking {
    pub(super) rules: PathBuf,
    pub(super) input: String,
    pub(super) port: Option<u16>,
    pub(super) machine: String,
    pub(super) request: String,
    pub(super) json: bool,
}

pub(super) fn request(asking: &Asking) -> anyhow::Result<Exit> {
    let plan = match rules::for_visitor(&asking.rules, asking.port)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(exit),
    };
    if let Err(fault) = fits(&plan, asking) {
        eprintln!("idlegate: {fault}");
        return Ok(Exit::Usage);
    }
    let answer = runtime()?.block_on(ask(&plan, asking));
    let decision = match answer {
        Ok(decision) => decision,
        Err(error) => {
            eprintln!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    if asking.json {
        println!("{decision}");
    } else {
        println!("{}", decision["sentence"].as_str().unwrap_or("Idlegate answered without a sentence"));
    }
    Ok(match decision["decision"].as_str() {
        Some("acted" | "nothing-to-do" | "deferred") => Exit::Good,
        _ => Exit::No,
    })
}

/// Mistakes that the guard would refuse anyway are better told here, with what would be right.
fn fits(plan: &Plan, asking: &Asking) -> Result<(), String> {
    let Asking { input, machine, request, .. } = asking;
    if RequestKind::from_word(request).is_none() {
        let words: Vec<_> = RequestKind::ALL.iter().map(|kind| kind.word()).collect();
        return Err(format!("there is no request {request:?}; there are {}", words.join(", ")));
    }
    rules::find_machine(plan, machine)?;
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

async fn ask(plan: &Plan, asking: &Asking) -> anyhow::Result<Json> {
    let prefix = &plan.shop.prefix;
    let id = format!("{:x}-{:x}", std::process::id(), Clock.now().wall.0);
    let response = format!("{prefix}/answer/{}/{id}", asking.input);
    let mut visitor = Visitor::arrive(plan, std::slice::from_ref(&response), PATIENCE).await?;
    let body = json!({ "machine": asking.machine, "request": asking.request, "id": id });
    let topic = engine::request_topic(prefix, &asking.input);
    let mut outgoing = Outgoing::event(&topic, Bytes::from(body.to_string()), Clock.now().moment);
    outgoing.response_topic = Some(response.as_str().into());
    // Whoever does not hear it within seconds would hear it too late.
    outgoing.expiry = Some(Span::secs(2));
    visitor.send(outgoing)?;
    visitor.wait_only(PATIENCE);
    let answer = visitor.hear().await;
    visitor.leave().await;
    let Some(answer) = answer else {
        anyhow::bail!("Idlegate did not answer. Is it running, with these rules?");
    };
    Ok(serde_json::from_slice(&answer.payload)?)
}
