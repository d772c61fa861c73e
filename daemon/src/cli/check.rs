//! `idlegate check`.

use std::path::Path;

use super::exit_code::Exit;
use crate::detectors::Execution;
use crate::engine::foreseen;
use crate::plan::ModuleSource;
use crate::rules::{self, Surroundings, SystemSecrets, check::Outcome};
use crate::service::Modules;

pub(super) fn check(dir: &Path, json: bool) -> anyhow::Result<Exit> {
    // A look at the rules runs each detector for an instant; compiling it to machine code would take longer.
    let modules = Modules::new(Execution::Interpreted, None)?;
    let outcome = rules::check::check(dir, &modules, json, &mut std::io::stdout().lock())?;
    Ok(match outcome {
        Outcome::Usable => Exit::Good,
        Outcome::Broken => Exit::Rules,
    })
}

pub(super) fn explain(code: &str) -> anyhow::Result<Exit> {
    match rules::explain(code) {
        Some(explanation) => {
            println!("{code}: {explanation}");
            Ok(Exit::Good)
        }
        None => {
            let words: Vec<_> = rules::Code::ALL.iter().map(|code| code.word()).collect();
            eprintln!("idlegate: no problem has the code {code:?}; known codes: {}", words.join(", "));
            Ok(Exit::Usage)
        }
    }
}

/// Some editors take it from a comment at the top of the file: `#:schema ./machine.schema.json`.
pub(super) fn schema(file: &str) -> anyhow::Result<Exit> {
    match rules::schema::schema(file) {
        Some(schema) => {
            println!("{schema:#}");
            Ok(Exit::Good)
        }
        None => Ok(Exit::Usage),
    }
}

/// What a change would do, before it is made.
pub(super) fn compare(dir: &Path, in_force: &Path, json: bool) -> anyhow::Result<Exit> {
    let mut plans = Vec::new();
    let mut loaded = Vec::new();
    for dir in [in_force, dir] {
        let modules = Modules::new(Execution::Interpreted, None)?;
        let folder = rules::load(dir);
        let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
        match rules::compile(&folder, &around) {
            Ok(compiled) => plans.push(compiled.plan),
            Err(problems) => {
                for problem in problems.iter().filter(|problem| problem.is_error()) {
                    eprintln!("{}", problem.render());
                }
                eprintln!(
                    "the rules in {} cannot be used; the guard would keep its present ones",
                    dir.display()
                );
                return Ok(Exit::Rules);
            }
        }
        loaded.push(folder);
    }
    // By their place in the folder: the same file in two folders is the same detector.
    let root =
        |at: usize| std::fs::canonicalize(&loaded[at].root).unwrap_or_else(|_| loaded[at].root.clone());
    let mut before = plans[0].clone();
    for uses in before.machines.iter_mut().flat_map(|machine| &mut machine.detectors) {
        if let ModuleSource::File { path, .. } = &mut uses.module
            && let Ok(inside) = path.strip_prefix(root(0))
        {
            *path = root(1).join(inside);
        }
    }
    let replaced = |source: &ModuleSource| match source {
        ModuleSource::BuiltIn(_) => false,
        ModuleSource::File { path, .. } => {
            let content = |at: usize| {
                let inside = path.strip_prefix(root(1)).ok()?.to_str()?.to_owned();
                let modules = &loaded[at].modules;
                modules.iter().find(|module| module.path == inside).map(|module| module.sha256.clone())
            };
            content(0) != content(1)
        }
    };
    let told = foreseen(&before, &plans[1], replaced);
    if json {
        println!("{}", serde_json::json!({ "changes": told }));
    } else if told.is_empty() {
        println!("nothing would change");
    } else {
        told.iter().for_each(|change| println!("{change}"));
    }
    Ok(Exit::Good)
}
