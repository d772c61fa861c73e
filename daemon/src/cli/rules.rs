//! A plan from a rules folder, or its problems on standard error.

use std::path::Path;
use std::sync::Arc;

use super::exit_code::Exit;
use crate::event::Name;
use crate::plan::{Plan, SharedPlan};
use crate::rules::{self, Surroundings, SystemSecrets};
use crate::service::Modules;

/// For the service: every secret must be there.
pub(super) fn compile(
    dir: &Path,
    site: Option<&Name>,
    modules: &Modules,
    secrets: &SystemSecrets,
) -> Result<SharedPlan, Exit> {
    let folder = rules::load(dir);
    match rules::compile(&folder, &Surroundings { detectors: modules, secrets }) {
        Ok(compiled) => {
            for warning in &compiled.warnings {
                eprintln!("{}", warning.render());
            }
            compiled.plan.at_site(site).map(Arc::new).map_err(|why| {
                eprintln!("idlegate: {why}");
                Exit::Rules
            })
        }
        Err(problems) => {
            for problem in &problems {
                eprintln!("{}", problem.render());
            }
            eprintln!("the rules in {} cannot be used", dir.display());
            Err(Exit::Rules)
        }
    }
}

/// The rules that were in force last, for a start with broken ones. The service says so as long as it lasts.
pub(super) fn last_good(state_dir: &Path, site: Option<&Name>, modules: &Modules) -> Option<SharedPlan> {
    let dir = rules::last_good(state_dir);
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::SERVICE };
    let plan = rules::compile(&rules::load(&dir), &around).ok()?.plan.at_site(site).ok()?;
    eprintln!("using the rules that were last in force instead, from {}", dir.display());
    Some(Arc::new(plan))
}

/// The machine that somebody named on the command line, by index, or which there are.
pub(super) fn find_machine(plan: &Plan, name: &str) -> Result<usize, String> {
    plan.machine(name).map(|(index, _)| index).ok_or_else(|| {
        let names: Vec<_> = plan.machines.iter().map(|machine| machine.name.as_str()).collect();
        format!("no machine is called {name:?}; known machines: {}", names.join(", "))
    })
}

/// The same, and a name that is none is told.
pub(super) fn machine(plan: &Plan, name: &str) -> Result<usize, Exit> {
    find_machine(plan, name).map_err(|fault| {
        eprintln!("idlegate: {fault}");
        Exit::Usage
    })
}

/// For a visitor at the broker, who may want another port than the rules give.
pub(super) fn for_visitor(dir: &Path, port: Option<u16>) -> anyhow::Result<Result<Plan, Exit>> {
    let modules = Modules::new(crate::detectors::Execution::Interpreted, None)?;
    let folder = rules::load(dir);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    Ok(match rules::compile(&folder, &around) {
        Ok(compiled) => {
            let mut plan = compiled.plan;
            plan.shop.broker.port = port.unwrap_or(plan.shop.broker.port);
            Ok(plan)
        }
        Err(problems) => {
            for problem in problems.iter().filter(|problem| problem.is_error()) {
                eprintln!("{}", problem.render());
            }
            Err(Exit::Rules)
        }
    })
}
