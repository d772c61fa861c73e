//! `idlegate report`.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use jiff::tz::TimeZone;
use serde_json::{Value as Json, json};

use super::drill;
use super::exit_code::Exit;
use super::journal::{self, Excerpt};
use super::output::{self, print_error, print_line, print_text};
use super::rules;
use super::times::Time;
use idlegate_guard::time::WallTime;
use idlegate_history::report::{self, Period, Terms};
use idlegate_journal::JournalReader;
use idlegate_os::Clock;
use idlegate_plan::{Plan, indices};

const WEEK_MS: i64 = 7 * 86_400_000;

/// Sum up what each machine did, drew and cost, and what was asked and refused. Default: the last week.
#[derive(Debug, clap::Args)]
pub(super) struct ReportArgs {
    #[command(flatten)]
    excerpt: Excerpt,
    /// Print one line per machine, as CSV.
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Print as JSON, with every job.
    #[arg(long)]
    json: bool,
    /// Write a web page with plots, all in one file.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

impl ReportArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let wanted = &self.excerpt;
        let to = wanted.to.map_or_else(|| Clock.now().wall, Time::wall);
        let period = Period { from: wanted.from.map_or(WallTime(to.0 - WEEK_MS), Time::wall), to };
        if period.from >= period.to {
            print_error!("idlegate: --from is not before --to");
            return Ok(Exit::Usage);
        }
        let titles = std::collections::BTreeMap::new();
        let mut terms = Terms { period, machine: wanted.machine.clone(), tariff: None, titles };
        let mut shop = "Workshop".to_owned();
        let mut known = None;
        if let Some(dir) = &wanted.rules {
            let plan = match rules::in_force(dir, None)? {
                Ok(in_force) => in_force.plan,
                Err(exit) => return Ok(exit),
            };
            let titles =
                plan.machines.iter().map(|machine| (machine.name.to_string(), machine.title.clone()));
            terms.titles = titles.collect();
            (shop, terms.tariff) = (plan.shop.title.clone(), plan.shop.tariff.clone());
            known = Some(plan);
        }
        let mut reader = match journal::open(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
            Ok(reader) => reader,
            Err(exit) => return Ok(exit),
        };
        let mut ledger = report::ledger(&reader, &terms)?;
        let upkeep = known.map(|plan| {
            ledger.know_rules(&plan);
            Upkeep::of(wanted.rules.as_deref(), &mut reader, &plan)
        });
        let upkeep = upkeep.unwrap_or_default();
        let zone = TimeZone::system();
        if self.csv {
            print_text!("{}", report::csv(&ledger));
        } else if self.json {
            let mut json = report::json(&ledger, &zone);
            upkeep.add_to(&mut json);
            output::json_over_lines(&json);
        } else {
            print_text!("{}", report::words(&ledger, &zone));
            upkeep.lines.iter().for_each(|line| print_line!("{line}"));
        }
        if let Some(file) = &self.html {
            std::fs::write(file, report::html(&ledger, &shop, &zone))
                .with_context(|| format!("cannot write {}", file.display()))?;
        }
        Ok(Exit::Good)
    }
}

/// What is to be done to the machines, and whether a drill is due.
#[derive(Default)]
struct Upkeep {
    lines: Vec<String>,
    services: Vec<Json>,
    drills: Vec<Json>,
}

impl Upkeep {
    fn of(rules: Option<&Path>, reader: &mut JournalReader, plan: &Plan) -> Upkeep {
        let now = Clock.now();
        let mut upkeep = Upkeep::default();
        for sum in report::services(reader, plan, now) {
            upkeep.services.push(json!({
                "machine": sum.machine, "service": sum.status.service.as_str(), "due": sum.status.due,
                "sentence": &*sum.status.words,
            }));
            upkeep.lines.push(sum.words());
        }
        for machine in rules.into_iter().flat_map(|_| indices(&plan.machines)) {
            let Some(said) = rules.and_then(|rules| drill::due_now(rules, plan, machine, now.wall)) else {
                continue;
            };
            let machine = &plan.machines[machine];
            upkeep.drills.push(json!({ "machine": machine.name.as_str(), "due": said }));
            upkeep.lines.push(format!("{}: {said}", machine.title));
        }
        if !upkeep.lines.is_empty() {
            upkeep.lines.insert(0, "\nUpkeep".to_owned());
        }
        upkeep
    }

    /// Only what there is: whoever reads the report without services and drills finds it as it was.
    fn add_to(&self, report: &mut Json) {
        for (name, all) in [("services", &self.services), ("drills_due", &self.drills)] {
            if !all.is_empty() {
                report[name] = json!(all);
            }
        }
    }
}
