//! Where the journal and the lockouts are kept if nobody says where: beside the rules, so that two workshops on one
//! computer have two of them.

use std::path::{Path, PathBuf};

/// `/home/mara/shop` has its state in `/home/mara/shop-state`. Not within: a guard follows every change in the rules
/// folder.
pub(super) fn beside(rules: &Path) -> PathBuf {
    let rules = absolute(rules);
    let mut name = rules.file_name().unwrap_or_default().to_owned();
    name.push("-state");
    rules.with_file_name(name)
}

/// What the rules say, or beside them. Nothing where the rules cannot be read and nothing is there yet: they might have
/// named another.
pub(super) fn by_rules(rules: &Path) -> Option<PathBuf> {
    let shop = std::fs::read_to_string(rules.join("shop.toml")).ok();
    let shop = shop.and_then(|text| text.parse::<toml_edit::DocumentMut>().ok());
    match shop {
        // What is no text, or no absolute path, is reported with the other problems of the rules.
        Some(shop) => match shop.get("state_dir") {
            Some(named) => named.as_str().map(PathBuf::from).filter(|named| named.is_absolute()),
            None => Some(beside(rules)),
        },
        None => Some(beside(rules)).filter(|dir| dir.is_dir()),
    }
}

/// The command that guards by these rules, to be typed in any folder.
pub(super) fn run_command(rules: &Path, state_dir: Option<&Path>) -> String {
    let kept_in = state_dir.map_or_else(|| beside(rules), Path::to_owned);
    format!("idlegate run {} --state-dir {}", typed(&absolute(rules)), typed(&kept_in))
}

fn absolute(path: &Path) -> PathBuf {
    std::fs::canonicalize(path).or_else(|_| std::path::absolute(path)).unwrap_or_else(|_| path.to_owned())
}

/// As a shell takes it.
fn typed(path: &Path) -> String {
    let text = path.display().to_string();
    let is_plain = |char: char| char.is_alphanumeric() || "/._-+:@%".contains(char);
    if text.chars().all(is_plain) { text } else { format!("'{}'", text.replace('\'', "'\\''")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_can_be_typed_as_it_is_shown() {
        let dir = tempfile::tempdir().unwrap();
        let rules = dir.path().join("Mara's shop");
        std::fs::create_dir(&rules).unwrap();
        let command = run_command(&rules, None);
        let output = std::process::Command::new("sh")
            .args(["-c", &format!("printf '%s\\n' {command}")])
            .output()
            .unwrap();
        let words = String::from_utf8(output.stdout).unwrap();
        let rules = std::fs::canonicalize(&rules).unwrap();
        let expected = format!("idlegate\nrun\n{0}\n--state-dir\n{0}-state\n", rules.display());
        assert_eq!(words, expected);
    }
}
