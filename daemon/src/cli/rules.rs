//! A plan from a rules folder, or its problems on standard error.

use std::path::Path;

use super::exit_code::Exit;
use super::output::print_error;
use super::state_folder;
use idlegate_detectors::Modules;
use idlegate_plan::text::counted;
use idlegate_plan::{MachineIx, Plan};
use idlegate_rules::{self as rules, Folder, Surroundings, SystemSecrets};

/// The machine that somebody named on the command line, or which there are.
pub(super) fn find_machine(plan: &Plan, name: &str) -> Result<MachineIx, String> {
    plan.machine(name).map(|(index, _)| index).ok_or_else(|| {
        let names: Vec<_> = plan.machines.iter().map(|machine| machine.name.as_str()).collect();
        format!("no machine is called {name:?}; known machines: {}", names.join(", "))
    })
}

/// Whether there is a group that somebody named on the command line, or which there are.
pub(super) fn find_group(plan: &Plan, name: &str) -> Result<(), String> {
    plan.group(name).map(drop).ok_or_else(|| {
        let names: Vec<_> = plan.groups.iter().map(|group| group.name.as_str()).collect();
        if names.is_empty() {
            return "the rules have no groups; write one in shop.toml, as [groups.evening]".to_owned();
        }
        format!("no group is called {name:?}; known groups: {}", names.join(", "))
    })
}

/// The same, and a name that is none is told.
pub(super) fn machine(plan: &Plan, name: &str) -> Result<MachineIx, Exit> {
    find_machine(plan, name).map_err(|fault| {
        print_error!("idlegate: {fault}");
        Exit::Usage
    })
}

/// The rules that a guard goes by while somebody is still writing better ones.
pub(super) struct InForce {
    pub(super) plan: Plan,
    /// Why it is not those in the folder.
    pub(super) broken: Option<String>,
}

/// For whoever wants to know what the running guard does: a slip in the folder does not stop it, and must not hide it.
/// Says on standard error what it goes by instead.
pub(super) fn in_force(dir: &Path, port: Option<u16>) -> anyhow::Result<Result<InForce, Exit>> {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
    let compiled = |folder: &Folder| {
        let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
        rules::compile(folder, &around).map(|compiled| {
            let mut plan = compiled.plan;
            plan.shop.broker.port = port.unwrap_or(plan.shop.broker.port);
            plan
        })
    };
    let folder = rules::load(dir);
    let problems = match compiled(&folder) {
        Ok(plan) => return Ok(Ok(InForce { plan, broken: None })),
        Err(problems) => problems,
    };
    let errors: Vec<_> = problems.iter().filter(|problem| problem.is_error()).collect();
    for problem in &errors {
        print_error!("{}", problem.render());
    }
    let broken =
        format!("the rules in {} cannot be used ({})", dir.display(), counted(errors.len(), "error"));
    let copy = state_folder::by_rules(dir).map(|state_dir| rules::last_good(&state_dir));
    let copied =
        copy.and_then(|copy| Some((compiled(&rules::load(&copy)).ok()?, copy.display().to_string())));
    // Where there is no copy, the broker is all that it takes to hear the guard.
    let alone = || {
        let shop = folder.files.iter().find(|file| file.path == "shop.toml")?;
        let plan = compiled(&Folder::from_texts(dir, [("shop.toml", shop.text.as_str())])).ok()?;
        Some((plan, "its shop.toml alone".to_owned()))
    };
    let Some((plan, instead)) = copied.or_else(alone) else { return Ok(Err(Exit::Rules)) };
    print_error!("idlegate: {broken}; going by {instead}\n");
    Ok(Ok(InForce { plan, broken: Some(broken) }))
}

/// For a visitor at the broker, who may want another port than the rules give.
pub(super) fn for_visitor(dir: &Path, port: Option<u16>) -> anyhow::Result<Result<Plan, Exit>> {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
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
                print_error!("{}", problem.render());
            }
            Err(Exit::Rules)
        }
    })
}
