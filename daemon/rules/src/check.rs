//! `idlegate check DIR`: prints every problem and a summary; the arguments are taken apart elsewhere.

use std::io::{self, Write};
use std::path::Path;

use super::compile::{DetectorCatalog, Surroundings, compile};
use super::folder::load;
use super::problem::Problem;
use super::secrets::SystemSecrets;
use idlegate_plan::text::counted;

/// How a check ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckOutcome {
    /// The rules can be used; there may be warnings.
    Usable,
    /// There is at least one error.
    Broken,
}

/// What the rules are about.
#[derive(Clone, Copy)]
struct Counts {
    machines: usize,
    groups: usize,
    inputs: usize,
}

/// Checks the folder and writes what there is to say.
pub fn check(
    dir: &Path,
    detectors: &dyn DetectorCatalog,
    json: bool,
    out: &mut dyn Write,
) -> io::Result<CheckOutcome> {
    let folder = load(dir);
    let around = Surroundings { detectors, secrets: &SystemSecrets::CHECK };
    let (problems, counts, outcome) = match compile(&folder, &around) {
        Ok(compiled) => {
            let plan = &compiled.plan;
            let (machines, groups, inputs) = (plan.machines.len(), plan.groups.len(), plan.inputs.len());
            let counts = Some(Counts { machines, groups, inputs });
            (compiled.warnings, counts, CheckOutcome::Usable)
        }
        Err(problems) => (problems, None, CheckOutcome::Broken),
    };
    if json {
        let problems = serde_json::json!({
            "usable": outcome == CheckOutcome::Usable,
            "digest": folder.digest,
            "machines": counts.map(|counts| counts.machines),
            "groups": counts.map(|counts| counts.groups),
            "inputs": counts.map(|counts| counts.inputs),
            "problems": problems.iter().map(Problem::to_json).collect::<Vec<_>>(),
        });
        writeln!(out, "{problems:#}")?;
        return Ok(outcome);
    }
    for problem in &problems {
        writeln!(out, "{}", problem.render())?;
    }
    writeln!(out, "{}", summary(&problems, counts))?;
    Ok(outcome)
}

fn summary(problems: &[Problem], counts: Option<Counts>) -> String {
    let errors = problems.iter().filter(|problem| problem.is_error()).count();
    let warnings = counted(problems.len() - errors, "warning");
    match counts {
        Some(Counts { machines, groups, inputs }) => {
            // Most shops have none, and need not read of them.
            let groups = if groups > 0 { format!(", {}", counted(groups, "group")) } else { String::new() };
            let what = format!("{}{groups} and {}", counted(machines, "machine"), counted(inputs, "input"));
            if problems.is_empty() {
                format!("the rules are good: {what}")
            } else {
                format!("the rules can be used: {what}, {warnings}")
            }
        }
        None => format!(
            "the rules cannot be used: {}, {warnings} (idlegate check --explain CODE says more)",
            counted(errors, "error")
        ),
    }
}
