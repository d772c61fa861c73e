//! What could go wrong: somebody in a hurry gives the guard a clock, a file or a random order of things.

use std::fs;
use std::path::Path;

/// Whoever wants one of these in the guard is missing an input or an effect.
const FORBIDDEN: [&str; 15] = [
    "tokio",
    "std::time",
    "std::fs",
    "std::io",
    "std::net",
    "std::env",
    "std::thread",
    "std::sync",
    "HashMap",
    "HashSet",
    "rand",
    "Instant",
    "SystemTime",
    "async ",
    "unsafe",
];

/// Its own files and time as plain data are all the guard may know of this program.
const CRATE_ALLOWED: [&str; 1] = ["crate::time::"];

#[test]
fn the_guard_knows_no_clock_file_thread_chance_or_other_part_of_the_program() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/guard");
    let mut seen = 0;
    for entry in fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "rs") {
            continue;
        }
        seen += 1;
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        for (line, text) in (1..).zip(fs::read_to_string(&path).unwrap().lines()) {
            let code = text.split("//").next().unwrap();
            for word in FORBIDDEN {
                assert!(!has_word(code, word), "{name}:{line}: {word:?} has no place in the guard: {text}");
            }
            let mut rest = code;
            while let Some(at) = rest.find("crate::") {
                rest = &rest[at..];
                let allowed = CRATE_ALLOWED.iter().any(|allowed| rest.starts_with(allowed));
                assert!(allowed, "{name}:{line}: the guard imports only time: {text}");
                rest = &rest["crate::".len()..];
            }
        }
    }
    assert!(seen >= 12, "the guard's files were not found in {}", folder.display());
}

fn has_word(code: &str, word: &str) -> bool {
    let is_name = |letter: char| letter.is_alphanumeric() || letter == '_';
    code.match_indices(word).any(|(at, _)| {
        let before = code[..at].chars().next_back();
        let after = code[at + word.len()..].chars().next();
        !before.is_some_and(is_name) && (word.ends_with(' ') || !after.is_some_and(is_name))
    })
}

#[test]
fn the_check_itself_finds_what_it_looks_for() {
    assert!(has_word("use std::collections::HashMap;", "HashMap"));
    assert!(has_word("use rand::Rng;", "rand"));
    assert!(has_word("pub async fn wait()", "async "));
    assert!(!has_word("let operand = 1;", "rand"));
}
