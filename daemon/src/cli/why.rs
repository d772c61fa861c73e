//! `idlegate why`.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde_json::json;

use super::exit_code::Exit;
use super::{journal, status};
use crate::account::{Episode, Which, episodes, forecast, words};
use crate::event::Name;
use crate::journal::export::cloud_event;
use crate::recording::parse_time;

#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) machine: Option<String>,
    pub(super) rules: Option<PathBuf>,
    pub(super) state_dir: Option<PathBuf>,
    pub(super) at: Option<String>,
    pub(super) last: usize,
    pub(super) json: bool,
}

pub(super) fn why(wanted: &Wanted) -> anyhow::Result<Exit> {
    let machine = match wanted.machine.as_deref().map(Name::new).transpose() {
        Ok(machine) => machine,
        Err(error) => {
            eprintln!("idlegate: {error}");
            return Ok(Exit::Usage);
        }
    };
    let which = match wanted.at.as_deref().map(parse_time).transpose() {
        Ok(at) => at.map_or(Which::Last(wanted.last), Which::At),
        Err(error) => {
            eprintln!("idlegate: --at: {error}");
            return Ok(Exit::Usage);
        }
    };
    let reader = match journal::open(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
        Ok(reader) => reader,
        Err(exit) => return Ok(exit),
    };
    let found = episodes(&reader, machine.as_ref(), which)?;
    if found.is_empty() {
        match &machine {
            Some(machine) => eprintln!("idlegate: no decision about {machine} has been recorded"),
            None => eprintln!("idlegate: no decision has been recorded"),
        }
        return Ok(Exit::No);
    }
    let zone = TimeZone::system();
    for (index, episode) in found.iter().enumerate() {
        if wanted.json {
            println!("{}", as_json(episode));
        } else {
            println!("{}{}", if index > 0 { "\n" } else { "" }, words(episode, &zone).trim_end());
        }
    }
    Ok(Exit::Good)
}

fn as_json(episode: &Episode) -> serde_json::Value {
    let event = |found| cloud_event(found, "/idlegate");
    json!({ "decision": event(&episode.decision), "followed": episode.followed.iter().map(event).collect::<Vec<_>>() })
}

/// What a press would do right now.
pub(super) fn now(rules: &Path, port: Option<u16>, machine: &str, json: bool) -> anyhow::Result<Exit> {
    let seen = match status::of_machine(rules, port, machine)? {
        Ok(seen) => seen,
        Err(exit) => return Ok(exit),
    };
    let lines = forecast(&seen);
    if json {
        println!("{}", json!({ "machine": machine, "status": seen, "forecast": lines }));
    } else {
        for line in lines {
            println!("{line}");
        }
    }
    Ok(Exit::Good)
}
