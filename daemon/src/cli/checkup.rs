//! `idlegate checkup`: the rules, the broker, the topics, the disk and the clock, each with what to do about it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::json;

use super::drill;
use super::emergency_login::EmergencyLogin;
use super::exit_code::Exit;
use super::output::{self, print_error, print_line};
use super::rules::InForce;
use super::screen::until_interrupted;
use super::short_connection::ShortConnection;
use super::{rules, runtime, times};
use idlegate_guard::time::{Span, WallTime};
use idlegate_history::report::{self, MachineSum, Period, Terms};
use idlegate_journal::JournalReader;
use idlegate_link::{self as link, Expiry, LinkHandle};
use idlegate_os::Clock;
use idlegate_plan::text::counted;
use idlegate_plan::{Broker, Plan, indices};
use idlegate_service::JOURNAL_FILE;
use idlegate_setup::checkup::{Finding, TopicWatch, Weight};

const PATIENCE: Duration = Duration::from_secs(6);
const FORTNIGHT_MS: i64 = 14 * 86_400_000;
const BEAT: Duration = Duration::from_millis(200);
/// The journal of a year, with room for SQLite to tidy up.
const DISK_FREE_MIN: u64 = 256 * 1024 * 1024;
/// 2026-01-01: a clock before that was never set.
const CLOCK_MIN_MS: i64 = 1_767_225_600_000;
/// Written by the time service of systemd once it has heard of a time.
const CLOCK_SET: &str = "/run/systemd/timesync/synchronized";

/// Check the workshop as it runs: broker, rights, topics, stored requests, clock and disk.
///
/// It says what to do about every fault. It sends nothing to any machine, and you can run it at any time, even while
/// the guard is running.
#[derive(Debug, clap::Args)]
pub(super) struct CheckupArgs {
    /// The rules folder.
    rules: PathBuf,
    /// The broker's port, if not the one in the rules.
    #[arg(long)]
    port: Option<u16>,
    /// How long to listen: longer than the slowest meter stays silent.
    #[arg(long = "for", value_name = "TIME", default_value = "15s", value_parser = times::span)]
    during: Span,
    /// Print one JSON object per line.
    #[arg(long)]
    json: bool,
}

impl CheckupArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let InForce { plan, broken } = match rules::in_force(&self.rules, self.port)? {
            Ok(in_force) => in_force,
            Err(exit) => return Ok(exit),
        };
        let mut findings = vec![match broken {
            None => Finding::good(
                "rules",
                format!(
                    "{}, {}",
                    counted(plan.machines.len(), "machine"),
                    counted(plan.inputs.len(), "input")
                ),
            ),
            Some(broken) => Finding::fault(
                "rules",
                broken,
                "Correct them: `idlegate check DIR` names each error. Until then the guard goes by the last good ones.",
            ),
        }];
        findings.push(clock());
        findings.push(disk(plan.shop.state_dir.as_deref()));
        findings.extend(settings(&plan));
        findings.extend(upkeep(&self.rules, &plan));
        let reached = runtime()?.block_on(at_the_broker(&plan, self, &mut findings))?;
        for finding in &findings {
            if self.json {
                output::json(&finding.to_json());
            } else {
                print_line!("{}", finding.to_words());
            }
        }
        let count = |weight| findings.iter().filter(|finding| finding.weight == weight).count();
        let (faults, notes) = (count(Weight::Fault), count(Weight::Note));
        if self.json {
            output::json(&json!({ "faults": faults, "notes": notes }));
        } else {
            print_line!("{}, {}", counted(faults, "fault"), counted(notes, "note"));
        }
        Ok(match (reached, faults) {
            (false, _) => Exit::Unavailable,
            (true, 0) => Exit::Good,
            (true, _) => Exit::No,
        })
    }
}

/// Whether the broker could be used at all.
async fn at_the_broker(
    plan: &Plan,
    wanted: &CheckupArgs,
    findings: &mut Vec<Finding>,
) -> anyhow::Result<bool> {
    let mut watch = TopicWatch::new(plan, Clock.now().moment);
    let at = format!("{}:{}", plan.shop.broker.host, plan.shop.broker.port);
    let mut connection = match ShortConnection::arrive(plan, &watch.filters(), PATIENCE).await {
        Ok(connection) => connection,
        Err(error) => {
            let remedy = "Check host, port, login and certificates under [broker] in shop.toml. Without the broker \
                          nothing is guarded.";
            findings.push(Finding::fault("broker", format!("{error:#}"), remedy));
            return Ok(false);
        }
    };
    if !wanted.json {
        print_error!("listening to {at} for {} ...", wanted.during);
    }
    let mut emergencies = EmergencyLogin::arrive(plan).await;
    let trial = tokio::spawn(expiry(plan.shop.broker.clone(), plan.shop.prefix.clone(), connection.link()));
    let until = tokio::time::Instant::now() + Duration::from(wanted.during);
    let listening = async {
        while tokio::time::Instant::now() < until || !trial.is_finished() {
            connection.wait_only(BEAT);
            if let Some(message) = connection.hear().await {
                emergencies.main_is_told(&message);
                watch.take(Clock.now().moment, &message);
            }
            emergencies.hear().await;
        }
        Ok(())
    };
    until_interrupted(listening).await?;
    let tried = if trial.is_finished() {
        about_expiry(trial.await?)
    } else {
        trial.abort();
        about_expiry(Expiry::NotTried("interrupted".to_owned()))
    };
    let denied = connection.denied().to_vec();
    connection.leave().await;
    findings.push(Finding::good("broker", format!("{at} speaks MQTT 5 and lets this user in")));
    findings.extend(denied.into_iter().map(|(filter, why)| {
        if plan.machines.iter().any(|machine| machine.order_topic() == Some(&filter)) {
            let remedy = "In the broker's access list, give Idlegate's user the right to read it, and it notices orders that \
                          others send past it. It guards without that, too.";
            return Finding::note("broker", format!("Idlegate is not allowed to read {filter}: {why}"), remedy);
        }
        let remedy = "In the broker's access list, give Idlegate's user the right to read it. Until then Idlegate sees \
                      nothing there.";
        Finding::fault("broker", format!("Idlegate is not allowed to read {filter}: {why}"), remedy)
    }));
    findings.push(anybody_gets_in(plan).await);
    findings.push(tried);
    findings.extend(emergencies.findings().await);
    findings.extend(watch.findings(Clock.now().moment));
    Ok(true)
}

async fn expiry(broker: Broker, prefix: String, link: LinkHandle) -> Expiry {
    match &broker.probe {
        Some(login) => link::try_expiry(&broker, login, &prefix, &link).await,
        None => Expiry::NotTried("the rules have no login for it".to_owned()),
    }
}

/// What waits for a client that is away, and has expired.
fn about_expiry(expiry: Expiry) -> Finding {
    match expiry {
        Expiry::Heeded => Finding::good("broker", "it throws away messages that have expired"),
        Expiry::NothingWaits => {
            Finding::good("broker", "it keeps nothing for clients that are away, so nothing arrives late")
        }
        Expiry::Ignored => Finding::fault(
            "broker",
            "it delivers messages that have expired: an off for an outlet that is out of reach may arrive hours later, in the \
             middle of a job",
            "Use another broker, or set the outlets to begin a new session whenever they connect.",
        ),
        Expiry::NotTried(why) => Finding::note(
            "broker",
            format!("not tried whether it throws away messages that have expired: {why}"),
            "Make another login at the broker, give it the right to read PREFIX/probe/expiry, and name it under [broker.probe] \
             in shop.toml: user = \"…\", password = { file = \"…\" }.",
        ),
    }
}

/// Whoever may connect without a login may also switch outlets past the guard.
async fn anybody_gets_in(plan: &Plan) -> Finding {
    let mut stranger = plan.clone();
    stranger.shop.broker.login = None;
    stranger.shop.broker.client_id = format!("{}-stranger", stranger.shop.broker.client_id);
    match ShortConnection::arrive(
        &stranger,
        &[format!("{}/health", plan.shop.prefix)],
        Duration::from_secs(3),
    )
    .await
    {
        Ok(connection) => {
            connection.leave().await;
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
        let found = format!("it says {}", idlegate_plan::text::rfc3339(now));
        return Finding::fault(
            "clock",
            found,
            "Set it with a time service or a battery-backed clock. Schedules wait until then.",
        );
    }
    if Path::new("/run/systemd/timesync").exists() && !Path::new(CLOCK_SET).exists() {
        return Finding::note("clock", "no time service has set it yet", "See timedatectl status.");
    }
    Finding::good("clock", idlegate_plan::text::rfc3339(now))
}

/// What the machines' own silences of the last fortnight say of their settings; nothing where there is no journal to be
/// read.
fn settings(plan: &Plan) -> Vec<Finding> {
    let file = plan.shop.state_dir.as_deref().map(|dir| dir.join(JOURNAL_FILE)).filter(|file| file.exists());
    let Some(reader) = file.and_then(|file| JournalReader::open(&file).ok()) else { return Vec::new() };
    let to = Clock.now().wall;
    let period = Period { from: WallTime(to.0 - FORTNIGHT_MS), to };
    let Ok(mut ledger) = report::ledger(
        &reader,
        &Terms { period, machine: None, tariff: None, titles: std::collections::BTreeMap::new() },
    ) else {
        return Vec::new();
    };
    ledger.know_rules(plan);
    let of_rules = ledger.machines.iter().filter(|sum| plan.machine(&sum.machine).is_some());
    let advice = |sum: &MachineSum| {
        let machine = sum.machine.clone();
        report::advice(sum).into_iter().map(move |it| Finding::note(machine.clone(), it.found, it.remedy))
    };
    of_rules.flat_map(advice).collect()
}

/// What is to be done to the machines, and where the drill is due.
fn upkeep(rules: &Path, plan: &Plan) -> Vec<Finding> {
    let now = Clock.now();
    let file = plan.shop.state_dir.as_deref().map(|dir| dir.join(JOURNAL_FILE)).filter(|file| file.exists());
    let reader = file.and_then(|file| JournalReader::open(&file).ok());
    let services = reader.map(|mut reader| report::services(&mut reader, plan, now)).unwrap_or_default();
    let due = services.into_iter().filter(|sum| sum.status.due).map(|sum| {
        let remedy = format!(
            "Do it, and say so: idlegate request --rules DIR {} serviced --service {}",
            sum.machine, sum.status.service
        );
        Finding::note(sum.machine, sum.status.words.to_string(), remedy)
    });
    let drills = indices(&plan.machines).filter_map(|machine| {
        let said = drill::due_now(rules, plan, machine, now.wall)?;
        let name = plan.machines[machine].name.as_str();
        Some(Finding::note(name, said, format!("Do it: idlegate drill {} {name} --due", rules.display())))
    });
    due.chain(drills).collect()
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
