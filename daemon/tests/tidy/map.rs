//! The map of the code: `DEVELOPERS.md`, and the tables of modules in `lib.rs`.

use std::collections::BTreeSet;
use std::fs;

use super::source::{Source, root};

/// Crates without a row of their own, and paths that are named and not there.
pub(crate) fn faults_of_developers_page() -> Vec<String> {
    let page = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let entries = fs::read_dir(root().join("daemon")).unwrap().map(|entry| entry.unwrap().path());
    let crates: BTreeSet<String> = entries
        .filter(|folder| folder.join("Cargo.toml").is_file())
        .map(|folder| folder.file_name().unwrap().to_str().unwrap().to_owned())
        .collect();
    let is_there = |path: &str| {
        let inside = path.split_once('/').map(|(layer, inside)| format!("daemon/{layer}/src/{inside}"));
        root().join(path).exists() || inside.is_some_and(|inside| root().join(inside).exists())
    };
    faults(&page, &crates, is_there)
}

fn faults(page: &str, crates: &BTreeSet<String>, is_there: impl Fn(&str) -> bool) -> Vec<String> {
    let row = |name: &String| page.lines().any(|line| line.starts_with(&format!("| `{name}` |")));
    let unnamed = crates.iter().filter(|name| !row(name));
    let unnamed = unnamed.map(|name| format!("DEVELOPERS.md: no row for the crate {name}"));
    let gone = quoted(page).filter(|path| is_path(path, crates) && !is_there(path));
    unnamed.chain(gone.map(|path| format!("DEVELOPERS.md: there is no {path}"))).collect()
}

/// What stands between two marks of code, in its running text.
fn quoted(page: &str) -> impl Iterator<Item = &str> {
    let text = page.lines().scan(false, |in_block, line| {
        *in_block ^= line.starts_with("```");
        Some(if *in_block { "" } else { line })
    });
    text.flat_map(|line| line.split('`').skip(1).step_by(2))
}

/// A file or folder of ours: `engine/core.rs`, `detectors/compiler/`, `tests/run`.
fn is_path(text: &str, crates: &BTreeSet<String>) -> bool {
    let plain = |c: char| c.is_alphanumeric() || "/._-".contains(c);
    let begins_with_crate = text.split_once('/').is_some_and(|(first, rest)| {
        !rest.is_empty() && (crates.contains(first) || ["daemon", "tests", "plugins", "sdk"].contains(&first))
    });
    text.chars().all(plain) && begins_with_crate
}

/// The modules that a table of modules leaves out; where there is no such table, nothing is left out.
pub(crate) fn missing_modules(source: &Source) -> Vec<String> {
    let is_root = source.path.ends_with("/lib.rs");
    let is_heading = |line: &str| ["| module |", "| file |", "| step |"].iter().any(|it| line.contains(it));
    let mut table = source.text.lines().skip_while(|line| !is_heading(line)).peekable();
    if !is_root || table.peek().is_none() {
        return Vec::new();
    }
    let named: Vec<&str> = table
        .take_while(|line| line.starts_with("//! |"))
        .flat_map(|line| line.split('`').skip(1).step_by(2))
        .collect();
    let named: BTreeSet<&str> =
        named.into_iter().map(|name| name.trim_start_matches("crate::").trim_end_matches('/')).collect();
    let code = source.shipped_code();
    let modules = code.lines().filter_map(|line| {
        let line = line.strip_prefix("pub ").unwrap_or(line);
        line.strip_prefix("mod ")?.strip_suffix(';')
    });
    let missing = modules.filter(|module| !named.contains(module));
    missing.map(|module| format!("{}: {module} is not in the table", source.path)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crate_without_a_row_and_a_file_that_is_gone_are_found() {
        let page = "`engine/core.rs`, `engine/gone.rs`, `cargo run`\n\
                    ```\n`engine/example.rs`\n```\n| `engine` | decides |\n";
        let crates = BTreeSet::from(["engine".to_owned(), "link".to_owned()]);
        let faults = faults(page, &crates, |path| path == "engine/core.rs");
        assert_eq!(
            faults,
            ["DEVELOPERS.md: no row for the crate link", "DEVELOPERS.md: there is no engine/gone.rs"]
        );
    }

    #[test]
    fn a_module_that_its_table_leaves_out_is_found() {
        let text = "//! | file | what it is for |\n//! | --- | --- |\n//! | [`barrier`] | ages |\n\n\
                    mod barrier;\npub mod queue;\n\
                    #[cfg(test)]\nmod queue_tests;\n";
        let source = Source::new("daemon/link/src/lib.rs", text);
        assert_eq!(missing_modules(&source), ["daemon/link/src/lib.rs: queue is not in the table"]);
    }
}
