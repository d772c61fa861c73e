//! Names that stand for two things, and public names that nobody else needs.

use std::collections::{BTreeMap, BTreeSet};

use super::source::Source;

/// Types that several crates have under one name, each with the reason why that misleads nobody.
pub(crate) const SHARED: [(&str, &str); 28] = [
    ("Confirm", SAID),
    ("Decision", SAID),
    ("Deferral", SAID),
    ("Finding", SAID),
    ("Gap", SAID),
    ("MachineStatus", SAID),
    ("NotUnderstood", SAID),
    ("Order", SAID),
    ("Reading", SAID),
    ("Request", SAID),
    ("Signal", SAID),
    ("Silence", SAID),
    ("State", SAID),
    ("StoppedDetector", SAID),
    ("Effect", IN_NAMES),
    ("Arrival", ON_THE_WAY),
    ("Feed", ON_THE_WAY),
    ("Alive", KNOWN),
    ("Limits", KNOWN),
    ("Outlet", KNOWN),
    ("Answer", IN_A_SENTENCE),
    ("Decided", IN_A_SENTENCE),
    ("Doing", IN_A_SENTENCE),
    ("Evidence", IN_A_SENTENCE),
    ("MachineSum", IN_A_SENTENCE),
    ("Silences", IN_A_SENTENCE),
    ("Stretch", IN_A_SENTENCE),
    ("Input", IN_AND_OF),
];

const SAID: &str = "what is said of it on a topic, beside the thing itself";
const IN_NAMES: &str = "the guard says it in numbers, the engine in names";
const ON_THE_WAY: &str = "one step further on its way";
const KNOWN: &str = "always written known::…: what is known of a machine that is being set up";
const IN_A_SENTENCE: &str = "a figure of the report or of a comparison, never beside the other";
const IN_AND_OF: &str =
    "what the guard is given, and what the rules call a way to ask: each the word of its field";

/// Public although nobody names them elsewhere.
pub(crate) const FOR_OTHERS: [(&str, &str); 3] = [
    ("VARIABLE", "the name of an environment variable, which belongs to the type that reads it"),
    ("resolve_in_time_order", "has a longer name outside its module"),
    ("markdown", "writes daemon/RULES.md, in a test of its own crate"),
];

/// Public types that several crates have under the same name, but for those that are listed.
pub(crate) fn of_two_types(ours: &[Source], listed: &[(&str, &str)]) -> Vec<String> {
    let mut types: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for source in ours {
        let code = source.shipped_code();
        for (_, name) in public_items(&code).into_iter().filter(|(kind, _)| TYPES.contains(kind)) {
            types.entry(name.to_owned()).or_default().insert(source.crate_folder());
        }
    }
    types.retain(|name, crates| crates.len() > 1 && !listed.iter().any(|(listed, _)| listed == name));
    types.iter().map(|(name, crates)| format!("{name} is a type in each of {crates:?}")).collect()
}

/// Public functions and constants whose name is written nowhere outside their crate. A type may have to be public
/// because something public names it, which the compiler sees to.
pub(crate) fn without_user(ours: &[Source], everything: &[Source], listed: &[(&str, &str)]) -> Vec<String> {
    let mut users: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for source in everything {
        // An integration test is a crate of its own.
        let user = if source.path.contains("/tests/") && !source.path.contains("/src/") {
            source.path.as_str()
        } else {
            source.crate_folder()
        };
        for word in words(&source.code) {
            users.entry(word.to_owned()).or_default().insert(user);
        }
    }
    let mut found = Vec::new();
    for source in ours.iter().filter(|source| source.path.starts_with("daemon/")) {
        let own = source.crate_folder();
        for (kind, name) in public_items(&source.shipped_code()) {
            let is_used = users.get(name).is_some_and(|users| users.iter().any(|user| *user != own));
            let is_listed = listed.iter().any(|(listed, _)| *listed == name);
            if !TYPES.contains(&kind) && !is_used && !is_listed {
                found.push(format!("{}: nobody outside {own} uses {kind} {name}", source.path));
            }
        }
    }
    found
}

const TYPES: [&str; 5] = ["struct", "enum", "trait", "union", "type"];

/// The kind and the name of whatever is public.
fn public_items(code: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    for line in code.lines() {
        let Some(item) = line.trim_start().strip_prefix("pub ") else { continue };
        let mut words =
            item.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|word| !word.is_empty());
        let mut kind = words.next().unwrap_or_default();
        let mut name = words.next().unwrap_or_default();
        while ["async", "unsafe", "extern"].contains(&kind) || (kind == "const" && name == "fn") {
            (kind, name) = (name, words.next().unwrap_or_default());
        }
        if TYPES.contains(&kind) || ["fn", "const", "static"].contains(&kind) {
            found.push((kind, name));
        }
    }
    found
}

fn words(code: &str) -> impl Iterator<Item = &str> {
    code.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|word| !word.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link() -> Source {
        Source::new(
            "daemon/link/src/lib.rs",
            "pub struct Arrival;\npub const fn spawn() {}\npub(crate) fn own() {}\n",
        )
    }

    #[test]
    fn one_name_for_two_types_is_found_unless_it_is_listed() {
        let both = [link(), Source::new("daemon/guard/src/input.rs", "pub enum Arrival {}\nstruct Own;\n")];
        let found = of_two_types(&both, &[("Error", "idiomatic")]);
        assert_eq!(found, [r#"Arrival is a type in each of {"daemon/guard", "daemon/link"}"#]);
        assert_eq!(of_two_types(&both, &[("Arrival", "one way")]), Vec::<String>::new());
        assert_eq!(of_two_types(&both[..1], &[]), Vec::<String>::new());
    }

    #[test]
    fn a_public_function_that_only_its_own_crate_uses_is_found() {
        let found = |text: &str| {
            let own = Source::new("daemon/link/src/queue.rs", "fn f() { spawn() }\n");
            let other = Source::new("daemon/service/src/run.rs", text);
            without_user(&[link()], &[link(), own, other], &[])
        };
        assert_eq!(found("// spawn\n"), ["daemon/link/src/lib.rs: nobody outside daemon/link uses fn spawn"]);
        assert_eq!(found("link::spawn();\n"), Vec::<String>::new());
    }
}
