//! `idlegate checkup`: the rules, the broker, the topics, the disk and the clock, each with what to do about it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::json;

use super::exit_code::Exit;
use super::screen::until_interrupted;
use super::visitor::Visitor;
use super::{rules, runtime};
use crate::checkup::{Finding, Watch, Weight};
use crate::plan::Plan;
use crate::text::counted;
use crate::time::{Clock, Span};

const PATIENCE: Duration = Duration::from_secs(6);
const BEAT: Duration = Duration::from_millis(200);
/// The journal of a year, with room for SQLite to tidy up.
const DISK_FREE_MIN: u64 = 256 * 1024 * 1024;
/// 2026-01-01: a clock before that was never set.
const CLOCK_MIN_MS: i64 = 1_767_225_600_000;
/// Written by the time service of systemd once it has heard of a time.
const CLOCK_SET: &str = "/run/systemd/timesync/synchronized";

#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) rules: PathBuf,
    pub(super) port: Option<u16>,
    pub(super) during: Span,
    pub(super) json: bool,
}

pub(super) fn checkup(wanted: &Wanted) -> anyhow::Result<Exit> {
    let plan = match rules::for_visitor(&wanted.rules, wanted.port)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(exit),
    };
    let mut findings = vec![Finding::good(
        "rules",
        format!("{}, {}", counted(plan.machines.len(), "machine"), counted(plan.inputs.len(), "input")),
    )];
    findings.push(clock());
    findings.push(disk(plan.shop.state_dir.as_deref()));
    let reached = runtime()?.block_on(at_the_broker(&plan, wanted, &mut findings))?;
    for finding in &findings {
        if wanted.json {
            println!("{}", finding.to_json());
        } else {
            println!("{}", finding.to_words());
        }
    }
    let count = |weight| findings.iter().filter(|finding| finding.weight == weight).count();
    let (faults, notes) = (count(Weight::Fault), count(Weight::Note));
    if wanted.json {
        println!("{}", json!({ "faults": faults, "notes": notes }));
    } else {
        println!("{}, {}", counted(faults, "fault"), counted(notes, "note"));
    }
    Ok(match (reached, faults) {
        (false, _) => Exit::Unavailable,
        (true, 0) => Exit::Good,
        (true, _) => Exit::No,
    })
}

/// Whether the broker could be used at all.
async fn at_the_broker(plan: &Plan, wanted: &Wanted, findings: &mut Vec<Finding>) -> anyhow::Result<bool> {
    let mut watch = Watch::new(plan, Clock.now().moment);
    let at = format!("{}:{}", plan.shop.broker.host, plan.shop.broker.port);
    let mut visitor = match Visitor::arrive(plan, &watch.filters(), PATIENCE).await {
        Ok(visitor) => visitor,
        Err(error) => {
            let remedy = "Check host, port, login and certificates under [broker] in shop.toml. Without the broker \
                          nothing is guarded.";
            findings.push(Finding::fault("broker", format!("{error:#}"), remedy));
            return Ok(false);
        }
    };
    if !wanted.json {
        eprintln!("listening to {at} for {} ...", wanted.during);
    }
    let until = tokio::time::Instant::now() + Duration::from(wanted.during);
    let listening = async {
        while tokio::time::Instant::now() < until {
            visitor.wait_only(BEAT);
            if let Some(message) = visitor.hear().await {
                watch.take(Clock.now().moment, &message);
            }
        }
        Ok(())
    };
    until_interrupted(listening).await?;
    let denied = visitor.denied().to_vec();
    visitor.leave().await;
    findings.push(Finding::good("broker", format!("{at} speaks MQTT 5 and lets this user in")));
    findings.extend(denied.into_iter().map(|(filter, why)| {
        let remedy = "In the broker's access list, give Idlegate's user the right to read it. Until then Idlegate sees \
                      nothing there.";
        Finding::fault("broker", format!("Idlegate is not allowed to read {filter}: {why}"), remedy)
    }));
    findings.push(anybody_gets_in(plan).await);
    findings.extend(watch.findings(Clock.now().moment));
    Ok(true)
}

/// Whoever may connect without a login may also switch outlets past the guard.
async fn anybody_gets_in(plan: &Plan) -> Finding {
    let mut stranger = plan.clone();
    stranger.shop.broker.login = None;
    stranger.shop.broker.client_id = format!("{}-stranger", stranger.shop.broker.client_id);
    match Visitor::arrive(&stranger, &[format!("{}/health", plan.shop.prefix)], Duration::from_secs(3)).await
    {
        Ok(visitor) => {
            visitor.leave().await;
            Finding::note(
                "broker",
                "it lets anybody in without a login, so anybody in this network can switch outlets past the guard",
                "Set up logins and an access list: see examples/access-list.",
            )
        }
        Err(_) => Finding::good("broker", "it lets nobody in without a login"),
    }
}

fn clock() -> Finding {
    let now = Clock.now().wall;
    if now.0 < CLOCK_MIN_MS {
        let found = format!("it says {}", crate::text::rfc3339(now));
        return Finding::fault(
            "clock",
            found,
            "Set it with a time service or a battery-backed clock. Schedules wait until then.",
        );
    }
    if Path::new("/run/systemd/timesync").exists() && !Path::new(CLOCK_SET).exists() {
        return Finding::note("clock", "no time service has set it yet", "See timedatectl status.");
    }
    Finding::good("clock", crate::text::rfc3339(now))
}

fn disk(state_dir: Option<&Path>) -> Finding {
    let Some(dir) = state_dir else {
        let remedy = "Set state_dir in shop.toml, unless the service manager sets STATE_DIRECTORY.";
        return Finding::note(
            "disk",
            "the rules do not say where to keep the journal and the lockouts",
            remedy,
        );
    };
    let shown = dir.display();
    let Ok(room) = rustix::fs::statvfs(dir) else {
        return Finding::fault(
            "disk",
            format!("{shown} does not exist, or you are not allowed to read it"),
            "Create the folder, and make the service's user its owner.",
        );
    };
    if room.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY) {
        return Finding::fault(
            "disk",
            format!("{shown} is on a read-only file system"),
            "Make it writable: until then lockouts do not survive a restart.",
        );
    }
    let free = room.f_bavail.saturating_mul(room.f_frsize);
    let mebibytes = free / (1024 * 1024);
    if free < DISK_FREE_MIN {
        return Finding::fault(
            "disk",
            format!("only {mebibytes} MiB are free for {shown}"),
            "Make room, or the journal will delete its oldest records.",
        );
    }
    Finding::good("disk", format!("{mebibytes} MiB free for {shown}"))
}
