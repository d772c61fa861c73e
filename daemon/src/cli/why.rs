//! `idlegate why`.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde_json::json;

use super::exit_code::Exit;
use super::output::{self, print_error, print_line};
use super::times::Time;
use super::{journal, status};
use idlegate_history::account::{
    Episode, RulesThen, Which, episodes, forecast, rules_then, then_words, words,
};
use idlegate_journal::export::cloud_event;
use idlegate_plan::event::Name;
use idlegate_plan::text::rfc3339;
use idlegate_rules::history::kept_rules;

/// Tell why a request was answered as it was, and what followed; or what a press would do right now.
#[derive(Debug, clap::Args)]
pub(super) struct WhyArgs {
    /// Only decisions about this machine.
    #[arg(required_if_eq("now", "true"))]
    machine: Option<String>,
    /// What each request would do right now, from the running guard.
    #[arg(long, requires = "rules", conflicts_with_all = ["at", "state_dir"])]
    now: bool,
    /// The rules folder, which says where the journal is and, for --now, how to reach the broker.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// The broker's port, if not the one in the rules.
    #[arg(long, requires = "now")]
    port: Option<u16>,
    /// The state folder that holds the journal.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
    /// The decision at or before this time: 14:03, "2026-11-25 14:03", yesterday, or with its zone
    /// 2026-11-25T14:03:00Z.
    #[arg(long, value_name = "TIME", conflicts_with = "last")]
    at: Option<Time>,
    /// The last so many decisions.
    #[arg(long, value_name = "N", default_value_t = 1)]
    last: usize,
    /// The records behind it as JSON, one decision a line.
    #[arg(long)]
    json: bool,
}

impl WhyArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        if self.now { of_now(self) } else { of_past(self) }
    }
}

fn of_past(wanted: &WhyArgs) -> anyhow::Result<Exit> {
    let machine = match wanted.machine.as_deref().map(Name::new).transpose() {
        Ok(machine) => machine,
        Err(error) => {
            print_error!("idlegate: {error}");
            return Ok(Exit::Usage);
        }
    };
    let which = wanted.at.map_or(Which::Last(wanted.last), |at| Which::At(at.wall()));
    let state_dir = match journal::state_folder(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
        Ok(dir) => dir,
        Err(exit) => return Ok(exit),
    };
    let reader = match journal::open_in(&state_dir) {
        Ok(reader) => reader,
        Err(exit) => return Ok(exit),
    };
    let found = episodes(&reader, machine.as_ref(), which)?;
    if found.is_empty() {
        match &machine {
            Some(machine) => print_error!("idlegate: no decision about {machine} has been recorded"),
            None => print_error!("idlegate: no decision has been recorded"),
        }
        return Ok(Exit::No);
    }
    let zone = TimeZone::system();
    // The account of the journal is worth telling whatever became of the rules of then.
    let kept = kept_rules(&state_dir).unwrap_or_default();
    let mut told_before = None;
    for (index, episode) in found.iter().enumerate() {
        let then = rules_then(episode, &kept);
        if wanted.json {
            output::json(&as_json(episode, then.as_ref()));
            continue;
        }
        print_line!("{}{}", if index > 0 { "\n" } else { "" }, words(episode, &zone).trim_end());
        // Once for decisions that follow each other.
        if then != told_before {
            then.iter().for_each(|then| print_line!("{}", then_words(then, &kept, &zone).trim_end()));
            told_before = then;
        }
    }
    Ok(Exit::Good)
}

fn as_json(episode: &Episode, then: Option<&RulesThen>) -> serde_json::Value {
    let event = |found| cloud_event(found, "/idlegate");
    let rules = then.map(|then| {
        let RulesThen { digest, since, file, text, changed_since } = then;
        json!({ "digest": digest, "since": rfc3339(*since), "file": file, "text": text, "changed_since": changed_since })
    });
    json!({
        "decision": event(&episode.decision),
        "followed": episode.followed.iter().map(event).collect::<Vec<_>>(),
        "rules": rules,
    })
}

/// What a press would do right now.
fn of_now(wanted: &WhyArgs) -> anyhow::Result<Exit> {
    let (rules, machine) = (wanted.rules.as_deref(), wanted.machine.as_deref());
    let (rules, machine) = (rules.unwrap_or(Path::new("")), machine.unwrap_or_default());
    let seen = match status::of_machine(rules, wanted.port, machine)? {
        Ok(seen) => seen,
        Err(exit) => return Ok(exit),
    };
    let lines = forecast(&seen.read);
    if wanted.json {
        output::json(&json!({ "machine": machine, "status": seen.raw, "forecast": lines }));
    } else {
        for line in lines {
            print_line!("{line}");
        }
    }
    Ok(Exit::Good)
}
