//! Which rules a start guards by: those in the folder, or those that were in force last where the folder's cannot be
//! used, take too long to make ready, or have ended the guard when they were tried.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use idlegate_detectors::Modules;
use idlegate_plan::SharedPlan;
use idlegate_plan::event::Name;
use idlegate_rules::{self as rules, Code, Folder, Surroundings, SystemSecrets, tried};

/// How long detectors that are new may delay a start that has other rules to guard by. What is not ready by then is
/// made ready while those are in force.
const PATIENCE: Duration = Duration::from_secs(5);

/// What a start begins with.
#[derive(Debug)]
pub struct FirstRules {
    pub plan: SharedPlan,
    pub modules: Arc<Modules>,
    pub provenance: Provenance,
}

/// How far the first rules are to be trusted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Provenance {
    /// The digest of rules that are not tried again until somebody asks for it, or changes them.
    pub held_back: Option<String>,
    /// Some of their detectors could not be loaded, so they are nothing to fall back on.
    pub incomplete: bool,
}

/// Nothing when no rules can be used at all. Either way `tell` hears what there is to say.
pub fn choose(
    dir: &Path,
    state_dir: Option<&Path>,
    site: Option<&Name>,
    modules: &Modules,
    tell: &mut dyn FnMut(&str),
) -> Option<FirstRules> {
    let folder = rules::load(dir);
    let before = state_dir.map(|state_dir| rules::load(&rules::last_good(state_dir)));
    // Where there is no copy, the folder that is not there has problems.
    let before = before.filter(|before| before.problems.is_empty() && before.digest != folder.digest);
    let Some((before, state_dir)) = before.zip(state_dir) else {
        return whole_or_in_part(&folder, site, modules.anew(), tell);
    };
    let fall_back = |held_back: Option<String>, tell: &mut dyn FnMut(&str)| {
        let modules = modules.anew();
        let (plan, _) = compile(&before, site, &modules).ok()?;
        tell(&format!("using the rules that were last in force instead, from {}", before.root.display()));
        let provenance = Provenance { held_back, incomplete: false };
        Some(FirstRules { plan, modules: Arc::new(modules), provenance })
    };
    if tried::marked(state_dir).as_ref() == Some(&folder.digest) {
        tell(&tried::held_back(&folder));
        if let Some(first) = fall_back(Some(folder.digest.clone()), tell) {
            return Some(first);
        }
    }
    if let Err(error) = tried::mark(&folder, state_dir) {
        tracing::warn!(%error, "it could not be noted that changed rules are being tried");
    }
    let hurried = modules.until(Instant::now() + PATIENCE);
    match compile(&folder, site, &hurried) {
        Ok((plan, warnings)) => {
            warnings.iter().for_each(|warning| tell(&warning.render()));
            Some(FirstRules { plan, modules: Arc::new(hurried), provenance: Provenance::default() })
        }
        Err(problems) => {
            tried::unmark(state_dir);
            refused(&folder, &problems, tell);
            fall_back(None, tell).or_else(|| whole_or_in_part(&folder, site, modules.anew(), tell))
        }
    }
}

/// A machine whose detector cannot be loaded is guarded all the same: it counts as busy, and can be forced off.
fn whole_or_in_part(
    folder: &Folder,
    site: Option<&Name>,
    modules: Modules,
    tell: &mut dyn FnMut(&str),
) -> Option<FirstRules> {
    let modules = modules.or_without();
    match compile(folder, site, &modules) {
        Ok((plan, warnings)) => {
            warnings.iter().for_each(|warning| tell(&warning.render()));
            let incomplete = warnings.iter().any(|warning| warning.code == Code::BadDetector);
            if incomplete {
                tell(
                    "guarding without the detectors that cannot be loaded: until they can be, their machines count as busy",
                );
            }
            let provenance = Provenance { held_back: None, incomplete };
            Some(FirstRules { plan, modules: Arc::new(modules), provenance })
        }
        Err(problems) => {
            refused(folder, &problems, tell);
            None
        }
    }
}

fn refused(folder: &Folder, problems: &[String], tell: &mut dyn FnMut(&str)) {
    problems.iter().for_each(|problem| tell(problem));
    tell(&format!("the rules in {} cannot be used", folder.root.display()));
}

/// For the service: every secret must be there.
fn compile(
    folder: &Folder,
    site: Option<&Name>,
    modules: &Modules,
) -> Result<(SharedPlan, Vec<rules::Problem>), Vec<String>> {
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::SERVICE };
    let compiled = rules::compile(folder, &around)
        .map_err(|problems| problems.iter().map(rules::Problem::render).collect::<Vec<_>>())?;
    let plan = compiled.plan.at_site(site).map_err(|why| vec![format!("idlegate: {why}")])?;
    Ok((Arc::new(plan), compiled.warnings))
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::PathBuf;

    use super::*;
    use idlegate_detectors::Execution;

    struct Shop {
        dir: tempfile::TempDir,
        modules: Modules,
    }

    impl Shop {
        fn new() -> Shop {
            let shop = Shop {
                dir: tempfile::tempdir().unwrap(),
                modules: Modules::new(Execution::Interpreted, None).unwrap(),
            };
            rules::starter::write(&shop.rules()).unwrap();
            fs::create_dir(shop.state()).unwrap();
            shop
        }

        fn rules(&self) -> PathBuf {
            self.dir.path().join("rules")
        }

        fn state(&self) -> PathBuf {
            self.dir.path().join("state")
        }

        fn append(&self, file: &str, text: &str) {
            let path = self.rules().join(file);
            fs::write(&path, fs::read_to_string(&path).unwrap() + text).unwrap();
        }

        fn machine(&self) -> String {
            let mut files = fs::read_dir(self.rules().join("machines")).unwrap();
            format!("machines/{}", files.next().unwrap().unwrap().file_name().to_str().unwrap())
        }

        /// The first rules, if any, and what was told.
        fn chosen(&self) -> (Option<FirstRules>, String) {
            let mut told = String::new();
            let mut tell = |line: &str| told = format!("{told}{line}\n");
            let first = choose(&self.rules(), Some(&self.state()), None, &self.modules, &mut tell);
            (first, told)
        }
    }

    #[test]
    fn rules_that_ended_the_guard_are_not_tried_again_by_themselves() {
        let shop = Shop::new();
        let good = rules::load(&shop.rules());
        rules::keep_last_good(&good, &shop.state()).unwrap();
        shop.append("shop.toml", "# changed\n");
        let changed = rules::load(&shop.rules());
        let (first, told) = shop.chosen();
        assert_eq!(first.unwrap().plan.digest, changed.digest, "{told}");
        assert_eq!(tried::marked(&shop.state()), Some(changed.digest.clone()), "until it has proven itself");
        // As it is found if nothing has removed the mark.
        let (first, told) = shop.chosen();
        let first = first.unwrap();
        assert_eq!((&first.plan.digest, &first.provenance.held_back), (&good.digest, &Some(changed.digest)));
        assert!(told.contains("ended while it was trying the rules"), "{told}");
        shop.append("shop.toml", "# and again\n");
        let (first, told) = shop.chosen();
        assert_eq!(first.unwrap().provenance, Provenance::default(), "{told}");
    }

    #[test]
    fn broken_rules_leave_no_mark_and_those_before_are_used() {
        let shop = Shop::new();
        let good = rules::load(&shop.rules());
        rules::keep_last_good(&good, &shop.state()).unwrap();
        shop.append("shop.toml", "this is no rule\n");
        let (first, told) = shop.chosen();
        let first = first.unwrap();
        assert_eq!((&first.plan.digest, first.provenance), (&good.digest, Provenance::default()), "{told}");
        assert_eq!(tried::marked(&shop.state()), None);
    }

    #[test]
    fn where_nothing_else_is_left_a_machine_is_guarded_without_its_detector() {
        let shop = Shop::new();
        fs::create_dir(shop.rules().join("detectors")).unwrap();
        fs::write(shop.rules().join("detectors/mine.wasm"), "no detector at all").unwrap();
        shop.append(&shop.machine(), "\n[[detectors]]\nfile = \"detectors/mine.wasm\"\n");
        let (first, told) = shop.chosen();
        let first = first.unwrap();
        assert!(first.provenance.incomplete, "{told}");
        let mut names = first.plan.machines[0].detectors.iter().map(|uses| uses.name.as_str());
        assert_eq!(names.next_back(), Some("mine"));
        assert!(told.contains("is not a WebAssembly file") && told.contains("count as busy"), "{told}");
    }
}
